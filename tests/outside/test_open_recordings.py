"""Real recordings of cars, made and published by others.

No brake, clutch, gear or cruise channel is in them. They show what real engine and wheel
speed look like: polled channels that refresh once a second, gaps, stepped clocks, frozen
values, a gearbox with six clear ratios, and torque converters with none.
"""

import datetime as dt
import os
import re
import shutil
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from outside.fleets import Screened, read_fleet, screen, write_fleet

from ridecheck.intake.read import take_in
from ridecheck.intake.readers import open_log
from ridecheck.signals import drivetrain
from ridecheck.signals.ride import Ride

pytestmark = pytest.mark.outside

# ------------------------------------------------- cars with torque converters (shipped)

DRIVES = Path(__file__).resolve().parents[1] / "data" / "car_gps_1hz.csv"
"""Data set nds_data of the R package DrivePlotR, MIT; see tests/data/README.md."""

DRIVE_LAYOUT = """
[file]
kind = "csv"
bike_from = "name"
bike_pattern = "^(?P<bike>D[0-9]+)_"

[columns.time]
column = "time_utc"
format = "epoch_seconds"

[columns.wheel_speed]
column = "speed_mph"
unit = "mph"

[columns.engine_speed]
column = "engine_rpm"
unit = "rpm"

[columns.throttle]
column = "engine_throttle"
unit = "%"
"""

# A gearbox these cars do not have: the program has to see that its ratios are not there.
DRIVE_MODEL = """
[drivetrain]
overall_ratios = [13.68, 7.008, 4.428, 3.084, 2.424, 2.028]
rolling_circumference_m = 2.0

[cruise]
fitted = false
"""


@pytest.fixture(scope="module")
def drives(tmp_path_factory) -> Path:
    """A fleet folder with one bike for each drive."""
    root = tmp_path_factory.mktemp("drives")
    rows = pl.read_csv(DRIVES, infer_schema_length=None)
    numbers = rows["drive"].unique().sort()
    bikes = {f"D{n}": "one" for n in numbers}
    write_fleet(root, models={"one": DRIVE_MODEL}, layout=DRIVE_LAYOUT, bikes=bikes)
    for n in numbers:
        rows.filter(pl.col("drive") == n).write_csv(root / "inbox" / f"D{n}_drive.csv")
    return root


def test_torque_converters_are_given_no_gears(drives):
    fleet = read_fleet(drives)
    given = {}
    for path in sorted((drives / "inbox").iterdir()):
        (member,) = open_log(path)
        bike = path.name.split("_")[0]
        parts = take_in(member, fleet)
        for n, part in enumerate(parts):
            gears = drivetrain.inferred_gear(
                Ride(f"{bike}-{n}", bike, [part], fleet.settings(bike))
            )
            given[f"{bike}-{n}"] = int((~np.isnan(gears)).sum())

    assert len(given) >= 11
    assert {ride: rows for ride, rows in given.items() if rows} == {}


def test_torque_converters_are_not_called_faulty(drives):
    """The one thing that may be said: the model file does not fit such a log."""
    screened = screen(drives)

    said = {b["bike"]: screened.above_note(b["bike"]) for b in screened.report["bikes"]}
    other = [
        line for lines in said.values() for line in lines if not line.startswith("data/wrong-model")
    ]
    assert len(said) == 11
    assert other == []


# --------------------------------------- a car with six gears, polled (brought by the user)

POLLED = "car-obd-polled-a"
HOW_TO_GET = (
    f"set RIDECHECK_OPEN_DATA to a folder that holds {POLLED}/trip*.parquet, made from the "
    "'Automotive OBD-II Dataset', Karlsruhe Institute of Technology, DOI 10.35097/1130"
)

# rpm for each km/h: medians of the clusters published with the copy of the data; for the
# first gear only "near 114". The circumference is ours: only their quotient counts.
RPM_PER_KMH = (114.0, 58.4, 36.9, 25.7, 20.2, 16.9)
CIRCUMFERENCE_M = 2.0
POLLED_MODEL = f"""
[drivetrain]
overall_ratios = {[round(k * 0.06 * CIRCUMFERENCE_M, 4) for k in RPM_PER_KMH]}
rolling_circumference_m = {CIRCUMFERENCE_M}
idle_rpm = 800
redline_rpm = 6500

[speed_signal]
resolution_kmh = 1.0

[cruise]
fitted = false
"""
POLLED_LAYOUT = """
[file]
kind = "parquet"
bike_from = "name"
bike_pattern = "^(?P<bike>trip[0-9]+)_"

[columns.time]
column = "Time"
format = "%H:%M:%S%.3f"

[columns.wheel_speed]
column = "Vehicle Speed Sensor [km/h]"
unit = "km/h"

[columns.engine_speed]
column = "Engine RPM [RPM]"
unit = "rpm"
"""

TAGGED = "trip14"
"""Its publisher's file name says that it holds a measurement error."""


@dataclass(frozen=True, slots=True)
class Bad:
    """A stretch of a recording that really is bad, in seconds of the day."""

    what: str
    start_s: float
    end_s: float


def bad_stretches(path: Path) -> list[Bad]:
    """Gaps, backward stamps and engine speed that stands still while speed moves.

    Worked out here from the raw columns, with nothing of the program's. Gap: over 1 s
    between rows. Frozen: above 1100 rpm (below, the engine may idle while the car rolls),
    the same engine speed for 2.5 s, more than two refreshes, in which speed moves by 3 km/h.
    """
    log = pl.read_parquet(path)
    clock_s = log["Time"].str.to_time("%H:%M:%S%.3f").cast(pl.Int64).to_numpy() / 1e9
    rpm = np.nan_to_num(log["Engine RPM [RPM]"].to_numpy(), nan=-1.0)
    speed_kmh = log["Vehicle Speed Sensor [km/h]"].to_numpy()
    step_s = np.diff(clock_s)
    found = [Bad("gap", clock_s[i], clock_s[i + 1]) for i in np.flatnonzero(step_s > 1.0)]
    found += [Bad("back", clock_s[i + 1], clock_s[i]) for i in np.flatnonzero(step_s < 0)]
    changes = np.flatnonzero((np.diff(rpm) != 0) | (step_s > 1.0)) + 1
    for first, after in zip(np.r_[0, changes], np.r_[changes, len(rpm)], strict=True):
        lasted_s = clock_s[after - 1] - clock_s[first]
        if rpm[first] > 1100 and lasted_s > 2.5 and np.ptp(speed_kmh[first:after]) >= 3:
            found.append(Bad("frozen", clock_s[first], clock_s[after - 1]))
    return found


def recordings() -> dict[str, Path]:
    """The recordings that the user has, by trip; none where RIDECHECK_OPEN_DATA is not set."""
    if "RIDECHECK_OPEN_DATA" not in os.environ:
        return {}
    folder = Path(os.environ["RIDECHECK_OPEN_DATA"]) / POLLED
    return {p.name.split("_")[0]: p for p in sorted(folder.glob("trip*.parquet"))}


def screen_trips(trips: dict[str, Path], root: Path) -> Screened:
    """All of them through `ridecheck screen`, each as a bike of its own."""
    bikes = dict.fromkeys(trips, "one")
    write_fleet(root, models={"one": POLLED_MODEL}, layout=POLLED_LAYOUT, bikes=bikes)
    for path in trips.values():
        shutil.copy(path, root / "inbox")
    return screen(root)


@pytest.fixture(scope="module")
def trips() -> dict[str, Path]:
    found = recordings()
    if not found:
        pytest.skip(HOW_TO_GET)
    return found


@pytest.fixture(scope="module")
def polled(trips, tmp_path_factory) -> Screened:
    return screen_trips(trips, tmp_path_factory.mktemp("polled"))


def seconds_of_day(instant: str) -> float:
    found = dt.datetime.fromisoformat(instant.replace("Z", "+00:00"))
    return found.hour * 3600 + found.minute * 60 + found.second + found.microsecond / 1e6


def overlaps(finding: dict[str, Any], bad: Bad, *, margin_s: float = 3.0) -> bool:
    start_s, end_s = seconds_of_day(finding["start"]), seconds_of_day(finding["end"])
    return start_s <= bad.end_s + margin_s and bad.start_s - margin_s <= end_s


def test_only_what_is_really_bad_is_reported(trips, polled):
    unfounded = [
        f"{trip}: {f['rule']} at {f['start']}: {f['message']}"
        for trip, path in trips.items()
        for f in polled.findings(trip)
        if f["severity"] != "note" and not any(overlaps(f, b) for b in bad_stretches(path))
    ]

    assert unfounded == []


def test_the_tagged_trip_is_reported_at_each_stretch_its_logger_stood_still(trips, polled):
    """There engine speed is carried over gaps of up to 73 s in which speed went on changing."""
    if TAGGED not in trips:
        pytest.skip(HOW_TO_GET)
    long = [b for b in bad_stretches(trips[TAGGED]) if b.what == "gap" and b.end_s - b.start_s > 10]
    found = polled.findings(TAGGED)

    assert len(long) >= 8
    assert [b for b in long if not any(overlaps(f, b) for f in found)] == []


@pytest.mark.parametrize(
    ("trip", "what", "rule"),
    [
        ("trip08", "gap", "data/rows-missing"),
        ("trip44", "gap", "data/rows-missing"),
        ("trip09", "back", "data/clock-steps"),
    ],
)
def test_gaps_and_clock_steps_are_found_at_their_instant(trips, polled, trip, what, rule):
    if trip not in trips:
        pytest.skip(HOW_TO_GET)
    longest = max(
        (b for b in bad_stretches(trips[trip]) if b.what == what), key=lambda b: b.end_s - b.start_s
    )
    rides = next(b for b in polled.report["bikes"] if b["bike"] == trip)["rides"]
    between_rides = [
        Bad("between", seconds_of_day(a["end"]), seconds_of_day(b["start"]))
        for a, b in pairwise(rides)
    ]
    named = [f for f in polled.findings(trip) if f["rule"] == rule and overlaps(f, longest)]

    assert named or any(abs(b.start_s - longest.start_s) < 1.0 for b in between_rides)


def test_the_gears_of_the_published_clusters_are_found(trips, tmp_path):
    """Sixth is the gear of the motorway: it must be there, and most steady seconds in some gear."""
    name, path = next((t, p) for t, p in trips.items() if re.match("trip(24|64)", t))
    write_fleet(tmp_path, models={"one": POLLED_MODEL}, layout=POLLED_LAYOUT, bikes={name: "one"})
    shutil.copy(path, tmp_path / "inbox")
    fleet = read_fleet(tmp_path)
    (member,) = open_log(tmp_path / "inbox" / path.name)
    ride = Ride(name, name, take_in(member, fleet), fleet.settings(name))

    gears = drivetrain.inferred_gear(ride)[drivetrain.steady(ride)]

    assert {2.0, 3.0, 4.0, 5.0, 6.0} <= set(gears[~np.isnan(gears)])
    assert np.isnan(gears).mean() < 0.1
