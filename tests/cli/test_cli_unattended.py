"""The commands that run without a person: what they print, and their exit codes."""

import shutil

import pytest
from folders import HELD_ON, Folder, day

from ridecheck.cli.app import run


@pytest.fixture
def folder(tmp_path):
    made = Folder(tmp_path / "fleet", ("T01", "T02"))
    made.ride(day(0), "T01", **HELD_ON)
    made.ride(day(0), "T02")
    made.write("inbox/T02_bad.csv", "x")
    return made


def told(folder, capsys, command: str, *more: str) -> tuple[int, list[str], str]:
    """Exit code, lines on standard output, standard error."""
    code = run([*command.split(), "--fleet", str(folder.root), *more])
    streams = capsys.readouterr()
    return code, streams.out.splitlines(), streams.err


NIGHT = "nightly --job workshop --as-of 2026-05-06"


def test_a_night_prints_one_line_and_exits_with_ten_where_a_bike_rose(folder, capsys):
    code, (line, *details), _ = told(folder, capsys, NIGHT)

    assert code == 10
    assert details[0].startswith("  T01 keep in: ")
    assert details[0].endswith("/reports/bikes/T01.html)")
    assert details[-1] == "  set aside tonight: T02_bad.csv"
    assert "3 logs seen, 2 judged, 0 known, 0 growing, 1 set aside, 0 failed" in line
    assert "rose: T01 keep in" in line


def test_a_quiet_night_is_heard_while_a_bike_is_kept_in_and_then_no_more(folder, capsys):
    rose = told(folder, capsys, f"{NIGHT} --quiet")
    standing = told(folder, capsys, f"{NIGHT} --quiet")
    (folder.root / "inbox/T02_bad.csv").unlink()
    shutil.rmtree(folder.root / "dangers")
    for name in ("results/T01", "rides/T01"):
        shutil.rmtree(folder.root / name)
    for name in ("ridecheck.duckdb", "bikes/T01.toml", "inbox/T01_20260504-0800.csv"):
        (folder.root / name).unlink()
    told(folder, capsys, f"{NIGHT} --quiet")
    calm = told(folder, capsys, f"{NIGHT} --quiet")

    assert rose[0] == 10
    assert "rose: T01 keep in" in rose[1][0]
    assert standing[0] == 0
    assert "keep in: T01" in standing[1][0]
    assert calm == (0, [], "")


def test_a_new_log_that_is_set_aside_is_exit_three(folder, capsys):
    told(folder, capsys, NIGHT)
    folder.write("inbox/T01_worse.csv", "y")

    assert told(folder, capsys, NIGHT)[0] == 3


def test_fail_on_never_exits_with_three_at_most(folder, capsys):
    assert told(folder, capsys, f"{NIGHT} --fail-on never")[0] == 3


def test_a_dry_run_names_the_logs_and_leaves_no_index(folder, capsys):
    code, lines, _ = told(folder, capsys, f"{NIGHT} --dry-run")

    assert code == 0
    assert lines[0].startswith("dry run: 3 logs seen, 3 logs to read")
    assert lines[1] == "  to read: T01_20260504-0800.csv"
    assert not (folder.root / "ridecheck.duckdb").exists()


def test_rebuild_says_what_it_could_not_bring_back(folder, capsys):
    told(folder, capsys, NIGHT)
    code, lines, _ = told(folder, capsys, "rebuild")

    assert code == 0
    assert lines[0] == "ridecheck.duckdb: 2 bikes, 2 rides"
    assert lines[1].startswith("not brought back: which logs of the inbox are known (3 were known)")


def test_forget_lists_what_to_delete_by_hand(folder, capsys):
    told(folder, capsys, NIGHT)
    code, lines, _ = told(folder, capsys, "forget T02")

    assert code == 0
    assert lines[0] == "T02: 1 ride removed, 1 record of logs set aside removed"
    assert lines[1:] == [
        f"delete by hand: {folder.root / 'inbox' / name}"
        for name in ("T02_20260504-0800.csv", "T02_bad.csv")
    ]


def test_forget_says_that_an_open_danger_stays(folder, capsys):
    told(folder, capsys, NIGHT)
    code, _, err = told(folder, capsys, "forget T01")
    assert code == 2
    assert "who says so and why is needed" in err
    _, lines, _ = told(folder, capsys, "forget T01", "--by", "JK", "--reason", "asked for")

    assert lines[1].startswith("stays in the register until it is signed off: T01/")


def test_an_unknown_job_or_bike_is_wrong_use(folder, capsys):
    for command in ("nightly --job weekly", "forget T99"):
        code, lines, err = told(folder, capsys, command)

        assert (code, lines) == (2, [])
        assert "where:" in err


def test_units_are_written_with_this_fleets_paths(folder, capsys, tmp_path):
    code, lines, _ = told(folder, capsys, "schedule", "--to", str(tmp_path / "units"))

    assert code == 0
    assert len(lines) == 4
    assert str(folder.root) in (tmp_path / "units/ridecheck-nightly.service").read_text()
