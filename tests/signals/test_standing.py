"""A log is called standing only where nothing speaks for riding."""

from dataclasses import replace

import polars as pl
import pytest

from ridecheck.core.model import ChannelFacts, Drivetrain, Part, Settings
from ridecheck.signals.ride import Ride
from ridecheck.signals.standing import stands
from ridecheck.simulate.standing import standing_log

SETTINGS = Settings(model="tourer", drivetrain=Drivetrain((5.0, 4.0), 2.0, idle_rpm=1000.0))


def ride(**columns: float) -> Ride:
    part = standing_log(rate_hz=10.0, seed=(7, 7)).part
    samples = part.samples.with_columns(**{n: pl.lit(v) for n, v in columns.items()})
    facts = dict(part.info.channels)
    facts |= {n: ChannelFacts(interval_s=0.1, present=1.0) for n in columns}
    return Ride("r", "B", [Part(replace(part.info, channels=facts), samples)], SETTINGS)


def test_a_bench_log_stands():
    assert stands(ride())
    assert stands(ride(engine_speed=1000.0)), "idling on its stand"


@pytest.mark.parametrize(
    "columns",
    [
        {"wheel_speed": 30.0},
        {"cruise_engaged": True},
        {"gps_speed": 60.0},
        {"front_wheel_speed": 60.0},
        {"engine_speed": 4000.0},
        {"engine_speed": 1000.0, "gear": 3, "clutch": False},
    ],
)
def test_anything_that_speaks_for_riding_makes_it_a_ride(columns):
    """A dead speed sensor looks like standing: the engine, another speed or cruise says so."""
    assert not stands(ride(**columns))
