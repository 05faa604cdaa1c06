"""Long tables, mixed rates, and layouts that no longer fit what is in the file."""

import numpy as np
import polars as pl
import pytest
from logs import layout, part, refusal, said, seconds, speeds, table

LONG = layout(
    wheel_speed="speed",
    engine_speed={"column": "rpm", "unit": "rpm"},
    front_brake="brake",
    gear={"column": "gear", "optional": True},
    file_shape="long",
    file_name_column="channel",
    file_value_column="value",
)


def test_a_long_table_becomes_one_row_an_instant() -> None:
    text = (
        "t,channel,value\n0.0,speed,50\n0.0,rpm,3000\n0.1,brake,on\n0.1,speed,51\n0.1,oil,90\n"
        "0.2,rpm,3020\n0.3,speed,53\n0.3,brake,off\n"
    )
    read = part(text, LONG)

    assert seconds(read) == pytest.approx([0, 0.1, 0.2, 0.3])
    assert speeds(read) == [50, 51, None, 53]
    assert read.samples["engine_speed"].to_list() == [3000, None, 3020, None]
    assert read.samples["front_brake"].to_list() == [None, True, None, False]
    assert read.samples["row"].to_list() == [2, 4, 7, 8]


def test_a_name_that_comes_again_under_one_stamp_begins_a_row_of_its_own() -> None:
    rows = [f"{s},{n},{v}" for s in range(3) for k in range(5) for n, v in
            (("speed", 50 + s + k / 10), ("rpm", 3000), ("brake", 0))]  # fmt: skip
    read = part(table(*rows, header="t,channel,value"), LONG)

    assert read.info.rows == 15
    assert seconds(read) == pytest.approx([i / 5 for i in range(15)])
    assert said(read, "share a stamp") == 15


def test_a_needed_name_that_never_comes_is_named_with_the_nearest() -> None:
    error = refusal("t,channel,value\n0.0,Speed,50\n0.1,rpm,3000\n0.2,brake,0\n", LONG)

    assert error.value == 'missing "speed"'
    assert 'nearest to "speed": "Speed"' in error.what_to_do


def test_a_slow_channel_between_fast_rows_stays_blank_where_it_says_nothing() -> None:
    how = layout(wheel_speed="v", coolant_temperature="tw")
    rows = [f"{i / 10:.1f},{50 + i % 7},{80 if i % 10 == 0 else ''}" for i in range(100)]
    read = part(table(*rows, header="t,v,tw"), how)

    assert read.samples["coolant_temperature"].null_count() == 90
    assert read.info.channels["coolant_temperature"].interval_s == 1.0
    assert read.info.channels["coolant_temperature"].present == 0.1


# ---------------------------------------------------------------- a layout that no longer fits


def test_a_units_row_that_says_another_unit_is_named() -> None:
    error = refusal(table("s,mph", "0.0,50", "0.1,51"), layout(wheel_speed="v"))

    assert '"v" is in another unit' in error.what
    assert error.value == '"mph" in the file, "km/h" in the layout'
    assert (
        part(
            table("s,mph", "0.0,50", "0.1,51"), layout(wheel_speed={"column": "v", "unit": "mph"})
        ).info.rows
        == 2
    )


@pytest.mark.parametrize("unit", ["", "?", "km/h", "KPH", "-"])
def test_a_units_row_that_says_the_same_or_nothing_known_is_fine(unit: str) -> None:
    assert part(table(f"s,{unit}", "0.0,50", "0.1,51"), layout(wheel_speed="v")).info.rows == 2


def test_a_unit_in_the_columns_name_is_heeded_where_the_layout_states_none() -> None:
    text = table("0.0,50", "0.1,51", header="t,Speed [mph]")
    stated = layout(wheel_speed={"column": "Speed [mph]", "unit": "mph"})

    assert '"mph" in the file' in refusal(text, layout(wheel_speed="Speed [mph]")).value
    assert speeds(part(text, stated))[0] == pytest.approx(80.467)


def ride(*, brake_on: str = "1", brake_off: str = "0", stuck: bool = False) -> str:
    """Ten stops from 80 km/h with 3 m/s2, a brake at each."""
    t = np.arange(0, 400, 0.1)
    phase = t % 40
    v = np.interp(phase, [0, 10, 30, 37.4, 40], [0, 80, 80, 0, 0])
    brake = (phase > 30) & (phase < 37.4) | stuck
    frame = pl.DataFrame({"t": np.round(t, 1), "v": np.round(v, 1), "fb": brake})
    words = pl.when("fb").then(pl.lit(brake_on)).otherwise(pl.lit(brake_off))
    return frame.with_columns(words.alias("fb")).write_csv()


BRAKE = layout(wheel_speed="v", front_brake="fb")


def test_a_brake_read_the_wrong_way_round_is_noticed_named_and_left_blank() -> None:
    read = part(ride(brake_on="0", brake_off="1"), BRAKE)

    assert read.info.channels["front_brake"].present == 0
    assert read.info.channels["wheel_speed"].present == 1
    assert said(read, "front_brake is on in") == read.info.rows
    assert said(read, "wrong way round") == read.info.rows
    turned = layout(wheel_speed="v", front_brake={"column": "fb", "inverted": True})
    assert part(ride(brake_on="0", brake_off="1"), turned).samples["front_brake"].mean() < 0.3


def test_a_brake_that_sticks_or_is_dead_is_no_matter_of_the_layout() -> None:
    assert part(ride(), BRAKE).samples["front_brake"].any()
    assert part(ride(stuck=True), BRAKE).samples["front_brake"].all()
    assert not part(ride(brake_on="0"), BRAKE).samples["front_brake"].any()


# ---------------------------------------------------------------- marks that could be either


@pytest.mark.parametrize(
    ("separator", "decimal", "mark"), [(",", ".", "."), (";", ",", ","), ("\t", ".", ".")]
)
def test_a_mark_that_may_be_thousands_or_decimals_is_never_guessed(
    separator: str, decimal: str, mark: str
) -> None:
    rpm = ["950", "980", f"1{mark}010", f"1{mark}055", f"1{mark}200", f"2{mark}300"]
    rows = [f"{i}{separator}{cell}" for i, cell in enumerate(rpm)]
    text = table(*rows, header=f"t{separator}rpm")
    error = refusal(text, layout(engine_speed="rpm", file_decimal=decimal))

    assert "thousands or decimals" in error.what
    other = "," if mark == "." else "."
    if separator != other:
        told = layout(engine_speed="rpm", file_decimal=other, file_thousands=mark)
        assert part(text, told).samples["engine_speed"][5] == 2300


def test_points_beside_decimal_commas_are_not_guessed_either() -> None:
    rows = ["0,0;50,5;950", "0,1;51,5;1.050", "0,2;52,5;1.100", "0,3;53,5;1.150"]
    text = table(*rows, header="t;v;rpm")

    error = refusal(text, layout(wheel_speed="v", engine_speed="rpm", file_decimal=","))
    told = layout(wheel_speed="v", engine_speed="rpm", file_decimal=",", file_thousands=".")

    assert '"." may mark thousands or decimals' in error.what
    assert part(text, told).samples["engine_speed"].to_list() == [950, 1050, 1100, 1150]


def test_plain_decimals_are_not_taken_for_thousands() -> None:
    volts = ["12.500", "13.125", "13.250", "14.000", "13.875"]
    text = table(*(f"{i},{v}" for i, v in enumerate(volts)), header="t,u")

    assert part(text, layout(supply_voltage="u")).samples["supply_voltage"][1] == 13.125
