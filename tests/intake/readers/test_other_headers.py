"""A header or units row met again that differs: no row is read under the wrong name."""

import functools

import pytest
from folders import HELD_ON, Folder, day, log_text, rows_of, verdicts
from logs import fleet, layout, member, said, speeds, table

from ridecheck.intake import read as reading
from ridecheck.intake.read import Reading
from ridecheck.intake.readers import csv_log

HOW = layout(wheel_speed="v", engine_speed="n")
FIRST = [f"{i / 10:.1f},{50 + i % 5},{3000 + i % 7}" for i in range(100)]
THEN = [f"{i / 10:.1f},{3000 + i % 7},{50 + i % 5}" for i in range(100, 200)]


def read(text: str, how=HOW):
    log = Reading(member(text), fleet({"bench": how}))
    parts = list(log.parts())
    return parts, log.problem


@pytest.mark.parametrize(
    ("header", "more"),
    [("t,n,v", ""), ("t,w,n", ""), ("t,v,n,w", ",1")],
    ids=["in another order", "a column renamed", "one more"],
)
def test_rows_under_another_header_are_left_out_and_the_log_is_set_aside(header, more) -> None:
    later = [row + more for row in THEN]
    (part,), problem = read(table(*FIRST, header, *later, header="t,v,n"))

    assert part.info.rows == 100
    assert speeds(part)[-1] == 54.0
    assert problem is not None
    assert problem.where == "T07_ride.csv, line 102: another header"
    assert problem.value == "101 of 201 rows"


def test_where_the_first_header_comes_again_its_rows_are_read() -> None:
    last = [f"{i / 10:.1f},{60},{3000}" for i in range(200, 300)]
    parts, problem = read(table(*FIRST, "t,n,v", *THEN, "t,v,n", *last, header="t,v,n"))

    assert sum(p.info.rows for p in parts) == 200
    assert speeds(parts[-1])[-1] == 60.0
    assert problem is not None


def test_a_units_row_that_differs_is_another_header() -> None:
    miles = table("s,km/h,rpm", *FIRST, "t,v,n", "s,mph,rpm", *THEN, header="t,v,n")
    same = table("s,km/h,rpm", *FIRST, "t,v,n", "s,km/h,rpm", *FIRST, header="t,v,n")
    (part,), problem = read(miles)

    assert (part.info.rows, problem is None) == (100, False)
    assert read(same)[1] is None


def test_the_same_header_otherwise_quoted_is_the_same() -> None:
    later = [f"{i / 10:.1f},{50},{3000}" for i in range(100, 200)]
    (part,), problem = read(table(*FIRST, '"t", "v", "n"', *later, header="t,v,n"))

    assert (part.info.rows, problem) == (200, None)
    assert said(part, "header line met again") == 1


def test_a_log_read_in_batches_remembers_the_other_header(monkeypatch) -> None:
    monkeypatch.setattr(reading, "LARGE_BYTES", 100)
    small = functools.partial(csv_log.csv_batches, block_bytes=500)
    monkeypatch.setattr(reading, "csv_batches", small)
    (part,), problem = read(table(*FIRST, "t,n,v", *THEN, header="t,v,n"))

    assert part.info.rows == 100
    assert problem is not None


def test_through_screen_a_danger_under_another_header_leaves_no_opinion(tmp_path) -> None:
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    header, *rows = log_text(rows_of(**HELD_ON), day(1)).splitlines()
    names = header.split(",")
    at, other = names.index("front_brake"), names.index("clutch")
    names[at], names[other] = names[other], names[at]
    lines = [header, *rows[:600], ",".join(names)]
    for row in rows[600:]:
        cells = row.split(",")
        cells[at], cells[other] = cells[other], cells[at]
        lines.append(",".join(cells))
    folder.write("inbox/T01_second.csv", "\n".join(lines) + "\n")
    outcome = folder.screen()

    assert verdicts(outcome) == {"T01": "no_opinion"}
    assert outcome.report.set_aside[0].where == "T01_second.csv, line 602: another header"


def test_rows_of_the_first_headers_width_do_not_stand_under_a_shorter_one() -> None:
    (part,), _ = read(table(*FIRST, "t,v", *THEN, header="t,v,n"))

    assert part.info.rows == 200
