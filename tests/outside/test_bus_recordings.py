"""Two real buses, recorded by others: a motorcycle's switches on its stand, a car's cruise.

The bike: eleven bus dumps of `sruon/ktm-can` (MIT), its stand down, somebody working the
controls. The car: the example segment of comma2k19 (arXiv:1812.05752, MIT), one minute with a
cruise that keeps a distance. The presses were counted in the raw columns; neither file may
raise a danger, and nothing in them may release a bike.
"""

import csv
import gzip
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from outside.fleets import read_fleet, screen, write_fleet

from ridecheck.intake.read import take_in
from ridecheck.intake.readers import open_log
from ridecheck.setup.propose import propose

pytestmark = pytest.mark.outside

STANDING = "bike-bus-standing-d/standing.csv.gz"
MOTORWAY = "car-bus-cruise-e/cruise60s.csv.gz"
HOW_TO_GET = (
    "set RIDECHECK_OPEN_DATA to a folder that holds bike-bus-standing-d (from the dumps of "
    "sruon/ktm-can) and car-bus-cruise-e (from the example segment of comma2k19)"
)

MODEL = """
[drivetrain]
overall_ratios = [12.0, 8.0, 6.0, 5.0, 4.3, 3.8]
rolling_circumference_m = 1.98
"""
STANDING_LAYOUT = """
[file]
kind = "csv"
[columns.time]
column = "epoch"
format = "epoch_seconds"
[columns.engine_speed]
column = "rpm"
[columns.front_brake_pressure]
column = "front_brake_press"
[columns.front_brake]
column = "front_brake_sw"
[columns.rear_brake]
column = "rear_brake_sw"
[columns.clutch]
column = "clutch_lever"
[columns.switch_power]
column = "cruise_button"
"""
MOTORWAY_LAYOUT = """
[file]
kind = "csv"
[columns.time]
column = "time"
format = "seconds"
[columns.wheel_speed]
column = "SPEED"
[columns.engine_speed]
column = "RPM"
[columns.cruise_engaged]
column = "CRUISE_ACTIVE"
[columns.cruise_armed]
column = "MAIN_ON"
[columns.cruise_set_speed]
column = "SET_SPEED"
[columns.front_brake]
column = "BRAKE_PRESSED"
"""
PRESSES = {"front_brake": 4, "rear_brake": 2, "clutch": 3, "switch_power": 5}
"""Rises from 0 to 1 in the raw columns, by hand; five of the cruise button, as published."""


@pytest.fixture(scope="module")
def recording():
    """The path of a recording by its name."""
    folder = os.environ.get("RIDECHECK_OPEN_DATA")
    if folder is None or not (Path(folder) / STANDING).is_file():
        pytest.skip(HOW_TO_GET)
    return lambda name: Path(folder) / name


def fleet_of(root: Path, layout: str, log: Path) -> Path:
    """A fleet folder of one bike with this log in its inbox."""
    write_fleet(root, models={"one": MODEL}, layout=layout, bikes={"B1": "one"})
    shutil.copy(log, root / "inbox" / f"B1_{log.name}")
    return root


def read(root: Path):
    (path,) = (root / "inbox").iterdir()
    (member,) = open_log(path)
    return take_in(member, read_fleet(root))


def raw(log: Path, column: str) -> np.ndarray:
    """A column as the file has it, read by nothing of ridecheck's."""
    with gzip.open(log, "rt") as text:
        return np.array([float(row[column]) for row in csv.DictReader(text)])


def test_every_press_on_the_stand_is_read(recording, tmp_path) -> None:
    parts = read(fleet_of(tmp_path, STANDING_LAYOUT, recording(STANDING)))
    presses = {
        name: sum(
            int((np.diff(part.samples[name].cast(int).to_numpy(), prepend=0) == 1).sum())
            for part in parts
        )
        for name in PRESSES
    }

    assert sum(part.info.rows for part in parts) == 37_374
    assert presses == PRESSES


def test_what_the_bus_shows_for_no_value_is_blank(recording, tmp_path) -> None:
    parts = read(fleet_of(tmp_path, STANDING_LAYOUT, recording(STANDING)))
    blanks = sum(part.samples["front_brake_pressure"].null_count() for part in parts)

    assert int((raw(recording(STANDING), "front_brake_press") == 65520).sum()) == 21
    assert blanks == 21
    assert all(part.info.out_of_range == {} for part in parts)


def test_a_bike_on_its_stand_gets_no_opinion_and_no_danger(recording, tmp_path) -> None:
    screened = screen(fleet_of(tmp_path, STANDING_LAYOUT, recording(STANDING)))
    (bike,) = screened.report["bikes"]

    assert bike["verdict"] == "no_opinion"
    assert [f for f in bike["findings"] if f["severity"] == "danger"] == []


def test_the_draft_for_the_stand_asks_about_the_controls_it_cannot_tell(recording) -> None:
    draft = propose(recording(STANDING))
    mapped = {m.channel: m.column for m in draft.mapped}

    assert mapped["front_brake"] == "front_brake_sw"
    assert mapped["rear_brake"] == "rear_brake_sw"
    assert mapped["clutch"] == "clutch_lever"
    assert any('"cruise_button"' in question for question in draft.questions)
    assert draft.left_out == ()


def test_the_cars_engagement_is_read_and_is_no_danger(recording, tmp_path) -> None:
    root = fleet_of(tmp_path, MOTORWAY_LAYOUT, recording(MOTORWAY))
    (part,) = read(root)
    engaged = part.samples["cruise_engaged"]
    (bike,) = screen(root).report["bikes"]

    assert part.info.rows == 2995
    assert int(engaged.sum()) == 2549 == int(raw(recording(MOTORWAY), "CRUISE_ACTIVE").sum())
    assert bike["verdict"] != "release"


def test_the_draft_for_the_car_maps_its_cruise_and_leaves_no_control_out(recording) -> None:
    draft = propose(recording(MOTORWAY))
    mapped = {m.column for m in draft.mapped}
    for control in ("CRUISE_ACTIVE", "MAIN_ON", "BRAKE_PRESSED", "SET_SPEED"):
        asked = any(f'"{control}"' in question for question in draft.questions)

        assert control in mapped or asked, control
