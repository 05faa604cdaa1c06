"""The DuckDB index as an analyst meets it: tables, views, samples, rights."""

import os

import duckdb
import pytest
from folders import HELD_ON, Folder, day

from ridecheck.core.resources import shipped
from ridecheck.store.index import NAME, Known, migrations, read_known

VIEWS = [
    "cancels_by_bike",
    "findings_by_week",
    "fleet_status",
    "not_assessed",
    "short_pulses_per_100_km",
]


def ask(root, question: str) -> list[tuple]:
    with duckdb.connect(str(root / NAME), read_only=True) as con:
        return con.execute(question).fetchall()


@pytest.fixture(scope="module")
def screened(tmp_path_factory):
    """A fleet of three bikes: one with a danger, one clean, one without a log."""
    folder = Folder(tmp_path_factory.mktemp("it's a") / "fleet", ("T01", "T02", "T03"))
    folder.ride(day(0), "T01", **HELD_ON)
    folder.ride(day(0), "T02")
    folder.ride(day(1), "T02")
    folder.screen()
    return folder


def test_every_shipped_view_is_there_and_answers(screened):
    there = ask(screened.root, "SELECT view_name FROM duckdb_views() WHERE NOT internal")

    assert sorted(v for (v,) in there) == sorted([*VIEWS, "samples"])
    assert len(list(shipped("pipelines", "views").glob("*.sql"))) == len(VIEWS)
    for view in VIEWS:
        assert isinstance(ask(screened.root, f"SELECT * FROM {view}"), list)


def test_fleet_status_has_each_bike_once_the_most_urgent_first(screened):
    columns = "bike, verdict, rides, open_dangers > 0"

    assert ask(screened.root, f"SELECT {columns} FROM fleet_status") == [
        ("T01", "keep_in", 1, True),
        ("T03", "no_opinion", 0, False),
        ("T02", "release", 2, False),
    ]


def test_cancels_by_bike_count_those_of_the_rides(screened):
    ((cancels,),) = ask(screened.root, "SELECT sum(cancels) FROM cancels_by_bike WHERE bike='T02'")
    ((engagements,),) = ask(screened.root, "SELECT sum(engagements) FROM rides WHERE bike='T02'")

    assert cancels == engagements == 4


def test_findings_by_week_add_up_to_the_findings(screened):
    weeks = ask(screened.root, "SELECT week, sum(findings) FROM findings_by_week GROUP BY week")
    ((count,),) = ask(screened.root, "SELECT count(*) FROM findings")

    assert [(str(week), found) for week, found in weeks] == [("2026-05-04", count)]


def test_not_assessed_tells_the_reason_given_most(screened):
    rows = ask(screened.root, "SELECT rides_not_assessed, rides, reason FROM not_assessed")

    assert rows
    assert all(0 < blind <= rides and reason for blind, rides, reason in rows)


def test_samples_are_those_of_the_parts_on_the_disk(screened):
    counted = ask(screened.root, "SELECT stem, count(*) FROM samples GROUP BY stem ORDER BY stem")

    assert counted == ask(screened.root, 'SELECT stem, "rows" FROM parts ORDER BY stem')


def test_samples_are_an_empty_table_where_there_are_none(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.screen()

    assert ask(folder.root, "SELECT * FROM samples") == []


def test_a_damaged_or_older_index_is_made_anew(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    folder.screen()
    path = folder.root / NAME
    whole = read_known(folder.root)
    path.write_bytes(path.read_bytes()[:3000])
    assert read_known(folder.root) == Known.nothing()
    outcome = folder.screen()

    assert (outcome.judged, outcome.rides_judged) == (0, 0)
    assert read_known(folder.root).logs == whole.logs
    with duckdb.connect(str(path)) as con:
        con.execute("DELETE FROM migrations")
    assert read_known(folder.root) == Known.nothing()
    folder.screen()
    assert read_known(folder.root).whole


def test_migrations_are_numbered_without_a_gap():
    numbers = [int(name[:4]) for name, _ in migrations()]

    assert numbers == list(range(1, len(numbers) + 1))


def test_files_get_the_users_umask(tmp_path):
    mask = os.umask(0o027)
    try:
        folder = Folder(tmp_path / "fleet")
        folder.ride(day(0))
        folder.write("inbox/T01_bad.csv", "x")
        folder.screen()
    finally:
        os.umask(mask)
    made = [p for p in folder.root.rglob("*") if p.is_file() and "inbox" not in p.parts]

    assert {oct(p.stat().st_mode & 0o777) for p in made} == {"0o640"}
