"""Wheel speed and speed over ground differ.

What it checks
    Over steady straight riding, wheel speed against GPS speed: the middle of the
    quotient, against what the model says its signal reads high by. Where the model file
    says nothing of it, only what no instrument may show: less than the true speed, or
    more than a tenth and 4 km/h above it.
Why it matters
    Cruise holds the wrong true speed; together with engine speed it separates a tyre from a
    sprocket from a setting.
What else looks like this
    An instrument that reads high, as it may; a lost fix, held or extrapolated by the
    receiver; acceleration, which GPS shows late.
Next step
    Tyre size, wear and pressure; the speed setting after a change of tyre or sprocket.
References
    Speedometers read 0 to 10 % + 4 km/h high, never low (UN Regulation No. 39, 5.3).
    GPS lag of half a second at 1 m/s2 is 1.8 km/h (arithmetic).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span, Unjudged
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Ride

READINGS = {
    "driven_wheel": "a tyre of another size or wear, its pressure, or the speed setting",
    "gearbox_output": "a tyre, a changed sprocket, or the speed setting",
    "front_wheel": "the front tyre's size, wear or pressure, or the speed setting",
    "unknown": "a tyre or the speed setting; where speed is taken from the gearbox a sprocket "
    "too (where it is taken from is not stated)",
}


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    differ: float = threshold(
        4.0, "%", "wear, load and pressure move a tyre by up to 3 %, steps and GPS by 1 %"
    )
    moving_kmh: float = threshold(40.0, "km/h", "slower, GPS noise is a large share")
    high: float = threshold(
        10.0, "%", "an instrument nobody measured may show that much more, and high_kmh beside"
    )
    high_kmh: float = threshold(4.0, "km/h", "the regulation's allowance beside the tenth")
    steady_ms2: float = threshold(0.3, "m/s2", "GPS is late by up to a second")
    least_s: float = threshold(60.0, "s", "a middle settles within a minute")


@rule(
    needs=("wheel_speed", "gps_speed"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=1.5,
    raise_when=RaiseWhen(events=2, rides=2),
    asks="steady riding with a GPS fix",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding a ride at most: the middle difference."""
    speed, gps = ride.numbers("wheel_speed"), ride.numbers("gps_speed")
    with np.errstate(invalid="ignore", divide="ignore"):
        rows = (
            (speed > limits.moving_kmh)
            & (gps > limits.moving_kmh)
            & (np.abs(motion.acceleration(ride)) < limits.steady_ms2)
            & ~(np.abs(ride.numbers("lean_angle")) > 15.0)
            & _alive(ride, gps)
        )
        percent = 100.0 * (speed / gps - 1.0)
    seconds = ride.where(rows).seconds
    yield Exposure(seconds=seconds)
    if seconds < limits.least_s:
        return
    middle = float(np.median(percent[rows])) - ride.settings.speed_signal.reads_high_percent
    spread = float(np.quantile(percent[rows], 0.75) - np.quantile(percent[rows], 0.25))
    if abs(middle) <= limits.differ or spread >= limits.differ:
        return
    may_read_high = limits.high + 100.0 * limits.high_kmh / float(np.median(gps[rows]))
    if not ride.settings.speed_signal.reading_stated and 0.0 < middle <= may_read_high:
        yield Unjudged(
            Span(0.0, ride.duration_s),
            f"wheel speed reads {middle:+.1f} % against GPS, as an instrument may; the model file "
            "does not say by how much its signal reads high",
        )
    else:
        yield Finding(
            span=Span(0.0, ride.duration_s),
            message=f"wheel speed reads {middle:+.1f} % against GPS over {seconds:.0f} s of steady "
            f"riding; {limits.differ:.0f} % is allowed. It can be "
            f"{READINGS[ride.settings.speed_signal.taken_from]}",
            measured=middle,
            limit=limits.differ,
            unit="%",
            channels=("wheel_speed",),
        )


def _alive(ride: Ride, gps: np.ndarray) -> np.ndarray:
    """Rows on which GPS speed is not held: it changed within the last few refreshes."""
    changed = np.concatenate(([True], gps[1:] != gps[:-1]))
    last = np.maximum.accumulate(np.where(changed, np.arange(len(gps)), 0))
    hold_s = 3.0 * max(ride.interval_s("gps_speed"), ride.row_interval_s)
    return np.asarray(ride.t_s - ride.t_s[last] <= hold_s)
