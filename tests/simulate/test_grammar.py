"""The grammar of defects: it can say every defect there is, and each does what it says."""

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from ridecheck.core.errors import UsageError
from ridecheck.simulate.defective import written
from ridecheck.simulate.grammar import PHYSICAL, SWITCHES, Defect, drawn, kinds
from ridecheck.simulate.library import LOGGERS, MODELS, PLANS, RIDERS
from ridecheck.simulate.ride import simulate_ride, simulate_variants
from ridecheck.simulate.spec import BikeSpec, RidePlan

PLAN = RidePlan(datetime(2026, 5, 3, 9, 0, tzinfo=UTC), PLANS["short-errand"], RIDERS["steady"])
BIKE = BikeSpec("B1", MODELS["touring-triple-five"], LOGGERS["bench-20hz"])
ROWS = 1000


def frame() -> pl.DataFrame:
    start = datetime(2026, 5, 3, tzinfo=UTC)
    return pl.DataFrame(
        {
            "time": [start + timedelta(seconds=0.05 * n) for n in range(ROWS)],
            "wheel_speed": np.linspace(50.0, 100.0, ROWS),
            "engine_speed": np.linspace(2000.0, 4000.0, ROWS),
            "front_brake": [n % 100 < 20 for n in range(ROWS)],
            "clutch": [False] * ROWS,
        }
    )


def as_written(defect: Defect, *windows: tuple[float, float]) -> pl.DataFrame:
    return written(frame(), defect, windows or ((10.0, 20.0),), np.random.default_rng(1))


def test_every_channel_has_every_kind_that_suits_it_at_the_logger():
    told = {(channel, kind) for channel, kind, side in kinds() if side == "logger"}

    assert {c for c, _ in told} == {*SWITCHES, *PHYSICAL}
    for channel in SWITCHES:
        assert {k for c, k in told if c == channel} >= {"stuck-on", "stuck-off", "lost", "inverted"}
    for channel in PHYSICAL:
        assert {k for c, k in told if c == channel} >= {
            "lost",
            "frozen",
            "scale",
            "offset",
            "noise",
        }


def test_sizes_and_lengths_spread_over_what_is_possible_and_not_around_one_value():
    rng = np.random.default_rng(2)
    made = [drawn("wheel_speed", "offset", "sensor", rng) for _ in range(2000)]
    sizes = np.log([abs(d.size) for d in made]) / math.log(100.0)
    lengths_s = np.array([d.length_s for d in made if d.length_s < math.inf])

    assert np.histogram(sizes, 10, (0.0, 1.0))[0].min() > 140
    assert np.histogram(np.log10(lengths_s), 4, (-1.7, 2.48))[0].min() > 250
    assert {d.occasion for d in made} == {"always", "cruise", "bumps", "warm", "rain"}
    assert 0.25 < np.mean([d.share == 1.0 for d in made]) < 0.35


@pytest.mark.parametrize(
    ("defect", "within"),
    [
        (Defect("front_brake", "stuck-on", "logger"), lambda v: v.all()),
        (Defect("front_brake", "stuck-off", "logger"), lambda v: not v.any()),
        (Defect("wheel_speed", "scale", "logger", 1.5), lambda v: v.min() > 88.0),
        (Defect("wheel_speed", "offset", "logger", -60.0), lambda v: v.max() < 12.0),
        (Defect("wheel_speed", "frozen", "logger"), lambda v: v.n_unique() == 1),
        (
            Defect("wheel_speed", "swapped", "logger", other="engine_speed"),
            lambda v: v.min() > 2000,
        ),
        (Defect("wheel_speed", "part-of-rows", "logger", 0.5), lambda v: 70 < v.null_count() < 130),
        (Defect("wheel_speed", "late", "logger", 2.0), lambda v: v[0] < 58.5),
        (
            Defect("front_brake", "bouncing", "logger"),
            lambda v: v.cast(int).diff().abs().sum() > 60,
        ),
        (Defect("front_brake", "inverted", "logger"), lambda v: v.sum() == 160),
    ],
    ids=lambda d: f"{d.channel} {d.kind}" if isinstance(d, Defect) else "",
)
def test_a_defect_of_the_logger_is_in_its_windows_and_nowhere_else(defect, within):
    now, was = as_written(defect)[defect.channel], frame()[defect.channel]
    rows = slice(200, 400)

    assert within(now[rows])
    assert now[:200].equals(was[:200])
    assert now[400:].equals(was[400:])


def test_the_unit_reacts_to_what_its_sensor_makes_and_not_to_what_the_log_makes_of_it():
    plan = RidePlan(PLAN.start, PLANS["proving-loop-short"], RIDERS["steady"])
    lost = {"kind": "lost", "length_s": 1.0, "share": 0.05, "occasion": "cruise"}
    sensor = Defect("wheel_speed", side="sensor", **lost)
    whole, felt = (simulate_ride(BIKE, plan, 5, defect=d) for d in (None, sensor))
    logged = simulate_ride(BIKE, plan, 5, defect=Defect("wheel_speed", side="logger", **lost))

    assert any(c.fault == "defect" and not c.commanded for c in felt.truth.cancels)
    assert logged.truth.cancels == whole.truth.cancels
    assert not logged.samples["wheel_speed"].equals(whole.samples["wheel_speed"])
    assert logged.samples["cruise_engaged"].equals(whole.samples["cruise_engaged"])


def test_defects_that_the_unit_sees_do_not_share_a_ride():
    defects = [Defect("wheel_speed", "lost", "sensor"), Defect("clutch", "stuck-on", "logger")]

    with pytest.raises(UsageError, match="cannot share a ride"):
        list(simulate_variants(BIKE, PLAN, 1, defects))
