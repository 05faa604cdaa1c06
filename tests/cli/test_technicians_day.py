"""A technician's fortnight end to end: cancels, a check, a repair, riding on, the sign-off."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ridecheck.cli.app import run
from ridecheck.simulate.fleet import FleetPlan, PlannedBike, PlannedRide, write_fleet
from ridecheck.simulate.library import LOGGERS, MODELS, PLANS, RIDERS, at_rate
from ridecheck.simulate.spec import BikeSpec, PlantedFault, RidePlan

FIRST = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
CHAFED = (PlantedFault("brake-wire-chafed", 1.0),)
BEFORE, AFTER = 3, 3


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One bike: three rides with a chafed brake wire, later three without."""
    root = tmp_path_factory.mktemp("day") / "fleet"
    rides = [
        PlannedRide(
            RidePlan(
                start=FIRST + timedelta(days=day),
                legs=PLANS["proving-loop"],
                rider=RIDERS["steady"],
            ),
            CHAFED if day < BEFORE else (),
        )
        for day in range(BEFORE + AFTER)
    ]
    spec = BikeSpec(
        bike="T07", model=MODELS["touring-triple-five"], logger=at_rate(LOGGERS["bench-20hz"], 50.0)
    )
    plan = FleetPlan(name="A workshop", seed=2100, bikes=(PlannedBike(spec, tuple(rides)),))
    write_fleet(plan, root)
    return root


def said(capsys: pytest.CaptureFixture[str], *arguments: str, codes: tuple[int, ...] = (0,)) -> str:
    assert run(list(arguments)) in codes

    return capsys.readouterr().out


def test_what_each_screen_says_from_the_first_cancel_to_the_sign_off(fleet, capsys):
    inbox = sorted((fleet / "inbox").iterdir())
    later = fleet.parent / "later"
    later.mkdir()
    for log in inbox[BEFORE:]:
        log.rename(later / log.name)
    at = ("--fleet", str(fleet))

    board = said(capsys, "screen", *at, codes=(0, 10))
    assert "T07   inspect" in board

    said(capsys, "note", "T07", "repair", *at, "--part", "rear_brake_switch", "--by", "JK",
         "--when", "2026-05-06T18:00:00Z", "--note", "wire re-routed")  # fmt: skip
    said(capsys, "screen", *at, codes=(0, 10))
    none_yet = said(capsys, "proof", "T07", *at)
    assert "no such riding since" in none_yet

    for log in later.iterdir():
        log.rename(fleet / "inbox" / log.name)
    board = said(capsys, "screen", *at, codes=(0, 10))
    text = said(capsys, "proof", "T07", *at)
    (repair,) = json.loads(said(capsys, "proof", "T07", *at, "--format", "json"))["repairs"]

    assert (repair["rides_before"], repair["rides_after"]) == (BEFORE, AFTER)
    assert repair["outcome"] in ("clean_so_far", "fixed", "too_few")
    assert repair["sentence"] in " ".join(text.split())
    assert "none in" in repair["sentence"]
    report = json.loads((fleet / "reports" / "report.json").read_text("utf-8"))["bikes"][0]
    assert report["repairs"] == [repair]
    assert report["since_repair"] in " ".join(board.split())
    page = (fleet / "reports" / "bikes" / "T07.html").read_text("utf-8")
    assert "rear brake switch, by JK" in page
    assert "wire re-routed" in page
