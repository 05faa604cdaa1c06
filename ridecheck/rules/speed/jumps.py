"""Wheel speed jumps further than the bike can move.

What it checks
    A rise of wheel speed steeper than any engine makes it, in a moment and back again,
    that neither engine speed nor another speed follows. Falls are reported as a lost signal.
Why it matters
    One bad pulse is enough for a control unit to let cruise go.
What else looks like this
    A driven wheel that spins (engine speed rises with it); a wheel coming back to speed
    after it locked; a gap in the log; whole km/h refreshed once a second.
Next step
    Spark plugs and leads near the speed wire, air gap of the sensor, toothed ring.
References
    Units disengage at about 4.5 m/s2, 10 mph a second (dealer training text).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    rises: float = threshold(0.12, "", "of its value: more than noise, pulses and lean make")
    rises_kmh: float = threshold(6.0, "km/h", "at low speed a share alone is only a pulse or two")
    moving_kmh: float = threshold(10.0, "km/h", "slower, sensors read nothing")
    lasts_s: float = threshold(2.0, "s", "longer is another speed, not a jump")
    others: float = threshold(0.5, "", "of the rise: a wheel that spins takes the engine along")


@rule(
    needs=("wheel_speed", ("engine_speed", "front_wheel_speed", "gps_speed")),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=0.25,
    convict_interval_s=0.5,
    raise_when=RaiseWhen(events=3),
    falsifies=("wheel_speed",),
    asks="riding",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each jump up and back."""
    speed = ride.numbers("wheel_speed")
    yield Exposure(seconds=ride.where(speed > limits.moving_kmh).seconds)
    changes = motion.changes(ride)
    v, t_s = changes.kmh, changes.t_s
    large = np.diff(v) > np.maximum(limits.rises * v[:-1], limits.rises_kmh)
    jumps = changes.up & large & (v[:-1] > limits.moving_kmh)
    done_s = -1.0
    for i in np.flatnonzero(jumps):
        if t_s[i] < done_s:
            continue
        end = _back(v, t_s, int(i), limits)
        if end is None or _recovers(v, t_s, int(i)):
            continue
        done_s = float(t_s[end])
        span = Span(float(t_s[i + 1]), done_s)
        highest = float(v[i + 1 : end + 1].max())
        if _followed(ride, span, highest / float(v[i]) - 1.0, limits):
            continue
        yield Finding(
            span=span,
            message=f"wheel speed jumped from {v[i]:.0f} to {highest:.0f} km/h for "
            f"{max(span.length_s, ride.row_interval_s):.2f} s and nothing else did",
            measured=highest,
            limit=float(v[i] * (1.0 + limits.rises)),
            unit="km/h",
            channels=("wheel_speed",),
        )


def _back(v: np.ndarray, t_s: np.ndarray, i: int, limits: Limits) -> int | None:
    """First row after a jump at about the value before it; None where there is none soon."""
    last = int(np.searchsorted(t_s, t_s[i] + limits.lasts_s, "right"))
    near = np.flatnonzero(v[i + 1 : last] < v[i] * (1.0 + limits.rises / 2))
    return i + 1 + int(near[0]) if len(near) else None


def _recovers(v: np.ndarray, t_s: np.ndarray, i: int) -> bool:
    """Is the jump only the end of a dip: was speed as high a moment before?"""
    first = int(np.searchsorted(t_s, t_s[i] - 2.0))
    return bool(v[first : i + 1].max() > 1.08 * v[i])


def _followed(ride: Ride, span: Span, rise: float, limits: Limits) -> bool:
    """Did engine speed or another speed rise along? True also where none could show it."""
    at = ride.slice(Span(span.start_s, span.end_s + 0.3))
    seen = False
    for name in ("engine_speed", "front_wheel_speed", "gps_speed"):
        values = ride.numbers(name)[at]
        before = ride.at(name, span.start_s - 0.15)
        if not np.isfinite(values).any() or not before > 0:
            continue
        seen = True
        if float(np.nanmax(values)) / before - 1.0 > limits.others * rise:
            return True
    return not seen
