"""A large CSV is read in batches into the same parts as at once, and never held whole."""

import functools

import polars as pl
import pytest
from logs import fleet, layout, member, refusal, table

from ridecheck.intake import read as reading
from ridecheck.intake.normalise import parts as parting
from ridecheck.intake.read import Reading, take_in
from ridecheck.intake.readers import csv_log

HOW = layout(wheel_speed="v", gear="g", engine_speed="rpm")


def log(rows: int = 3000, *, start: str = "# start 2026-05-03T16:10:00Z\n") -> str:
    cells = [
        f"{i * 0.5:.1f},{60 if i % 700 < 600 else 0},{'N' if i > 2000 else i % 6},{3000 + i % 90}"
        for i in range(rows)
    ]
    return start + table(*cells, header="t,v,g,rpm")


@pytest.fixture
def small_batches(monkeypatch) -> None:
    monkeypatch.setattr(reading, "LARGE_BYTES", 0)
    monkeypatch.setattr(reading, "MOST_ROWS", 1000)
    monkeypatch.setattr(parting, "MOST_ROWS", 1000)
    monkeypatch.setattr(
        reading, "csv_batches", functools.partial(csv_log.csv_batches, block_bytes=3000)
    )


def both(text: str | bytes, how=HOW, *, name: str = "T07_x.csv", monkeypatch):
    """Parts read at once and in batches."""
    known = fleet({"bench": how}, T07=None, T08=None)
    in_batches = take_in(member(text, name), known)
    monkeypatch.setattr(reading, "LARGE_BYTES", 1 << 40)
    return take_in(member(text, name), known), in_batches


def rows_of(parts) -> pl.DataFrame:
    return pl.concat([p.samples for p in parts])


@pytest.mark.usefixtures("small_batches")
def test_batches_give_the_same_rows_and_cuts_as_reading_at_once(monkeypatch) -> None:
    once, batched = both(log(), monkeypatch=monkeypatch)

    assert len(batched) > 2
    assert rows_of(once).equals(rows_of(batched))
    assert [p.info.cut_before for p in once] == [p.info.cut_before for p in batched]
    assert [p.info.rows for p in once] == [p.info.rows for p in batched]
    assert [p.info.stem for p in once] == [p.info.stem for p in batched]
    assert {p.info.start_from for p in batched} == {"preamble"}


@pytest.mark.usefixtures("small_batches")
@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-8-sig"])
def test_batches_of_any_encoding(encoding: str, monkeypatch) -> None:
    mark = {"utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff"}.get(encoding, b"")
    once, batched = both(mark + log().encode(encoding), monkeypatch=monkeypatch)

    assert rows_of(once).equals(rows_of(batched))


@pytest.mark.usefixtures("small_batches")
def test_an_overflow_and_a_restart_are_carried_from_batch_to_batch(monkeypatch) -> None:
    how = layout(time={"column": "t", "format": "milliseconds"}, wheel_speed="v")
    ms = [(i * 100) % 2**16 for i in range(2400)] + [i * 100 for i in range(400)]
    once, batched = both(
        table(*(f"{t},{50 + i % 5}" for i, t in enumerate(ms))),
        how,
        name="T07_20260503.csv",
        monkeypatch=monkeypatch,
    )

    assert rows_of(once)["time"].to_list() == rows_of(batched)["time"].to_list()
    assert {p.info.dating for p in batched} == {"date"}


@pytest.mark.usefixtures("small_batches")
def test_midnight_is_passed_in_any_batch(monkeypatch) -> None:
    how = layout(time={"column": "t", "format": "%H:%M:%S"}, wheel_speed="v")
    clock = [(23 * 3600 + i) % 86400 for i in range(5000)]
    rows = [f"{c // 3600:02d}:{c // 60 % 60:02d}:{c % 60:02d},{50 + c % 5}" for c in clock]
    once, batched = both(table(*rows), how, name="T07_2026-05-03.csv", monkeypatch=monkeypatch)

    assert rows_of(once).equals(rows_of(batched))
    assert (batched[-1].info.end - batched[0].info.start).total_seconds() == 4999


@pytest.mark.usefixtures("small_batches")
def test_bikes_of_a_column_are_kept_apart_in_batches(monkeypatch) -> None:
    how = layout(wheel_speed="v", file_bike_from="column", file_bike_column="bike")
    rows = [f"{i * 0.5:.1f},{50 + i % 9},{'T07' if i // 50 % 2 else 'T08'}" for i in range(4000)]
    once, batched = both(table(*rows, header="t,v,bike"), how, monkeypatch=monkeypatch)

    for bike in ("T07", "T08"):
        of_once = rows_of([p for p in once if p.info.bike == bike])
        assert of_once.equals(rows_of([p for p in batched if p.info.bike == bike]))
    assert len({p.info.stem for p in batched}) == len(batched)


@pytest.mark.usefixtures("small_batches")
def test_what_is_left_out_is_counted_over_all_batches(monkeypatch) -> None:
    text = log().replace("\n100.0,", "\n\n# lap\n100.0,").replace("\n1200.5,", "\n1,2\n1200.5,")
    once, batched = both(text, monkeypatch=monkeypatch)

    def left_out(parts) -> int:
        return sum(n.count for n in {n for p in parts for n in p.info.notes if n.about == "rows"})

    assert left_out(once) == left_out(batched) == 3
    assert rows_of(once)["row"].to_list() == rows_of(batched)["row"].to_list()


@pytest.mark.usefixtures("small_batches")
def test_only_about_one_part_is_held_at_a_time(monkeypatch) -> None:
    held: list[int] = []
    settle = reading._Account.rows.fget  # type: ignore[attr-defined]

    def counted(account) -> int:
        held.append(settle(account))
        return held[-1]

    monkeypatch.setattr(reading._Account, "rows", property(counted))
    rows = sum(p.info.rows for p in Reading(member(log(20_000)), fleet({"bench": HOW})).parts())

    assert rows == 20_000
    assert max(held) < 2500


@pytest.mark.usefixtures("small_batches")
def test_a_file_without_line_ends_is_refused_not_gathered(monkeypatch) -> None:
    monkeypatch.setattr(csv_log, "LONGEST_LINE_BYTES", 2000)
    error = refusal("t,v,g,rpm\n0.0,50,1,3000\n" + "1" * 40_000, HOW)

    assert "longer than any logger writes" in error.what
    assert "line 3" in error.where
