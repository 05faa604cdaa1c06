"""Values that cannot be are blanked, counted and told; the shape of a part is fixed."""

import subprocess
import sys
from dataclasses import replace

import polars as pl
import pytest
from logs import layout, part, said, table

from ridecheck.core.catalog import channels
from ridecheck.core.errors import LogError
from ridecheck.core.model import Part
from ridecheck.intake.validate import count_out_of_range, failure_cases, validated

HOW = layout(wheel_speed="v", engine_speed="rpm", front_brake="fb")


def log(**cells: list[object]) -> str:
    rows = zip(*cells.values(), strict=True)
    return table(*(",".join(map(str, r)) for r in rows), header=",".join(cells))


def test_a_value_that_cannot_be_is_blanked_counted_and_quoted_with_its_line() -> None:
    speeds = [50.0] * 100
    speeds[40], speeds[70] = 6553.5, -3
    read = part(log(t=list(range(100)), v=speeds, rpm=[3000] * 100, fb=[0] * 100), HOW)

    assert read.samples["wheel_speed"][40] is None
    assert read.samples["wheel_speed"][70] is None
    assert read.samples["wheel_speed"].null_count() == 2
    assert read.info.out_of_range == {"wheel_speed": 2}
    assert read.info.channels["wheel_speed"].present == 0.98
    (note,) = read.info.notes
    assert (note.about, note.count) == ("values", 2)
    assert "first 6553.5 at line 42" in note.message


def test_nothing_else_of_the_row_is_touched() -> None:
    read = part(log(t=[0, 1, 2], v=[50, 9999, 52], rpm=[3000, 3001, 99999], fb=[0, 1, 0]), HOW)

    assert read.samples["engine_speed"].to_list() == [3000, 3001, None]
    assert read.samples["front_brake"].to_list() == [False, True, False]
    assert read.info.out_of_range == {"wheel_speed": 1, "engine_speed": 1}


def test_infinity_is_out_of_range_and_blanks_are_not() -> None:
    read = part(log(t=[0, 1, 2], v=["inf", "", 52], rpm=[1, 2, 3], fb=[0, 1, 0]), HOW)

    assert read.samples["wheel_speed"].to_list() == [None, None, 52]
    assert read.info.out_of_range == {"wheel_speed": 1}


def test_a_clean_part_comes_back_as_it_is() -> None:
    read = part(log(t=[0, 1], v=[50, 51], rpm=[1, 2], fb=[0, 1]), HOW)

    assert validated(read) is read
    assert read.info.out_of_range == {}
    assert not said(read, "cannot be")


@pytest.mark.parametrize("name", [n for n, c in channels().items() if c.minimum is not None])
def test_the_count_and_the_schema_agree_at_the_ends_of_every_range(name: str) -> None:
    channel = channels()[name]
    low, high = float(channel.minimum or 0), float(channel.maximum or 0)
    kind = pl.Int16 if channel.kind == "integer" else pl.Float64
    cells = pl.Series(name, [low, high, low - 1, high + 1, None]).cast(kind)
    samples = pl.DataFrame([cells, pl.Series("row", range(2, 7), dtype=pl.UInt32)])

    assert count_out_of_range(samples) == {name: 2}
    (case,) = failure_cases(samples)
    assert (case.channel, case.count, case.row, case.value) == (name, 2, 4, low - 1)


def bent(read: Part, change) -> Part:
    return replace(read, samples=change(read.samples))


@pytest.mark.parametrize(
    "change",
    [
        lambda s: s.with_columns(pl.col("wheel_speed").cast(pl.Float32)),
        lambda s: s.with_columns(pl.col("front_brake").cast(pl.Int8)),
        lambda s: s.with_columns(pl.col("time").dt.replace_time_zone(None)),
        lambda s: s.with_columns(latitude=pl.lit(48.1)),
        lambda s: s.drop("row"),
        lambda s: s.with_columns(row=pl.lit(None, dtype=pl.UInt32)),
    ],
    ids=["float32", "int8 switch", "no zone", "unmapped column", "no row", "blank row"],
)
def test_another_shape_is_never_let_through(change) -> None:
    read = part(log(t=[0, 1], v=[50, 51], rpm=[1, 2], fb=[0, 1]), HOW)

    with pytest.raises(LogError, match="shape"):
        validated(bent(read, change))


def test_pandera_is_not_imported_until_a_part_is_validated() -> None:
    code = "import sys, ridecheck.intake.read; print('pandera' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert ran.stdout.strip() == "False"
