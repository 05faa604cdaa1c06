"""The coolant temperature is one that cannot be.

What it checks
    Values at either end of what sensors can say for longer than a moment while the bike
    rides, and changes faster than a few litres of coolant allow.
Why it matters
    It is a sensor or its wire, and often the ground that other sensors share. An engine
    that runs hot does not show on such a sensor.
What else looks like this
    A code for "no value" the layout does not name; a wrong offset or unit; a sensor in
    the air, not in the coolant.
Next step
    Disconnect and look at the sensor's connector; the ground point it shares. Judge the engine's
    heat by other means until then.
References
    75 to 110 degrees C warm, changes under 3 degrees a second; an open sensor reads
    about -40, a shorted one 140 and more (common practice of the trade).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Floats, Ride

CHANNEL = "coolant_temperature"


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    coldest_c: float = threshold(-35.0, "degC", "an open sensor circuit; nobody rides at that")
    hottest_c: float = threshold(140.0, "degC", "a shorted sensor; coolant under its cap boils")
    longer_than_s: float = threshold(5.0, "s", "a value or two is a lost message, not a sensor")
    fastest_c_per_s: float = threshold(3.0, "degC/s", "no engine warms or cools its coolant so")
    jump_c: float = threshold(10.0, "degC", "a thermostat that opens brings less at once")
    moving_kmh: float = threshold(10.0, "km/h", "standing in the workshop, connectors are pulled")


@rule(
    needs=(CHANNEL, "wheel_speed"),
    severity=Severity.WATCH,
    clear_s=120.0,
    clear_interval_s=10.0,
    asks="riding",
    raise_when=RaiseWhen(events=2, rides=2),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches at the ends of the range; jumps within it."""
    value = ride.numbers(CHANNEL)
    moving = motion.widened(ride, ride.numbers("wheel_speed") > limits.moving_kmh, 30.0)
    ends = moving & ((value <= limits.coldest_c) | (value >= limits.hottest_c))
    yield Exposure(seconds=ride.where(moving & np.isfinite(value)).seconds)
    stretches = ride.where(ends).at_least(limits.longer_than_s)
    for span in stretches:
        shown_c = float(np.median(value[ride.rows(span)]))
        yield _finding(
            span, f"coolant at {shown_c:.0f} degrees C for {span.length_s:.0f} s", shown_c, "degC"
        )
    for at_s, from_c, to_c in _jumps(ride, value, moving, limits):
        if not stretches.widened(1.0).holds(at_s):
            text = f"coolant went from {from_c:.0f} to {to_c:.0f} degrees C at once and stayed"
            yield _finding(Span(at_s, at_s), text, to_c - from_c, "degC")


def _jumps(
    ride: Ride, value: Floats, moving: np.ndarray, limits: Limits
) -> Iterator[tuple[float, float, float]]:
    """Changes too fast and too large that last: when, from, to."""
    known = np.flatnonzero(np.isfinite(value))
    v, t_s = value[known], ride.t_s[known]
    step_c, step_s = np.abs(np.diff(v)), np.maximum(np.diff(t_s), ride.interval_s(CHANNEL))
    fast = (step_c > limits.jump_c) & (step_c > limits.fastest_c_per_s * step_s)
    fast &= moving[known[1:]]
    for i in np.flatnonzero(fast):
        later = v[(t_s > t_s[i + 1]) & (t_s <= t_s[i + 1] + limits.longer_than_s)]
        before = v[(t_s >= t_s[i] - limits.longer_than_s) & (t_s <= t_s[i])]
        # A lost message jumps there and back: the values on either side must differ.
        lasts = len(later) > 0 and abs(np.median(later) - np.median(before)) > limits.jump_c
        if lasts:
            yield float(t_s[i + 1]), float(v[i]), float(v[i + 1])


def _finding(span: Span, message: str, measured: float, unit: str) -> Finding:
    return Finding(span=span, message=message, measured=measured, unit=unit, channels=(CHANNEL,))
