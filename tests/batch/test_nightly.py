"""The night nobody watches: incremental, quiet, thinned, and nothing lost."""

import hashlib
import json
import os
import shutil
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest
import unprivileged
from folders import CHANNELS, HELD_ON, NOW, Folder, day, layout, log_text, rows_of, verdicts

from ridecheck.batch import tasks
from ridecheck.batch.forgetting import forget, rebuild
from ridecheck.batch.jobs import Job, read_job, shipped_jobs
from ridecheck.batch.nightly import Night, append_line, dry_night, night, read_heartbeat
from ridecheck.core.errors import BrokenOff, FleetBusy, UsageError
from ridecheck.fleet.events import append_event, new_event
from ridecheck.rules import all_rules
from ridecheck.setup.scheduling import write_units
from ridecheck.store.parts import add_name, list_parts


def run(folder: Folder, **options) -> Night:
    return night(folder.root, **{"now": NOW, "as_of": day(3), "workers": 1, **options})


def snapshot(root: Path, *, but: str = "log") -> dict[str, tuple[int, bytes]]:
    """Every file with its time and bytes, besides one folder."""
    return {
        str(p.relative_to(root)): (p.stat().st_mtime_ns, p.read_bytes())
        for p in root.rglob("*")
        if p.is_file() and p.relative_to(root).parts[0] not in (but, ".lock")
    }


def table(root: Path, name: str) -> list[tuple]:
    with duckdb.connect(str(root / "ridecheck.duckdb"), read_only=True) as con:
        return con.execute(f"SELECT * FROM {name} ORDER BY ALL").fetchall()


def sign_off(folder: Folder, bike: str, finding: str) -> None:
    checks = sorted({c for r in all_rules().values() for c in r.checks})
    event = new_event("signed_off", NOW, finding=finding, checks=checks, by="workshop")
    append_event(folder.root, bike, event)


# ------------------------------------------------------------------------- incremental


def test_a_night_with_nothing_new_writes_its_line_and_its_heartbeat_alone(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    first = run(folder)
    before = snapshot(folder.root)
    second = run(folder, now=NOW + timedelta(hours=2))

    assert (first.written, first.judged, first.known) == (True, 1, 0)
    assert (second.written, second.judged, second.known) == (False, 0, 1)
    assert snapshot(folder.root) == before
    assert read_heartbeat(folder.root)["finished_at"] == "2026-06-01T05:00:00Z"
    lines = (folder.root / "log/nightly.jsonl").read_text().splitlines()
    assert [json.loads(line)["seen"] for line in lines] == [1, 1]
    assert "nothing new" in second.line


def test_a_verdict_that_aged_is_written(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    run(folder)
    calm = run(folder, as_of=day(14))
    aged = run(folder, as_of=day(15))

    assert (calm.written, calm.rose) == (False, {})
    assert (aged.written, aged.rose) == (True, {"T01": "no_opinion"})
    assert aged.without_data == ("T01",)
    assert "no data for 14 days: T01" in aged.line


def test_only_a_verdict_that_rose_counts_for_the_exit_code(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), **HELD_ON)

    assert [run(folder).exit_code for _ in range(2)] == [10, 0]
    folder.ride(day(1), **HELD_ON)
    assert run(folder).exit_code == 0  # it was keep in already
    assert run(folder, fail_on="inspect").exit_code == 0


def test_a_growing_file_is_left_for_next_time(tmp_path):
    folder = Folder(tmp_path / "fleet")
    rows = rows_of()
    log = folder.write("inbox/T01_a.csv", log_text(rows[:900], day(0)))
    os.utime(log, (NOW.timestamp() - 60,) * 2)
    early = run(folder)
    log.write_text(log_text(rows, day(0)))
    os.utime(log, (NOW.timestamp() - 60,) * 2)
    later = run(folder, now=NOW + timedelta(minutes=30))

    assert (early.growing, early.judged) == (1, 0)
    assert (later.growing, later.judged) == (0, 1)
    assert "1 growing" in early.line


@pytest.mark.parametrize("first_rows", [[900], [40], [900, 300], [1400, 60, 900]])
def test_a_file_that_grew_or_was_cut_meanwhile_leaves_no_trace_of_it(tmp_path, first_rows):
    rows = rows_of()
    grown, whole = Folder(tmp_path / "grown"), Folder(tmp_path / "whole")
    for count in first_rows:
        grown.write("inbox/T01_a.csv", log_text(rows[:count], day(0)))
        run(grown)
    for folder in (grown, whole):
        folder.write("inbox/T01_a.csv", log_text(rows, day(0)))
        run(folder)

    assert grown.report() == whole.report()
    assert len(list((grown.root / "rides/T01").iterdir())) == 1


def test_a_late_log_redoes_only_its_bike_and_says_revised(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(1), "T01")
    folder.ride(day(1), "T02")
    run(folder)
    others = snapshot(folder.root / "results/T02")
    folder.ride(day(0), "T01")
    late = run(folder)

    assert (late.rides_judged, late.revised) == (1, ("T01",))
    assert snapshot(folder.root / "results/T02") == others


def test_verify_hashes_what_looks_unchanged(tmp_path):
    folder = Folder(tmp_path / "fleet")
    log = folder.ride(day(0))
    run(folder)
    stat = log.stat()
    log.write_text(log.read_text().replace(",90.0,", ",89.9,"))
    os.utime(log, ns=(stat.st_atime_ns, stat.st_mtime_ns))

    assert log.stat().st_size == stat.st_size
    assert run(folder).judged == 0
    assert run(folder, verify=True).judged == 1


def test_a_dry_run_tells_and_writes_nothing(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(0), "T01")
    run(folder)
    folder.ride(day(1), "T02")
    for name in ("rides", "results"):
        (folder.root / name).mkdir(exist_ok=True)
    before = snapshot(folder.root, but="")
    told = dry_night(folder.root, now=day(3) + timedelta(hours=1))

    assert told.to_read == ("T02_20260505-0800.csv",)
    assert snapshot(folder.root, but="") == before


def test_half_a_line_that_a_killed_night_left_is_taken_away(tmp_path):
    path = tmp_path / "log.jsonl"
    append_line(path, '{"a": 1}\n')
    path.write_bytes(path.read_bytes() + b'{"half')
    append_line(path, '{"b": 2}\n')

    assert path.read_text() == '{"a": 1}\n{"b": 2}\n'


# ------------------------------------------------------------------------- many processes


def test_several_processes_give_the_same_as_one(tmp_path, monkeypatch):
    alone, several = Folder(tmp_path / "alone"), Folder(tmp_path / "several")
    for folder in (alone, several):
        for n in range(4):
            folder.ride(day(n * 0.5))
        folder.write("inbox/T01_bad.csv", "x")
    run(alone)
    monkeypatch.setattr(tasks, "ALONE_BELOW_BYTES", 0)
    run(several, workers=2)

    assert several.report() == alone.report()
    for folder in (alone, several):
        shutil.rmtree(folder.root / "log")
    assert {k: v[1] for k, v in snapshot(several.root / "results").items()} == {
        k: v[1] for k, v in snapshot(alone.root / "results").items()
    }


def test_a_log_whose_process_was_killed_twice_is_set_aside_and_the_rest_is_judged(
    tmp_path, monkeypatch
):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    bad = folder.ride(day(1), name="T01_bad.csv")

    def results(crew, work, size, killed):
        """What run_tasks gives where the process of one log dies each time (tests/test_crew)."""
        for task in work:
            dies = getattr(task, "found", None) and task.found.path == bad
            yield killed(task) if dies else task()

    monkeypatch.setattr(tasks.Crew, "_results", results)
    told = run(folder)
    (record,) = (folder.root / "set_aside").iterdir()
    why = json.loads(record.read_text())

    assert (told.judged, told.set_aside, told.rides_judged) == (1, 1, 1)
    assert why["what"] == "The process that read this log was ended by the system, twice"
    assert why["sha256"] == hashlib.sha256(bad.read_bytes()).hexdigest()


def test_a_ride_that_cannot_be_judged_is_told_and_its_bike_is_no_opinion(tmp_path, monkeypatch):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(0), "T01")
    folder.ride(day(0), "T02")
    real = tasks.judge_plan

    def judge_plan(plan, *more, **options):
        if plan.bike == "T01":
            raise RuntimeError("odd")
        return real(plan, *more, **options)

    with monkeypatch.context() as patch:
        patch.setattr(tasks, "judge_plan", judge_plan)
        broken = run(folder)
    mended = run(folder)

    assert (broken.exit_code, broken.rose) == (70, {"T01": "no_opinion"})
    assert broken.failed == ("ride T01-20260504T080000Z: RuntimeError: odd",)
    assert (mended.exit_code, mended.rides_judged) == (0, 1)


def test_a_second_night_finds_the_folder_held(tmp_path):
    folder = Folder(tmp_path / "fleet")
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, filelock; lock = filelock.FileLock(sys.argv[1]); lock.acquire();"
            "print('held', flush=True); sys.stdin.read()",
            str(folder.root / ".lock"),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with holder:
        assert holder.stdout is not None
        holder.stdout.readline()
        with pytest.raises(FleetBusy):
            run(folder)
        holder.kill()

    assert run(folder).exit_code == 0


def test_a_reader_keeps_its_index_while_the_night_makes_the_next(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    run(folder)
    with duckdb.connect(str(folder.root / "ridecheck.duckdb"), read_only=True) as reader:
        folder.ride(day(1))
        run(folder)

        assert reader.execute("SELECT count(*) FROM rides").fetchone() == (1,)
    assert len(table(folder.root, "rides")) == 2


# ------------------------------------------------------------------------- the disk


@pytest.mark.parametrize("fails_at", [1, 2, 3, 4, 5, 6, 7, 8])
def test_a_full_disk_breaks_the_night_off_and_the_next_ends_the_same(
    tmp_path, monkeypatch, fails_at
):
    undisturbed, folder = Folder(tmp_path / "undisturbed"), Folder(tmp_path / "full")
    for one in (undisturbed, folder):
        one.ride(day(0))
        one.ride(day(1), **HELD_ON)
        one.write("inbox/T01_bad.csv", "x")
    run(undisturbed)
    writes = 0
    real = os.fsync

    def full(descriptor):
        nonlocal writes
        writes += 1
        if writes >= fails_at:
            raise OSError(28, "No space left on device")
        real(descriptor)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(BrokenOff):
            run(folder)
    run(folder)

    assert folder.report() == undisturbed.report()
    for name in ("rides", "exposures", "findings", "cancels", "set_aside", "parts", "verdicts"):
        assert table(folder.root, name) == table(undisturbed.root, name)
    assert not [p for p in folder.root.rglob(".*") if p.name != ".lock"]


def test_a_folder_that_may_not_be_written_is_told_in_three_parts():
    with unprivileged.open_folder() as place:
        folder = Folder(place / "fleet")
        folder.ride(day(0))
        unprivileged.hand_over(place)
        for path in (folder.root, *folder.root.rglob("*")):
            path.chmod(0o500 if path.is_dir() else 0o400)
        done = unprivileged.run_ridecheck(["nightly", "--fleet", "fleet"], cwd=place)

    assert done.returncode == 70, done.stderr
    assert "cannot be written" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_inbox_folder_without_rights_is_told_and_the_rest_is_judged():
    with unprivileged.open_folder() as place:
        folder = Folder(place / "fleet")
        folder.ride(day(0))
        folder.write("inbox/closed/T01_b.csv", log_text(rows_of(), day(1)))
        unprivileged.hand_over(place)
        (folder.root / "inbox/closed").chmod(0)
        done = unprivileged.run_ridecheck(
            ["nightly", "--job", "workshop", "--fleet", "fleet", "--as-of", "2026-05-06"], cwd=place
        )
        assert done.returncode == 0, done.stderr
        assert "1 judged" in done.stdout


def test_links_in_the_inbox_are_not_followed(tmp_path):
    folder = Folder(tmp_path / "fleet")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    folder.ride(day(0)).rename(elsewhere / "T01_a.csv")
    (folder.root / "inbox/T01_link.csv").symlink_to(elsewhere / "T01_a.csv")
    (folder.root / "inbox/folder").symlink_to(elsewhere)

    assert run(folder).seen == 0


# ------------------------------------------------------------------------- retention


def test_old_samples_are_thinned_but_for_thirty_seconds_round_an_open_finding(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(0), "T01", **HELD_ON)
    folder.ride(day(0), "T02")
    run(folder)
    verdict_before = folder.report()
    run(folder, as_of=day(89))
    ((whole,), _) = list_parts(folder.root, "T01")
    run(folder, as_of=day(91))
    ((thinned,), _) = list_parts(folder.root, "T01")
    seconds = _seconds(folder.root, "T01")

    assert not whole.info.thinned
    assert thinned.info.thinned
    assert (seconds.min(), seconds.max()) == (6.0, 71.0)  # 30 s before 36 s, after 41 s
    assert _seconds(folder.root, "T02").is_empty()
    assert run(folder, as_of=day(92)).written is False
    assert json.loads(folder.report())["bikes"][0]["verdict"] == "keep_in"
    assert (
        json.loads(verdict_before)["bikes"][0]["findings"]
        == (json.loads(folder.report())["bikes"][0]["findings"])
    )


def test_samples_that_two_logs_share_age_in_both(tmp_path):
    folder = Folder(tmp_path / "fleet")
    rows = rows_of()
    folder.write("inbox/T01_a.csv", log_text(rows, day(0)))
    folder.write("inbox/T01_b.csv", log_text(rows[:900], day(0)))
    run(folder, as_of=day(91))

    assert [p.info.thinned for p in list_parts(folder.root, "T01")[0]] == [True, True]
    assert _seconds(folder.root, "T01").is_empty()
    assert run(folder, as_of=day(92)).written is False


def test_an_assigned_ride_keeps_what_lies_round_its_findings(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(0), "T01", **HELD_ON)
    run(folder)
    ((part,), _) = list_parts(folder.root, "T01")
    event = new_event(
        "assigned", NOW, ride="T01-20260504T080000Z", parts=[part.info.stem], to="T02", by="desk"
    )
    append_event(folder.root, "T01", event)
    run(folder, as_of=day(91))
    seconds = _seconds(folder.root, "T01")

    assert (seconds.min(), seconds.max()) == (6.0, 71.0)
    assert run(folder, as_of=day(92)).written is False


def test_thinned_rides_are_neither_read_nor_judged_again(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), **HELD_ON)
    run(folder, as_of=day(91))
    before = snapshot(folder.root / "results")
    folder.write("layouts/bench.toml", layout(CHANNELS, unit="mph"))
    folder.add("models/tourer.toml", "[cruise]\ncancel_within_s = 0.4\n")
    again = run(folder, as_of=day(91), verify=True)

    assert (again.judged, again.rides_judged) == (0, 0)
    assert snapshot(folder.root / "results") == before


def test_a_thinned_ride_that_is_assigned_takes_its_danger_along(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(0), "T01", **HELD_ON)
    run(folder, as_of=day(91))
    ((part,), _) = list_parts(folder.root, "T01")
    event = new_event(
        "assigned", NOW, ride="T01-20260504T080000Z", parts=[part.info.stem], to="T02", by="desk"
    )
    append_event(folder.root, "T01", event)
    told = run(folder, as_of=day(91))
    bikes = {b["bike"]: b for b in json.loads(folder.report())["bikes"]}

    assert told.rose == {"T02": "keep_in"}
    assert bikes["T01"]["verdict"] == "keep_in"
    assert "its ride was moved to T02" in bikes["T01"]["because"][0]
    assert {f["ride"] for f in bikes["T02"]["findings"]} == {"T02-20260504T080000Z"}
    assert all(f["id"].startswith("T02/") for f in bikes["T02"]["findings"])


def test_what_a_killed_run_kept_is_taken_up_by_the_next(tmp_path):
    undisturbed, killed = Folder(tmp_path / "undisturbed"), Folder(tmp_path / "killed")
    for folder in (undisturbed, killed):
        folder.ride(day(0), name="T01_b.csv")
        run(folder)
        folder.ride(day(0), name="T01_a.csv")
    ((part,), _) = list_parts(killed.root, "T01")
    add_name(killed.root, part, "T01_a.csv")  # as far as the killed run came
    for folder in (undisturbed, killed):
        run(folder)

    assert killed.report() == undisturbed.report()
    assert '"T01_b.csv"' in killed.report()


def test_signing_off_lets_the_rest_of_the_samples_go(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), **HELD_ON)
    run(folder, as_of=day(91))
    for (rule,) in {(f[3],) for f in table(folder.root, "findings")}:
        sign_off(folder, "T01", rule)
    run(folder, as_of=day(92))

    assert _seconds(folder.root, "T01").is_empty()


def _seconds(root: Path, bike: str) -> pl.Series:
    with duckdb.connect(str(root / "ridecheck.duckdb"), read_only=True) as con:
        rows = con.execute(
            "SELECT (epoch_us(time) - ?) / 1e6 AS t FROM samples WHERE bike = ?",
            [int(day(0).timestamp() * 1e6), bike],
        ).fetchall()
    return pl.Series([t for (t,) in rows], dtype=pl.Float64).round(3)


# ------------------------------------------------------------------------- forget, rebuild


def test_forget_removes_a_bike_and_lists_what_a_person_must_delete(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(0), "T01")
    folder.ride(day(0), "T02")
    folder.write("inbox/T01_bad.csv", "x")
    folder.write("inbox/T02_bad.csv", "y")
    run(folder)
    gone = forget(folder.root, "T01", now=NOW)

    assert gone.inbox == ("T01_20260504-0800.csv", "T01_bad.csv")
    assert (gone.rides, gone.kept_for_danger, gone.records) == (("T01-20260504T080000Z",), (), 1)
    assert not (folder.root / "results/T01").exists()
    assert not (folder.root / "rides/T01").exists()
    assert {r[0] for r in table(folder.root, "rides")} == {"T02"}
    assert [r[0] for r in table(folder.root, "set_aside")] == ["T02_bad.csv"]
    assert "T01" not in (folder.root / "log/nightly.jsonl").read_text()
    bikes = {b["bike"]: b for b in json.loads(folder.report())["bikes"]}
    assert bikes["T01"]["rides"] == []
    assert len(bikes["T02"]["rides"]) == 1
    assert "T01-20260504" not in (folder.root / "reports/index.html").read_text()


def test_forget_takes_the_pages_of_a_bike_that_left_the_fleet_out_of_the_archive(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(0), "T01")
    folder.screen()
    (folder.root / "bikes/T01.toml").unlink()
    folder.write("reports/archive/T01.html", "an older page")
    forget(folder.root, "T01", now=NOW)
    folder.screen()

    assert not list((folder.root / "reports").rglob("T01.html"))
    assert "T01" not in folder.report()


def test_forget_between_two_instants_keeps_the_rest(tmp_path):
    folder = Folder(tmp_path / "fleet")
    for n in range(3):
        folder.ride(day(n))
    run(folder)
    for page in ("T01-20260504T080000Z", "T01-20260505T080000Z", "T01-20260101T000000Z", "T01x-1"):
        folder.write(f"reports/traces/{page}.html", "traced")
    gone = forget(folder.root, "T01", since=day(0.5), until=day(1.5), now=NOW)

    left = sorted(p.stem for p in (folder.root / "reports/traces").iterdir())
    assert left == ["T01-20260504T080000Z", "T01x-1"]
    assert gone.rides == ("T01-20260505T080000Z",)
    assert [r[1] for r in table(folder.root, "rides")] == [
        "T01-20260504T080000Z",
        "T01-20260506T080000Z",
    ]


def test_hold_stops_forgetting_and_so_does_an_unknown_bike(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.add("bikes/T01.toml", "hold = true\n")
    folder.ride(day(0))
    run(folder)
    with pytest.raises(UsageError, match="held"):
        forget(folder.root, "T01")
    for name in ("T99", "..", "../fleet", "a/b", ""):
        with pytest.raises(UsageError, match="Nothing is known"):
            forget(folder.root, name)

    assert len(table(folder.root, "rides")) == 1


def test_an_open_danger_outlives_forgetting_until_it_is_signed_off(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), **HELD_ON).rename(tmp_path / "gone.csv")
    log = folder.write("inbox/T01_a.csv", (tmp_path / "gone.csv").read_text())
    run(folder)
    with pytest.raises(UsageError, match="who says so and why"):
        forget(folder.root, "T01", now=NOW)
    gone = forget(folder.root, "T01", by="desk", reason="the renter asked", now=NOW)
    log.unlink()
    after = folder.screen()
    dangers = [f.finding for f in after.report.bikes[0].findings]

    assert gone.rides == ("T01-20260504T080000Z",)
    assert set(gone.kept_for_danger) == {d.id for d in dangers}
    assert verdicts(after) == {"T01": "keep_in"}
    assert "its ride is not kept any more" in after.report.bikes[0].because[0]
    assert not list((folder.root / "rides").rglob("*.parquet"))
    assert after.report.bikes[0].last_data is None
    for danger in dangers:
        sign_off(folder, "T01", danger.id)
    signed = folder.screen()
    assert verdicts(signed) == {"T01": "no_opinion"}
    assert signed.report.bikes[0].findings == ()


def test_rebuild_brings_the_index_back_and_says_what_it_cannot(tmp_path):
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.ride(day(0), "T01", **HELD_ON)
    folder.ride(day(0), "T02")
    run(folder)
    names = ("rides", "exposures", "limits", "findings", "cancels", "measures", "parts")
    before = {n: table(folder.root, n) for n in names}
    logs = table(folder.root, "logs")
    (folder.root / "ridecheck.duckdb").write_bytes(b"torn")
    (folder.root / "results/T02/broken.json").write_text("{")
    made = rebuild(folder.root)

    assert {n: table(folder.root, n) for n in names} == before
    assert (made.bikes, made.rides) == (2, 2)
    assert made.not_back[0] == "results/T02/broken.json: a kept file that cannot be read"
    (folder.root / "results/T02/broken.json").unlink()
    after = run(folder)
    assert (after.judged, after.known, after.rides_judged) == (0, 2, 0)
    assert table(folder.root, "logs") == logs


# ------------------------------------------------------------------------- jobs and units


def test_every_shipped_job_can_be_read_and_states_every_key():
    assert shipped_jobs() == ("nightly", "workshop")
    assert read_job("nightly") == Job()
    for name in shipped_jobs():
        assert read_job(name).model_fields_set == set(Job.model_fields)


def test_a_wrong_job_file_names_its_mistakes(tmp_path):
    path = tmp_path / "job.toml"
    path.write_text("wrokers = 2\nfail_on = 'never'\n")
    with pytest.raises(UsageError) as told:
        read_job(str(path))

    assert "wrokers" in told.value.value
    with pytest.raises(UsageError, match="no such job"):
        read_job("weekly")


def test_without_comfort_rules_dangers_are_still_judged(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), **HELD_ON)
    told = run(folder, job=Job(comfort_rules=False))
    rules = {r[2] for r in table(folder.root, "exposures")}

    assert told.rose == {"T01": "keep_in"}
    assert "cruise/engaged-under-braking" in rules
    assert "cruise/hold-offset" not in rules


@pytest.mark.parametrize("name", ["fleet", "our fleet", "50% off", "it's"])
def test_units_name_the_right_paths_whatever_they_hold(tmp_path, name):
    folder = Folder(tmp_path / name)
    paths = write_units(tmp_path / "units", folder.root, command="/bin/true")
    service, timer, failed, cron = (p.read_text() for p in paths)

    assert [p.name.rpartition(".")[2] for p in paths] == ["service", "timer", "service", "cron"]
    assert "@" not in service + timer + failed + cron
    assert f"OnFailure={paths[2].name}" in service
    assert all(f"{code}) echo" in service for code in (3, 4, 10))
    assert "Persistent=true" in timer
    (line,) = [x for x in cron.splitlines() if not x.startswith("#")]
    in_shell = line.split(";", 1)[1].replace("\\%", "%")
    shown = subprocess.run(
        ["sh", "-c", f'set -- {in_shell.split("--fleet ", 1)[1]}; printf %s "$1"'],
        capture_output=True,
        text=True,
        check=True,
    )
    assert shown.stdout == str(folder.root)
    if shutil.which("systemd-analyze"):
        units = [str(p) for p in paths[:3]]
        checked = subprocess.run(
            ["systemd-analyze", "verify", *units], capture_output=True, text=True, check=False
        )
        assert (checked.returncode, checked.stderr) == (0, "")
