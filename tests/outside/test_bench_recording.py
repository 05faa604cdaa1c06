"""A real motorcycle's controls, worked on its stand, held against its raw columns.

The recording (public, MIT licence) is not shipped: set RIDECHECK_OPEN_DATA to a folder that holds
bike-bus-standing-d/standing.csv.gz, one row each 10 ms, the last value seen of each signal. Presses
are counted here in the raw column by its edges, with nothing of ridecheck.
"""

import gzip
import os
from pathlib import Path

import polars as pl
import pytest

from ridecheck.core.model import State
from ridecheck.signals.ride import Ride
from ridecheck.trace.bench import BenchReading, read_bench
from ridecheck.trace.parts import of_log

pytestmark = pytest.mark.outside

LAYOUT = """
[file]
kind = "csv"

[columns.time]
column = "epoch"
format = "epoch_seconds"

[columns.throttle]
column = "throttle_raw"
unit = "%"
scale = 0.392156862745098

[columns.run_switch]
column = "kill"

[columns.clutch]
column = "clutch_lever"

[columns.front_brake_pressure]
column = "front_brake_press"
missing = ["65520"]

[columns.front_brake]
column = "front_brake_sw"

[columns.rear_brake]
column = "rear_brake_sw"

[columns.switch_set]
column = "cruise_button"
"""
COLUMNS = {
    "front_brake": "front_brake_sw",
    "rear_brake": "rear_brake_sw",
    "clutch": "clutch_lever",
    "switch_set": "cruise_button",
    "run_switch": "kill",
}


def recordings() -> list[Path]:
    """The recording, where the user has it."""
    folder = os.environ.get("RIDECHECK_OPEN_DATA", "")
    path = Path(folder) / "bike-bus-standing-d" / "standing.csv.gz"
    return [path] if folder and path.exists() else []


def read(path: Path, folder: Path) -> tuple[pl.DataFrame, list[BenchReading]]:
    """The raw columns, and what the bench says of each uninterrupted stretch."""
    log, layout = folder / "A01_standing.csv", folder / "layout.toml"
    log.write_bytes(gzip.decompress(path.read_bytes()))
    layout.write_text(LAYOUT, "utf-8")
    rides = of_log(log, layout=layout)
    readings = [read_bench(Ride(r.ride, r.bike, r.parts, r.settings)) for r in rides]
    return pl.read_csv(log), readings


def presses(raw: pl.DataFrame, column: str) -> list[float]:
    """Lengths of the stretches of 1 in a column, in seconds; a pause in the rows ends one."""
    found, start, last = [], None, None
    for epoch, value in zip(raw["epoch"].to_list(), raw[column].to_list(), strict=True):
        paused = last is not None and epoch - last > 1.0
        if start is not None and (value == 0 or paused):
            found.append((last if paused else epoch) - start)
            start = None
        if value == 1 and start is None:
            start = epoch
        last = epoch
    return found


@pytest.mark.parametrize("path", recordings(), ids=lambda p: p.parent.name)
def test_every_press_is_found_with_its_length_and_no_fault_is_said(path, tmp_path):
    raw, readings = read(path, tmp_path)

    for channel, column in COLUMNS.items():
        counted = presses(raw, column)
        controls = [c for r in readings for c in r.controls if c.channel == channel]
        lengths = [s.length_s for c in controls for s in c.on]

        assert sum(c.uses for c in controls) == len(counted), channel
        assert sorted(lengths) == pytest.approx(sorted(counted), abs=0.011), channel
        assert all(c.faults == () for c in controls), channel


@pytest.mark.parametrize("path", recordings(), ids=lambda p: p.parent.name)
def test_the_lever_switch_closes_early_in_the_pull_and_no_hand_press_is_called_a_contact(
    path, tmp_path
):
    _, readings = read(path, tmp_path)
    by_channel = {c.channel: c for r in readings for c in r.controls if c.uses}
    closes = {f.kind: f.value for f in by_channel["front_brake"].facts}["closes_at"]

    assert 0.0 < closes < 0.25
    assert 0.2 < by_channel["switch_set"].shortest_s < 0.36
    assert {c.state for c in by_channel.values()} <= {State.OK, State.NOT_ASSESSED}
