"""A log that was set aside holds its bike at no opinion until it is read, or dropped."""

from datetime import timedelta

from folders import HELD_ON, NOW, Folder, day, verdicts
from typer.testing import CliRunner

from ridecheck.cli.app import app


def because(outcome) -> str:
    return " ".join(outcome.report.bikes[0].because)


def spoiled(folder: Folder) -> None:
    """A clean ride, and a second log of the same bike that says nothing."""
    folder.ride(day(0))
    folder.write("inbox/T01_second.csv", "no header\nat all\n")


def test_a_bike_with_a_log_set_aside_gets_no_opinion_and_the_log_is_named(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    spoiled(folder)
    folder.ride(day(0), "T02")
    outcome = folder.screen()

    assert verdicts(outcome) == {"T01": "no_opinion", "T02": "release"}
    assert "a log of this bike was set aside: T01_second.csv (" in because(outcome)


def test_a_danger_outranks_a_log_set_aside(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), **HELD_ON)
    folder.write("inbox/T01_second.csv", "no header\nat all\n")

    assert verdicts(folder.screen()) == {"T01": "keep_in"}


def test_it_is_held_in_the_runs_that_follow_and_when_the_file_is_taken_away(tmp_path):
    folder = Folder(tmp_path / "fleet")
    spoiled(folder)
    folder.screen()
    again = folder.screen(now=NOW + timedelta(days=1))
    (folder.root / "inbox/T01_second.csv").unlink()
    gone = folder.screen(now=NOW + timedelta(days=2))

    assert verdicts(again) == verdicts(gone) == {"T01": "no_opinion"}


def test_it_is_let_go_once_the_log_is_read(tmp_path):
    folder = Folder(tmp_path / "fleet")
    spoiled(folder)
    folder.screen()
    folder.ride(day(1), name="T01_second.csv")

    assert verdicts(folder.screen()) == {"T01": "release"}


def test_the_same_bytes_under_another_name_hold_it_once(tmp_path):
    folder = Folder(tmp_path / "fleet")
    spoiled(folder)
    folder.screen()
    log = folder.root / "inbox/T01_second.csv"
    log.rename(log.with_name("T01_other.csv"))
    outcome = folder.screen()

    assert verdicts(outcome) == {"T01": "no_opinion"}
    assert because(outcome).count("was set aside") == 1


def test_a_person_drops_it_with_a_reason(tmp_path):
    folder = Folder(tmp_path / "fleet")
    spoiled(folder)
    folder.screen()
    where = ["--fleet", str(folder.root), "--by", "JK", "--reason", "card damaged"]
    told = CliRunner().invoke(app, ["drop", "T01_second.csv", *where])

    assert told.exit_code == 0, told.output
    assert "T01_second.csv: no longer holds T01" in told.output
    assert verdicts(folder.screen()) == {"T01": "release"}
    assert 'reason = "card damaged"' in (folder.root / "bikes/T01.toml").read_text()


def test_a_log_that_is_no_bikes_of_the_fleet_holds_none(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    folder.write("inbox/holiday.csv", "no header\nat all\n")

    assert verdicts(folder.screen()) == {"T01": "release"}


def test_a_bike_pattern_says_whose_log_it_is(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    text = (folder.root / "layouts/bench.toml").read_text()
    pattern = 'bike_from = "name"\nbike_pattern = "_(?P<bike>T\\\\d+)_?"\n'
    folder.write(
        "layouts/other.toml",
        text.replace("[columns.time]", pattern + "[columns.time]", 1).replace('"wheel', '"x_wheel'),
    )
    folder.write("inbox/card3_T01_run.csv", "no header\nat all\n")

    assert verdicts(folder.screen()) == {"T01": "no_opinion"}
