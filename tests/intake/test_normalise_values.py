"""Cells become values of their channel, or blanks that are counted."""

import pytest
from logs import layout, part, refusal, said, table

from ridecheck.fleet import Layout


def of(cells: list[str], how: Layout, channel: str, *, column: str = "x", separator: str = ","):
    """A channel of a log whose column x holds these cells."""
    rows = [f"{i / 10:.1f}{separator}{cell}" for i, cell in enumerate(cells)]
    read = part(table(*rows, header=f"t{separator}{column}"), how)
    return read, read.samples[channel].to_list()


NUMBERS = [
    # unit, scale, offset, cell, channel, value
    ("km/h", 1, 0, "100", "wheel_speed", 100.0),
    ("kph", 1, 0, "100", "wheel_speed", 100.0),
    ("mph", 1, 0, "60", "wheel_speed", 96.56064),  # mile: 1609.344 m (1959 agreement)
    ("m/s", 1, 0, "10", "wheel_speed", 36.0),
    ("knots", 1, 0, "50", "gps_speed", 92.6),  # nautical mile: 1852 m (1929)
    ("km/h", 0.01, 0, "8050", "wheel_speed", 80.5),  # counts of 0.01 km/h
    ("rpm", 0.25, 0, "12000", "engine_speed", 3000.0),  # counts of a quarter rpm
    ("Hz", 1, 0, "50", "engine_speed", 3000.0),
    ("mV", 1, 0, "13800", "supply_voltage", 13.8),
    ("bar", 1, 0, "2.5", "front_brake_pressure", 250.0),
    ("degF", 1, 0, "212", "coolant_temperature", 100.0),
    ("K", 1, 0, "373.15", "coolant_temperature", 100.0),
    ("degC", 1, -40, "130", "coolant_temperature", 90.0),  # offset counts: raw - 40
    ("%", 100 / 255, 0, "51", "throttle", 20.0),
    ("ft", 1, 0, "1000", "altitude", 304.8),
    ("mi", 1, 0, "1000", "odometer", 1609.344),
    ("mph", 0.1, 0, "600", "wheel_speed", 96.56064),
]


@pytest.mark.parametrize(("unit", "scale", "offset", "cell", "channel", "value"), NUMBERS)
def test_a_value_is_raw_times_scale_plus_offset_in_the_unit(
    unit, scale, offset, cell, channel, value
) -> None:
    how = layout(**{channel: {"column": "x", "unit": unit, "scale": scale, "offset": offset}})

    _, values = of([cell, cell], how, channel)

    assert values == pytest.approx([value, value])


@pytest.mark.parametrize(
    "word", ["", "NaN", "nan", "NA", "N/A", "#N/A", "null", "NULL", "None", "-", "--", " - "]
)
def test_the_usual_words_for_no_value_are_blanks_and_not_told(word: str) -> None:
    read, values = of(["50", word, "51"], layout(wheel_speed="x"), "wheel_speed")

    assert values == [50, None, 51]
    assert not [n for n in read.info.notes if n.about == "values"]


def test_missing_codes_of_the_layout_are_compared_by_value_before_scaling() -> None:
    how = layout(wheel_speed={"column": "x", "scale": 0.1, "missing": ["9999", "****", "?"]})
    read, values = of(["500", "9999", "9999.0", "****", "?", "510"], how, "wheel_speed")

    assert values == pytest.approx([50, None, None, None, None, 51])
    assert not read.info.notes


def test_other_text_is_blanked_counted_and_quoted_with_its_line() -> None:
    cells = ["50"] * 200
    cells[120] = "5O"
    read, values = of(cells, layout(wheel_speed="x"), "wheel_speed")

    assert values[120] is None
    (note,) = read.info.notes
    assert (note.about, note.count) == ("values", 1)
    assert '"5O" at line 122' in note.message


def test_more_than_one_in_a_hundred_of_other_text_sets_the_log_aside() -> None:
    cells = ["50"] * 200
    cells[30] = cells[60] = cells[90] = "!"
    error = refusal(
        table(*(f"{i / 10:.1f},{c}" for i, c in enumerate(cells)), header="t,x"),
        layout(wheel_speed="x"),
    )

    assert '"x" holds text' in error.what
    assert "line 32" in error.where
    assert error.value == '"!"; 3 of 200 cells'


def test_thousands_marks_are_taken_out_only_where_the_layout_names_them() -> None:
    apostrophes = layout(engine_speed="x", file_thousands="'")
    quoted = layout(engine_speed="x", file_thousands=",")

    assert of(["3'000", "850", "12'500"], apostrophes, "engine_speed")[1] == [3000, 850, 12500]
    assert of(['"3,000"', "850"], quoted, "engine_speed")[1] == [3000, 850]
    assert (
        '"3,000"'
        in refusal(table('0.0,"3,000"', "0.1,850", header="t,x"), layout(engine_speed="x")).value
    )


@pytest.mark.parametrize("space", ["\u202f", "\u00a0", " "])
def test_a_space_may_be_the_thousands_mark(space: str) -> None:
    how = layout(engine_speed="x", file_thousands=space)

    assert of([f"3{space}000", "850"], how, "engine_speed")[1] == [3000, 850]


SWITCHES = [
    # cells, keys of the layout, values
    (["1", "0", "1"], {}, [True, False, True]),
    (["1.0", "0.0", "1"], {}, [True, False, True]),
    (["true", "False", "TRUE"], {}, [True, False, True]),
    (["On", "OFF", " on "], {}, [True, False, True]),
    (["yes", "No", "y"], {}, [True, False, True]),
    (["Y", "N", "n"], {}, [True, False, False]),
    (["open", "closed", "OPEN"], {}, [True, False, True]),
    (["active", "inactive", "Active"], {}, [True, False, True]),
    (["x", "", "X"], {}, [True, False, True]),
    (["1", "", "0"], {}, [True, None, False]),
    (["-", "NA", "1"], {}, [None, None, True]),
    (["0", "1", "0"], {"inverted": True}, [True, False, True]),
    (["0", "", "1"], {"inverted": True}, [True, None, False]),
    (["255", "0", "255"], {"on": ["255"], "off": ["0"]}, [True, False, True]),
    (["100", "0.0", "100.0"], {"on": [100], "off": [0]}, [True, False, True]),
    (["gezogen", "frei", "GEZOGEN"], {"on": ["Gezogen"], "off": ["Frei"]}, [True, False, True]),
    (["released", "pressed"], {"on": ["pressed"], "off": ["released"]}, [False, True]),
    (["1", "0"], {"on": ["0"], "off": ["1"]}, [False, True]),
    (["12.3", "0.0", "11.9"], {"on_above": 6.0}, [True, False, True]),
    (["0.02", "4.98", ""], {"on_above": 2.5}, [False, True, None]),
    (["0.02", "4.98"], {"on_above": 2.5, "inverted": True}, [True, False]),
    (["x", "", "x"], {"on": ["x"], "off": [""]}, [True, False, True]),
]


@pytest.mark.parametrize(("cells", "keys", "values"), SWITCHES)
def test_a_switch_is_told_by_its_words_or_its_voltage(cells, keys, values) -> None:
    how = layout(front_brake={"column": "x", **keys}, wheel_speed="v")
    rows = [f"{i / 10:.1f},{cell},50" for i, cell in enumerate(cells)]

    assert part(table(*rows, header="t,x,v"), how).samples["front_brake"].to_list() == values


def test_a_word_that_means_neither_is_unknown_counted_and_told() -> None:
    read, values = of(["1", "maybe", "0", "2"], layout(front_brake="x"), "front_brake")

    assert values == [True, None, False, None]
    assert said(read, "neither on nor off") == 2


def test_a_switch_with_volts_but_no_level_is_unknown_not_guessed() -> None:
    read, values = of(["12.1", "0.1", "12.3"], layout(front_brake="x"), "front_brake")

    assert values == [None, None, None]
    assert said(read, "neither on nor off") == 3
    assert read.info.channels["front_brake"].present == 0


def test_latched_is_kept_for_those_who_judge() -> None:
    how = layout(front_brake={"column": "x", "latched": True})

    assert of(["1", "0"], how, "front_brake")[0].info.channels["front_brake"].latched


GEARS = [
    (["0", "1", "6"], {}, [0, 1, 6]),
    (["N", "1", "n"], {}, [0, 1, 0]),
    (["3.0", "4.0", ""], {}, [3, 4, None]),
    (["-", "2", "NaN"], {}, [None, 2, None]),
    (["1st", "2nd", "5th"], {}, [1, 2, 5]),
    (["255", "15", "3"], {}, [None, None, 3]),
    (["2.5", "2", "-1"], {}, [None, 2, None]),
    (["first", "idle"], {"words": {"first": 1, "idle": 0}}, [1, 0]),
    (["1", "7", "2"], {"missing": ["7"]}, [1, None, 2]),
]


@pytest.mark.parametrize(("cells", "keys", "values"), GEARS)
def test_a_gear_is_a_whole_number_or_unknown(cells, keys, values) -> None:
    how = layout(gear={"column": "x", **keys}, wheel_speed="v")
    rows = [f"{i / 10:.1f},{cell},50" for i, cell in enumerate(cells)]

    assert part(table(*rows, header="t,x,v"), how).samples["gear"].to_list() == values


def test_only_mapped_columns_are_kept() -> None:
    how = layout(wheel_speed="v")
    read = part("t,v,lat,lon\n0.0,50,48.1,11.5\n0.1,51,48.2,11.6\n", how)

    assert read.samples.columns == ["time", "row", "file_time", "wheel_speed"]
    assert "48.1" not in str(read.info)


def test_a_status_word_is_unknown_not_guessed() -> None:
    read, values = of(["3", "5", "1", "0"], layout(front_brake="x"), "front_brake")

    assert values == [None, None, True, False]
    assert said(read, "neither on nor off") == 2


def test_one_button_of_an_enumeration_is_told_by_its_words() -> None:
    how = layout(switch_set={"column": "x", "on": ["1"], "off": ["0", "2", "3"]})

    assert of(["0", "1", "2", "3"], how, "switch_set")[1] == [False, True, False, False]


def test_pulses_a_second_are_brought_to_speed_by_their_scale() -> None:
    # 1.95 m a turn, 4 pulses a turn: 1 Hz is 0.4875 m/s, 1.755 km/h (arithmetic).
    how = layout(wheel_speed={"column": "x", "scale": 1.755})

    assert of(["0", "40"], how, "wheel_speed")[1] == pytest.approx([0, 70.2])
