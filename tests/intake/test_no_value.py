"""Numbers that mean "no value".

FE and FF of a byte, FE00 to FFFF of two bytes, 10 and 11 of a two-bit switch: SAE J1939-71,
as public descriptions have it. The resolutions 1/256 km/h, 0.125 rpm and 0.4 % are those of
its wheel-based speed, engine speed and pedal position; 16383.75 rpm is the highest code of
0C in SAE J1979.
"""

import pytest
from logs import layout, part, said, table


def of(channel: str, cells: list[object], **keys: object) -> list[object]:
    """What a channel holds for these cells, a tenth of a second apart."""
    rows = [f"{i / 10:.1f},{cell}" for i, cell in enumerate(cells)]
    return (
        part(table(*rows, header="t,x"), layout(**{channel: {"column": "x", **keys}}))
        .samples[channel]
        .to_list()
    )


@pytest.mark.parametrize(
    ("channel", "cells", "values"),
    [
        ("cruise_set_speed", [90, 91, 255, 254], [90, 91, None, None]),
        ("wheel_speed", [120, 121, 255, 122], [120, 121, None, 122]),
        ("wheel_speed", [120.00390625, 121, 255.99609375, 254], [120.00390625, 121, None, None]),
        ("wheel_speed", [249, 252, 255, 254], [249, 252, 255, 254]),
        ("wheel_speed", [120, 65535, 65520, 121], [120, None, None, 121]),
        ("engine_speed", [3000, 3000.125, 8191.875, 8128], [3000, 3000.125, None, None]),
        ("engine_speed", [7900, 8100, 8150, 8191], [7900, 8100, 8150, 8191]),
        ("engine_speed", [3000, 255, 254, 3010], [3000, 255, 254, 3010]),
        ("throttle", [0.4, 100, 102.0, 101.6], [0.4, 100, None, None]),
        ("throttle", [40, 100, 101, 103], [40, 100, 101, 103]),
        ("odometer", [1200, 1201, 65535, 1201], [1200, 1201, None, 1201]),
        ("odometer", [65533, 65534, 65535, 65536], [65533, 65534, 65535, 65536]),
        ("supply_voltage", [12.1, 65535, 12.2, 12], [12.1, None, 12.2, 12]),
    ],
)  # fmt: skip
def test_top_codes_are_blank_where_nothing_lies_between(channel, cells, values) -> None:
    assert of(channel, cells) == values


def test_they_are_counted_and_named_and_are_not_out_of_range() -> None:
    rows = [f"{i / 10:.1f},{65535 if i in (3, 5) else 90}" for i in range(20)]
    read = part(table(*rows, header="t,x"), layout(wheel_speed="x"))

    assert said(read, "numbers that mean no value blanked, first 65535") == 2
    assert read.info.out_of_range == {}


def test_a_raw_count_is_known_by_its_own_number() -> None:
    # 0C of SAE J1979: a quarter of a revolution a count; FFFF is 16383.75 rpm.
    values = of("engine_speed", [12000, 12001, 65535, 12004], scale=0.25)

    assert values == [3000, 3000.25, None, 3001]


@pytest.mark.parametrize("code", [3, 254, 255])
def test_not_available_of_a_switch_is_blank(code: int) -> None:
    assert of("front_brake", [0, 1, code, 0]) == [False, True, None, False]
    assert of("front_brake", [0, 1, code, 0], on=["1"], off=["0"]) == [False, True, None, False]


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        ([0.1, 12.1, 255, 0.2], [False, True, None, False]),
        ([0.1, 12.1, 65535, 0.2], [False, True, None, False]),
        ([0, 255, 255, 0], [False, True, True, False]),
        ([3, 250, 255, 2], [False, True, True, False]),
    ],
    ids=["beside 12 V", "two bytes", "full scale is on", "near full scale"],
)
def test_a_code_is_no_voltage_of_a_switch(cells, values) -> None:
    assert of("front_brake", cells, on_above=6.0) == values
