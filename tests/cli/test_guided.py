"""A first fleet: init writes what it can know, check says what is still open."""

import shutil

import pytest

from ridecheck.cli.app import run
from ridecheck.core.resources import shipped

SAMPLE = shipped("sample_logs")
LOG = "H05_20260503_100500.csv"
LIST = "bike,model\nH05,grand-tourer\nH06,grand-tourer\n"


@pytest.fixture
def day(tmp_path, monkeypatch):
    """A folder with one log and a list of bikes, and no terminal."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(SAMPLE / "inbox" / LOG, tmp_path / LOG)
    (tmp_path / "bikes.csv").write_text(LIST, "utf-8")
    return tmp_path


def init(*options):
    return run(["init", "fleet", "--bikes", "bikes.csv", "--log", LOG, *options])


def test_one_command_drafts_the_fleet_and_lists_what_is_open(day, capsys):
    assert init("--name", "Hollow Hill", "--time-zone", "Europe/Lisbon") == 0

    printed = capsys.readouterr().out
    fleet = (day / "fleet" / "fleet.toml").read_text("utf-8")
    assert 'name = "Hollow Hill"' in fleet
    assert 'time_zone = "Europe/Lisbon"' in fleet
    assert (day / "fleet" / "layouts" / "from-log.toml").is_file()
    assert "gear_ratios" in (day / "fleet/models/grand-tourer.toml").read_text("utf-8") or (
        "overall_ratios" in (day / "fleet/models/grand-tourer.toml").read_text("utf-8")
    )
    assert "Still open:\n  1. " in printed
    for line in printed.splitlines():
        if line[:4].strip().rstrip(".").isdigit():
            file, number = line[5:].split(":")[:2]
            assert 1 <= int(number) <= len((day / "fleet" / file).read_text("utf-8").splitlines())


def test_the_drafted_fleet_judges_its_log_after_that_one_command(day, capsys):
    init()
    shutil.copy(day / LOG, day / "fleet" / "inbox" / LOG)

    code = run(["screen", "--fleet", "fleet", "--fail-on", "never"])

    assert code == 0, capsys.readouterr().err
    assert "2 bikes: " in capsys.readouterr().out


def test_check_names_files_to_be_filled_in_and_logs_that_cannot_be_read(day, capsys):
    run(["init", "fleet", "--bikes", "bikes.csv"])
    (day / "fleet" / "inbox" / "H05_note.csv").write_text("dear all\n", "utf-8")
    capsys.readouterr()

    code = run(["check", "--fleet", "fleet"])

    printed = capsys.readouterr().out
    assert code == 2
    assert "models/grand-tourer.toml: to be filled in" in printed
    assert printed.count("grand-tourer") == 1
    assert "inbox/H05_note.csv: " in printed


@pytest.mark.parametrize("command", [["check"], ["screen", "--dry-run"]])
def test_check_and_a_dry_run_of_screen_say_that_nothing_is_open_and_write_nothing(
    command, tmp_path, capsys
):
    shutil.copytree(SAMPLE, tmp_path / "fleet")
    before = sorted(tmp_path.rglob("*"))

    code = run([*command, "--fleet", str(tmp_path / "fleet")])

    assert code == 0
    assert capsys.readouterr().out.startswith("Nothing is open")
    assert sorted(tmp_path.rglob("*")) == before


def test_without_a_terminal_nothing_is_asked_and_the_folder_names_the_fleet(day):
    assert run(["init", "hollow-hill"]) == 0

    assert 'name = "hollow-hill"' in (day / "hollow-hill" / "fleet.toml").read_text("utf-8")


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (["--time-zone", "Mars/Base"], "there is no such time zone"),
        (["--log", "none.csv"], "there is no such log"),
    ],
)
def test_what_cannot_be_used_is_refused(options, what, day, capsys):
    assert run(["init", "fleet", *options]) == 2

    assert what in capsys.readouterr().err
