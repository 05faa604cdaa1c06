"""Times without a zone are the fleet's, in and out; a time outside the ride is an error."""

import json
import shutil
import tomllib
from datetime import UTC, datetime

import pytest

from ridecheck.cli.app import run
from ridecheck.cli.times import instant, moment, on_clock, within
from ridecheck.core.errors import UsageError
from ridecheck.core.resources import shipped

LOG = "H05_20260503_100500.csv"
RIDE = "H05-20260503T100500Z"


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """One ride of a fleet whose clock is two hours ahead of UTC."""
    folder = tmp_path_factory.mktemp("times") / "fleet"
    shutil.copytree(shipped("sample_logs"), folder)
    for log in (folder / "inbox").iterdir():
        if log.name != LOG:
            log.unlink()
    text = (folder / "fleet.toml").read_text("utf-8")
    text = text.replace('time_zone = "UTC"', 'time_zone = "Europe/Berlin"')
    (folder / "fleet.toml").write_text(text, "utf-8")
    assert "Berlin" in text
    assert run(["screen", "--fleet", str(folder), "--fail-on", "never"]) == 0
    return folder


def cancels(fleet, capsys, *options):
    code = run(["trace", RIDE, "--fleet", str(fleet), "--format", "json", *options])
    printed = capsys.readouterr()
    return code, json.loads(printed.out)["cancels"] if code == 0 else printed.err


def test_a_time_as_the_board_prints_it_finds_its_cancel(fleet, capsys):
    _, (first, *_) = cancels(fleet, capsys)

    clock = first["local_time"][11:23]
    code, near = cancels(fleet, capsys, "--at", clock, "--around", "1")

    assert clock[:2] != first["time"][11:13]
    assert (code, [c["row"] for c in near]) == (0, [first["row"]])


@pytest.mark.parametrize("at", ["10:05:30", "2026-05-04T12:05:30", "99999", "-30"])
def test_a_time_outside_the_ride_is_an_error_that_names_its_span(at, fleet, capsys):
    code, message = cancels(fleet, capsys, f"--at={at}")

    assert code == 2
    assert "this time lies outside the ride" in message
    assert "the ride went from 2026-05-03 12:05:00 to 12:" in message
    assert "CEST" in message


def test_a_noted_time_without_a_zone_is_the_fleets(fleet):
    options = ("--when", "2026-05-04T09:30:00", "--fleet", str(fleet))

    assert run(["note", "H05", "remark", "--note", "washed", "--by", "JK", *options]) == 0

    text = (fleet / "bikes" / "H05.toml").read_text("utf-8")
    noted = tomllib.loads(text)["events"][-1]["when"]
    assert noted == datetime(2026, 5, 4, 7, 30, tzinfo=UTC)


def test_a_date_alone_begins_on_the_fleets_clock(fleet):
    assert moment("2026-05-04", fleet) == datetime(2026, 5, 3, 22, 0, tzinfo=UTC)
    assert moment("", fleet) is None


def test_what_is_no_time_names_the_fleets_zone(fleet):
    with pytest.raises(UsageError, match="Europe/Berlin"):
        instant("soon", fleet)


def test_a_time_that_clocks_skip_is_refused():
    with pytest.raises(UsageError, match="clocks skip this time"):
        on_clock(datetime(2026, 3, 29, 2, 30), "Europe/Berlin")


def test_a_time_of_day_after_midnight_belongs_to_the_rides_second_day():
    span = (datetime(2026, 5, 3, 21, 0, tzinfo=UTC), datetime(2026, 5, 3, 23, 0, tzinfo=UTC))

    assert within("00:30:00", span, "Europe/Berlin") == 5400.0
    assert within("23:30:00", span, "Europe/Berlin") == 1800.0
    assert within("12:00:00", span, "Europe/Berlin") is None
