"""Many logs into one fleet folder: judged once, whatever the order, whatever is broken."""

import json
import random
import shutil
import zipfile
from dataclasses import replace
from datetime import timedelta

import duckdb
import pytest
from filelock import FileLock
from folders import CHANNELS, HELD_ON, MONDAY, NOW, Folder, day, layout, log_text, rows_of, verdicts

from ridecheck import __version__
from ridecheck.batch.run import exit_code
from ridecheck.core.errors import FleetBusy, FleetError, UsageError
from ridecheck.core.model import Verdict
from ridecheck.fleet.events import append_event, new_event
from ridecheck.rules import all_rules


def tables(root) -> dict[str, list]:
    """Every row of every table of the index."""
    with duckdb.connect(str(root / "ridecheck.duckdb"), read_only=True) as con:
        names = [n for (n,) in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
        return {n: con.execute(f"SELECT * FROM {n} ORDER BY ALL").fetchall() for n in sorted(names)}


def without_inodes(rows: dict[str, list]) -> dict[str, list]:
    """The index of another folder: its files have other inodes and times, and another root."""
    logs = [(*r[:4], *r[6:]) for r in rows["logs"]]
    return {**rows, "logs": logs, "stamps": [s for s in rows["stamps"] if s[0] != "root"]}


def files_under(folder) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def sign_off(folder: Folder, finding: str, when) -> None:
    checks = sorted({c for r in all_rules().values() for c in r.checks})
    event = new_event("signed_off", when, finding=finding, checks=checks, by="workshop")
    append_event(folder.root, "T01", event)


# ------------------------------------------------------------------------ from day to day


def test_mondays_danger_holds_on_tuesday_and_a_sign_off_releases(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), **HELD_ON)
    monday = folder.screen()
    folder.ride(day(1))
    tuesday = folder.screen()
    for told in tuesday.report.bikes[0].findings:
        sign_off(folder, told.finding.id, day(1.2))
    signed = folder.screen()

    assert verdicts(monday) == verdicts(tuesday) == {"T01": "keep_in"}
    assert exit_code(tuesday) == 10
    assert verdicts(signed) == {"T01": "release"}
    assert (signed.rides_judged, exit_code(signed)) == (0, 0)


def test_release_turns_to_no_opinion_when_as_of_moves_fifteen_days_on(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    fresh = folder.screen()
    old = folder.screen(as_of=fresh.report.as_of + timedelta(days=15))

    assert verdicts(fresh) == {"T01": "release"}
    assert verdicts(old) == {"T01": "no_opinion"}
    assert verdicts(folder.screen()) == {"T01": "release"}


# --------------------------------------------------------------------- forty logs, three broken


def forty(folder: Folder) -> None:
    for n in range(37):
        folder.ride(day(n * 0.4), f"T{n % 4 + 1:02d}", **(HELD_ON if n == 20 else {}))
    folder.write("inbox/T01_empty.csv", "")
    folder.write("inbox/T02_header.csv", log_text(rows_of()[:0], MONDAY))
    folder.write("inbox/holiday.csv", "\x89PNG\r\n\x1a\n\x00\x00")


BIKES = ("T01", "T02", "T03", "T04")


def test_forty_logs_with_three_broken_then_nothing_to_do(tmp_path):
    folder = Folder(tmp_path / "fleet", BIKES)
    forty(folder)
    first = folder.screen(report_dir=None)
    report, results = folder.report(), files_under(folder.root / "results")
    second = folder.screen(now=NOW + timedelta(days=1))

    assert (first.judged, len(first.set_aside_first), first.rides_judged) == (37, 3, 37)
    assert exit_code(first, "never") == 3
    assert (second.judged, second.rides_judged, second.known) == (0, 0, 40)
    assert exit_code(second, "never") == 0
    assert folder.report() == report
    assert files_under(folder.root / "results") == results
    assert len(list((folder.root / "set_aside").iterdir())) == 3


def test_arrival_in_any_order_and_batching_gives_the_same(tmp_path):
    at_once = Folder(tmp_path / "one", BIKES)
    forty(at_once)
    at_once.screen()
    batched = Folder(tmp_path / "two", BIKES)
    logs = sorted((at_once.root / "inbox").iterdir())
    random.Random(5).shuffle(logs)
    for i in range(0, len(logs), 9):
        for log in logs[i : i + 9]:
            shutil.copyfile(log, batched.root / "inbox" / log.name)
        batched.screen()

    assert batched.report() == at_once.report()
    assert files_under(batched.root / "results") == files_under(at_once.root / "results")
    assert without_inodes(tables(batched.root)) == without_inodes(tables(at_once.root))


def test_split_doubled_and_overlapping_uploads_come_out_as_the_same_rides(tmp_path):
    rows = rows_of()
    stamps = (rows["time"] - rows["time"][0]).dt.total_milliseconds()
    pieces = {
        "T01_whole.csv": log_text(rows, MONDAY),
        "T01_copy.csv": log_text(rows, MONDAY),
        "T01_first.csv": log_text(rows.filter(stamps <= 50_000), MONDAY),
        "T01_next.csv": log_text(rows.filter(stamps > 30_000), day(0) + timedelta(seconds=30.05)),
    }
    reports = []
    for seed in range(4):
        folder = Folder(tmp_path / str(seed))
        for name in random.Random(seed).sample(sorted(pieces), len(pieces)):
            folder.write(f"inbox/{name}", pieces[name])
            outcome = folder.screen()
        reports.append(folder.report())
        (ride,) = outcome.report.bikes[0].rides
        assert (ride.log, ride.samples) == ("T01_copy.csv", rows.height)
        assert ride.aliases == ("T01_whole.csv",)

    assert len(set(reports)) == 1


def test_two_loggers_that_saw_the_same_danger_are_both_judged(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), name="T01_one.csv", **HELD_ON)
    folder.ride(day(0), name="T01_other.csv", seed=5, **HELD_ON)
    outcome = folder.screen()
    bike = outcome.report.bikes[0]
    ids = [f.finding.id for f in bike.findings if "braking" in f.finding.rule]

    assert [r.ride for r in bike.rides] == ["T01-20260504T080000Z", "T01-20260504T080000Z-2"]
    assert all("differs; both are judged" in r.notes[-1].message for r in bike.rides)
    assert len(ids) == 2 * len(set(ids))
    assert len(tables(folder.root)["findings"]) == len(bike.findings)


# ------------------------------------------------------------------------ what is stale


def test_a_changed_model_is_judged_again_for_its_bikes_alone(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.write("models/twin.toml", (folder.root / "models/tourer.toml").read_text())
    folder.write("bikes/T02.toml", 'bike = "T02"\nmodel = "twin"\n')
    folder.ride(day(0), "T01")
    folder.ride(day(0), "T02")
    folder.screen()
    folder.add("models/twin.toml", "[cruise]\ncancel_within_s = 0.4\n")
    changed = folder.screen()

    assert (changed.judged, changed.rides_judged) == (0, 1)
    folder.add("fleet.toml", '[thresholds."cruise/hold-offset"]\nhold_tolerance_kmh = 1.5\n')
    assert folder.screen().rides_judged == 2
    folder.add("fleet.toml", "[verdict]\nrides = 19\n")
    assert folder.screen().rides_judged == 0


def test_a_changed_layout_reads_again_and_a_log_that_is_gone_keeps_its_part(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    gone = folder.ride(day(1))
    folder.screen()
    gone.unlink()
    folder.write("layouts/bench.toml", layout(CHANNELS, unit="mph"))
    changed = folder.screen()
    rides = changed.report.bikes[0].rides

    assert (changed.judged, changed.rides_judged) == (0, 2)
    assert rides[0].distance_km == pytest.approx(1.718 * 1.609344, rel=0.01)
    assert rides[1].distance_km == pytest.approx(1.718, rel=0.01)
    assert [n.message for n in rides[1].notes] == [
        "read with an older layout: the log could not be read again"
    ]
    assert folder.screen().rides_judged == 0


def test_a_danger_no_longer_found_is_carried_over_and_says_who_found_it(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), **HELD_ON)
    before = folder.screen().report.bikes[0]
    blind = [c for c in CHANNELS if c not in ("front_brake", "brake_lamp", "rear_brake")]
    folder.write("layouts/bench.toml", layout(blind))
    after = folder.screen().report.bikes[0]
    dangers = {f.finding.id for f in before.findings if "braking" in f.finding.rule}
    carried = {f.finding.id: f.finding.carried_from for f in after.findings}

    assert dangers
    assert after.verdict is Verdict.KEEP_IN
    assert {carried[d] for d in dangers} == {f"version {__version__}, layout bench"}
    assert folder.screen().rides_judged == 0


# --------------------------------------------------------------------- wrong and missing files


def test_a_wrong_model_makes_its_bikes_no_opinion_and_the_rest_is_judged(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.write("models/odd.toml", "[drivetrain]\nprimary_ratio = 'x'\n")
    folder.write("bikes/T02.toml", 'bike = "T02"\nmodel = "odd"\n')
    folder.ride(day(0), "T01")
    folder.ride(day(0), "T02")
    outcome = folder.screen()

    assert verdicts(outcome) == {"T01": "release", "T02": "no_opinion"}
    assert outcome.report.bikes[1].because[0].startswith("a file of this bike is wrong: models/odd")
    assert exit_code(outcome) == 2


def test_a_bike_whose_file_is_gone_keeps_its_danger(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(0), "T01")
    folder.ride(day(0), "T02", **HELD_ON)
    folder.screen()
    (folder.root / "bikes/T02.toml").unlink()

    assert verdicts(folder.screen())["T02"] == "keep_in"


def test_a_missing_folder_and_an_unknown_name_are_told(tmp_path):
    folder = Folder(tmp_path / "fleet")
    with pytest.raises(UsageError, match="no bike of that name"):
        folder.screen(bike="T99")
    with pytest.raises(UsageError, match="no such log"):
        folder.screen(logs=[tmp_path / "nowhere.csv"])
    (folder.root / "fleet.toml").unlink()
    with pytest.raises(FleetError):
        folder.screen()


def test_a_second_run_finds_the_folder_held(tmp_path):
    folder = Folder(tmp_path / "fleet")
    with FileLock(folder.root / ".lock"), pytest.raises(FleetBusy):
        folder.screen()

    assert exit_code(folder.screen()) == 0


# ------------------------------------------------------------------------ set aside


def test_a_log_of_an_unknown_bike_is_tried_again_when_a_fleet_file_changes(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), "T07")
    first, second = folder.screen(), folder.screen()
    (record,) = (folder.root / "set_aside").iterdir()
    why = json.loads(record.read_text())
    folder.write("bikes/T07.toml", 'bike = "T07"\nmodel = "tourer"\n')
    third = folder.screen()

    assert [exit_code(o, "never") for o in (first, second, third)] == [3, 0, 0]
    keys = {"log", "sha256", "what", "where", "value", "what_to_do", "first_seen", "bikes"}
    assert set(why) == keys
    assert (why["log"], why["first_seen"]) == ("T07_20260504-0800.csv", "2026-06-01T03:00:00Z")
    assert verdicts(third) == {"T01": "no_opinion", "T07": "release"}
    assert third.report.set_aside == ()
    assert not list((folder.root / "set_aside").iterdir())


def test_an_archive_gives_each_member_as_a_log_even_two_of_one_name(tmp_path):
    folder = Folder(tmp_path / "fleet")
    with zipfile.ZipFile(folder.root / "inbox/T01.zip", "w") as archive:
        archive.writestr("T01_a.csv", log_text(rows_of(), day(0)))
        archive.writestr("T01_bad.csv", "x")
        with pytest.warns(UserWarning, match="Duplicate name"):
            archive.writestr("T01_a.csv", log_text(rows_of(), day(1)))
    first, second = folder.screen(), folder.screen()
    (bike,) = first.report.bikes

    assert {r.log for r in bike.rides} == {"T01.zip!T01_a.csv"}
    assert len(bike.rides) == 2
    assert [s.log for s in first.report.set_aside] == ["T01.zip!T01_bad.csv"]
    assert (second.known, second.rides_judged, second.report.bikes) == (1, 0, (bike,))


def test_a_record_goes_with_its_log_where_it_holds_no_bike(tmp_path):
    folder = Folder(tmp_path / "fleet")
    bad = folder.write("inbox/holiday.csv", "nothing\n")
    folder.screen()
    bad.write_text("nothing at all\n")
    changed = folder.screen()
    bad.unlink()

    assert len(changed.report.set_aside) == 1
    assert len(changed.set_aside_first) == 1
    assert folder.screen().report.set_aside == ()


def test_a_log_from_elsewhere_is_taken_in_under_its_bare_name(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    log = folder.ride(day(0)).rename(tmp_path / "stray.csv")
    outcome = folder.screen(logs=[log], bike="T02")

    assert [r.log for r in outcome.report.bikes[1].rides] == ["stray.csv"]
    assert folder.screen().report.bikes[1].rides == outcome.report.bikes[1].rides
    assert log.read_text() == log_text(rows_of(), MONDAY)


# --------------------------------------------------------------------- assigned and dropped


def test_a_ride_assigned_to_another_bike_takes_its_danger_along(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(0))
    folder.ride(day(1), **HELD_ON)
    (ride,) = [r for r in folder.screen().report.bikes[0].rides if r.start == day(1)]
    stems = [p.part for p in ride.parts]
    event = new_event("assigned", NOW, ride=ride.ride, parts=stems, to="T02", by="desk")
    append_event(folder.root, "T01", event)
    outcome = folder.screen()
    one, two = outcome.report.bikes

    assert verdicts(outcome) == {"T01": "keep_in", "T02": "keep_in"}
    assert "its ride was moved to T02; open here until it is signed off" in one.because[0]
    assert [r.ride for r in two.rides] == ["T02-20260505T080000Z"]
    assert all(f.finding.id.startswith("T02/") for f in two.findings)
    assert len(one.rides) == 1
    assert folder.screen().rides_judged == 0
    for told in one.findings:
        sign_off(folder, told.finding.id, NOW)
    assert verdicts(folder.screen()) == {"T01": "release", "T02": "keep_in"}


def test_a_dropped_ride_is_no_more(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    folder.ride(day(1), **HELD_ON)
    ride = folder.screen().report.bikes[0].rides[1]
    stems = [p.part for p in ride.parts]
    event = new_event(
        "dropped", NOW, ride=ride.ride, parts=stems, by="desk", reason="logger on the bench"
    )
    append_event(folder.root, "T01", event)
    outcome = folder.screen()

    assert verdicts(outcome) == {"T01": "keep_in"}
    assert len(list((folder.root / "results/T01").iterdir())) == 1
    for told in outcome.report.bikes[0].findings:
        sign_off(folder, told.finding.id, NOW)
    assert verdicts(folder.screen()) == {"T01": "release"}


# ------------------------------------------------------------------------ exit codes


@pytest.mark.parametrize(
    ("changes", "fail_on", "code"),
    [
        ({}, "keep_in", 0),
        ({"new_seen": 3, "judged": 2}, "keep_in", 0),
        ({"new_seen": 3, "judged": 0}, "keep_in", 3),
        ({"set_aside_first": ("x",)}, "keep_in", 3),
        ({"set_aside_first": ("x",), "mistakes": ("m",)}, "keep_in", 2),
        ({"rules_in_error": ("r",), "mistakes": ("m",)}, "keep_in", 70),
        ({"faults": ("f",)}, "keep_in", 70),
        ({"faults": ("f",)}, "inspect", 10),
        ({}, "inspect", 10),
        ({}, "no_opinion", 10),
        ({"faults": ("f",)}, "never", 70),
    ],
)
def test_exit_codes_in_their_order(tmp_path_factory, inspect_outcome, changes, fail_on, code):
    assert exit_code(replace(inspect_outcome, **changes), fail_on) == code


@pytest.fixture(scope="module")
def inspect_outcome(tmp_path_factory):
    """A run that left one bike at inspect."""
    outcome = Folder(tmp_path_factory.mktemp("exit") / "fleet").screen()
    (bike,) = outcome.report.bikes
    report = replace(outcome.report, bikes=(replace(bike, verdict=Verdict.INSPECT),))
    return replace(outcome, report=report)
