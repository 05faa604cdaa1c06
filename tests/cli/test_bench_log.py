"""`ridecheck bench`: the plan of a bike, a log read, and what goes on record."""

import json
import tomllib
from pathlib import Path

import pytest

from ridecheck.cli.app import run
from ridecheck.simulate.standing import standing_log

LAYOUT_HEAD = '[file]\nkind = "csv"\n\n[columns.time]\ncolumn = "time"\nformat = "iso8601"\n'
MODEL = """
[drivetrain]
overall_ratios = [10.0, 7.0, 5.0]
rolling_circumference_m = 2.0

[cruise]
panel = ["power", "set", "resume", "cancel"]
"""


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    """One bike, its layout, and a bench log beside the inbox with a brake the lamp ignores."""
    log = standing_log(rate_hz=50.0, seed=(9, 2), fault="lamp-ignores-a-brake")
    root = tmp_path / "fleet"
    for name in ("models", "bikes", "layouts", "inbox"):
        (root / name).mkdir(parents=True)
    (root / "fleet.toml").write_text('name = "Bench"\n', "utf-8")
    (root / "models" / "tourer.toml").write_text(MODEL, "utf-8")
    (root / "bikes" / "T07.toml").write_text('bike = "T07"\nmodel = "tourer"\n', "utf-8")
    samples = log.part.samples.drop("row", "file_time")
    names = [c for c in samples.columns if c != "time"]
    layout = LAYOUT_HEAD + "".join(f'\n[columns.{n}]\ncolumn = "{n}"\n' for n in names)
    (root / "layouts" / "bench.toml").write_text(layout, "utf-8")
    samples.write_csv(tmp_path / "T07_bench.csv")
    return root


def test_the_log_is_read_and_nothing_is_stored_without_being_asked(fleet, capsys):
    before = (fleet / "bikes" / "T07.toml").read_bytes()

    assert run(["bench", str(fleet.parent / "T07_bench.csv"), "--fleet", str(fleet)]) == 0

    said = capsys.readouterr().out
    assert "Fault: brake lamp" in said
    assert "stays dark with the" in said
    assert "Never bridge, tape or unplug" in said
    assert (fleet / "bikes" / "T07.toml").read_bytes() == before
    assert not (fleet / "results").exists()


def test_recorded_checks_are_events_that_name_the_log(fleet, capsys):
    log = str(fleet.parent / "T07_bench.csv")

    assert run(["bench", log, "--fleet", str(fleet), "--record"]) == 2
    assert "--by NAME" in capsys.readouterr().err
    assert run(["bench", log, "--fleet", str(fleet), "--record", "--by", "JK"]) == 0

    events = tomllib.loads((fleet / "bikes" / "T07.toml").read_text("utf-8"))["events"]
    results = {e["check"]: e["result"] for e in events}
    assert results["lamp-by-each-control"] == "fault"
    assert results["throttle-snaps-shut"] == "ok"
    assert {e["by"] for e in events} == {"JK"}
    assert all(e["note"].startswith("bench log ") for e in events)


def test_the_plan_names_this_models_controls_and_its_page_is_whole(fleet, capsys, tmp_path):
    where = ("--fleet", str(fleet), "--bike", "T07")

    assert run(["bench", "--plan", *where, "--report-dir", str(tmp_path / "pages")]) == 0
    text = capsys.readouterr().out
    assert "Cancel button, 3 times" in text
    page = (tmp_path / "pages" / "bench" / "T07.html").read_text("utf-8")
    assert "Cancel button" in page
    assert "default-src 'none'" in page
    assert run(["bench", "--plan", *where, "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out)["steps"][0]["id"] == "rest"


def test_a_bike_nobody_knows_is_named_with_those_there_are(fleet, capsys):
    assert run(["bench", "--plan", "--fleet", str(fleet), "--bike", "T99"]) == 2

    assert "known: T07" in capsys.readouterr().err
