"""What a layout says of a file, ready for a reader."""

from pathlib import Path

import pytest
from fleet.folders import FULL, MINIMAL, write

from ridecheck.fleet import (
    GearColumn,
    Layout,
    NumberColumn,
    SwitchColumn,
    read_layout,
    same_cell,
)
from ridecheck.fleet.time_format import TIME_WORDS

BENCH = MINIMAL["layouts/bench.toml"]


def _layout(tmp_path: Path, text: str, name: str = "bench") -> Layout:
    return read_layout(write(tmp_path, {f"{name}.toml": text}) / f"{name}.toml")


def test_the_smallest_layout_has_the_documented_defaults(tmp_path: Path) -> None:
    layout = _layout(tmp_path, BENCH)

    assert layout.name == "bench"
    assert layout.file.model_dump() == {
        "kind": "csv",
        "separator": "auto",
        "decimal": ".",
        "thousands": "",
        "shape": "wide",
        "name_column": "",
        "value_column": "",
        "encoding": "utf-8",
        "skip_lines": 0,
        "units_row": False,
        "time_zone": "UTC",
        "start_pattern": "",
        "bike_from": None,
        "bike_pattern": "",
        "bike_column": "",
        "bike": "",
    }
    assert layout.time.columns == ("t",)
    assert layout.time.format is None
    assert layout.channels == {}


def test_a_number_column_goes_straight_to_the_channels_unit(tmp_path: Path) -> None:
    # 1000 raw counts x 0.1 - 2 = 98 mph = 157.715712 km/h
    column = _layout(tmp_path, FULL["layouts/bench.toml"]).channels["wheel_speed"]
    assert isinstance(column, NumberColumn)
    scale, offset = column.to_channel

    assert 1000 * scale + offset == pytest.approx(98 * 1.609344)
    assert column.stored_unit == "km/h"
    assert column.unit_stated is True


@pytest.mark.parametrize(
    ("channel", "keys", "raw", "value"),
    [
        ("supply_voltage", 'unit = "mV"', 12600, 12.6),
        ("coolant_temperature", 'unit = "degF"', 212, 100),
        ("coolant_temperature", 'unit = "K"\nscale = 0.1', 2731.5, 0),
        ("engine_speed", 'unit = "Hz"', 50, 3000),
        ("engine_speed", "scale = 0.25", 4000, 1000),
        ("front_brake_pressure", 'unit = "psi"', 100, 689.4757),
        ("acceleration", 'unit = "g"', 1, 9.80665),
        ("odometer", 'unit = "mi"', 100, 160.9344),
        ("altitude", 'unit = "ft"', 1000, 304.8),
        ("lean_angle", "offset = -90", 90, 0),
    ],
)
def test_units_scale_and_offset_work_together(
    tmp_path: Path, channel: str, keys: str, raw: float, value: float
) -> None:
    layout = _layout(tmp_path, f'{BENCH}[columns.{channel}]\ncolumn = "c"\n{keys}\n')
    column = layout.channels[channel]
    assert isinstance(column, NumberColumn)
    scale, offset = column.to_channel

    assert raw * scale + offset == pytest.approx(value, abs=1e-4)


def test_a_channel_without_a_unit_is_in_its_own(tmp_path: Path) -> None:
    column = _layout(tmp_path, f'{BENCH}[columns.altitude]\ncolumn = "c"\n').channels["altitude"]
    assert isinstance(column, NumberColumn)

    assert (column.unit, column.unit_stated, column.to_channel) == ("m", False, (1.0, 0.0))


def test_switches_and_gears_arrive_as_written(tmp_path: Path) -> None:
    channels = _layout(tmp_path, FULL["layouts/bench.toml"]).channels
    front, rear, gear = channels["front_brake"], channels["rear_brake"], channels["gear"]
    assert isinstance(front, SwitchColumn)
    assert isinstance(rear, SwitchColumn)
    assert isinstance(gear, GearColumn)

    assert (front.on, front.off) == (("1", "ON"), ("0", "OFF"))
    assert (front.inverted, front.latched, front.on_above) == (True, True, None)
    assert (rear.on, rear.off, rear.on_above) == ((), (), 6)
    assert gear.words == {"1st": 1, "2nd": 2}


def test_words_may_be_written_as_numbers_or_truth_values(tmp_path: Path) -> None:
    keys = 'column = "c"\non = [1, true]\noff = 0\nmissing = [-9999999, 0.125]\n'
    text = f"{BENCH}[columns.clutch]\n{keys}"
    column = _layout(tmp_path, text).channels["clutch"]
    assert isinstance(column, SwitchColumn)

    assert (column.on, column.off, column.missing) == (("1", "true"), ("0",), ("-9999999", "0.125"))


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("ON", " on ", True),
        ("1", "1.0", True),
        ("1e3", "1000", True),
        ("0", "-0.0", True),
        ("on", "off", False),
        ("nan", "NaN", True),
        ("1", "one", False),
    ],
)
def test_words_compare_without_case_and_numbers_by_value(one: str, other: str, same: bool) -> None:
    assert (same_cell(one) == same_cell(other)) is same


@pytest.mark.parametrize(
    "time_format",
    [
        *TIME_WORDS,
        "%Y-%m-%d %H:%M:%S",
        "%Y-%m-%dT%H:%M:%S%.f",
        "%d.%m.%Y %H:%M:%S%.3f",
        "%m/%d/%y %I:%M:%S %p",
        "%H:%M:%S",
        "%H:%M:%S%.f",
        "%Y-%m-%dT%H:%M:%S%z",
        "%Y%m%d%H%M%S",
        "%T",
        "%d %b %Y %H:%M",
    ],
)
def test_time_formats_that_are_known(tmp_path: Path, time_format: str) -> None:
    layout = _layout(tmp_path, f'{BENCH}format = "{time_format}"\n')

    assert layout.time.format == time_format


@pytest.mark.parametrize(
    "keys",
    [
        'bike_from = "column"\nbike_column = "unit"',
        'bike_from = "folder"\nbike_pattern = "(?P<bike>T.*)"',
        'bike_from = "fixed"\nbike = "T07"',
        'shape = "long"\nname_column = "n"\nvalue_column = "v"',
        'separator = "\\t"',
        'separator = "spaces"',
        'separator = ";"\ndecimal = ","\nthousands = "."',
        'thousands = "\u00a0"',
        'encoding = "utf-16"',
        'start_pattern = "[[](?P<date>.)(?P<time>.)"',
    ],
)
def test_ways_of_writing_a_file_that_go_together(tmp_path: Path, keys: str) -> None:
    layout = _layout(tmp_path, BENCH.replace('"csv"', f'"csv"\n{keys}'))

    assert layout.file.kind == "csv"


def test_a_long_table_may_name_a_channel_as_its_time_column(tmp_path: Path) -> None:
    long = BENCH.replace('"csv"', '"csv"\nshape = "long"\nname_column = "n"\nvalue_column = "v"')
    layout = _layout(tmp_path, f'{long}[columns.throttle]\ncolumn = "t"\n')

    assert layout.channels["throttle"].column == "t"


def test_the_fingerprint_is_what_is_said_and_not_how(tmp_path: Path) -> None:
    plain = _layout(tmp_path, BENCH)
    spelt_out = _layout(
        tmp_path,
        '# c\ncolumns = { time = { column = ["t"] } }\n[file]\nkind = "csv" # c\n',
        "other",
    )
    changed = _layout(tmp_path, BENCH.replace('"t"', '"T"'))

    assert plain.fingerprint() == spelt_out.fingerprint()
    assert plain.fingerprint() != changed.fingerprint()


@pytest.mark.parametrize(
    ("old", "new"),
    [("mph", "km/h"), ("0.1\n", "0.2\n"), ('"9999"', '"999"'), ("0.05", "0.06"), ("= 6", "= 7")],
)
def test_any_change_of_reading_changes_the_fingerprint(tmp_path: Path, old: str, new: str) -> None:
    text = FULL["layouts/bench.toml"]
    assert old in text

    before = _layout(tmp_path, text).fingerprint()
    after = _layout(tmp_path, text.replace(old, new)).fingerprint()

    assert before != after
