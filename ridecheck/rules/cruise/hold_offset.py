"""Cruise holds another speed than the one it was set to.

What it checks
    The middle of speed less set speed over all settled holding of the ride, against the
    model's hold tolerance widened by the steps of both channels. The first 10 s after
    engaging, setting or overriding are left out.
Why it matters
    A constant difference is a scale (tyre, instrument); a lasting shortfall is a weak
    actuator.
What else looks like this
    Hills and wind, which average out over enough holding; a set speed shown by an
    instrument that reads high, which differs by the same per cent at every speed.
Next step
    Compare speed with GPS on a level road at the speed cruise was set to.
References
    One maker's module holds within 2 km/h on a flat level road (dealer training text).
    Speedometer: 0 to 10 % + 4 km/h high (UN Regulation No. 39, 5.3).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cruise, motion
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    hold_tolerance_kmh: float = threshold(
        2.0, "km/h", "mean error on a level road", model="cruise.hold_tolerance_kmh"
    )
    least_s: float = threshold(
        60.0, "s", "shorter holding can lie on one hill; a ride's mean needs a minute at least"
    )
    hill_percent: float = threshold(
        2.0, "%", "gradient above which holding is left out, where altitude is logged"
    )


@rule(
    needs=("cruise_engaged", "cruise_set_speed", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=1.5,
    raise_when=RaiseWhen(events=2, rides=2),
    cruise_only=True,
    asks="settled holding on a level road",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding a ride at most: the middle error of all holding."""
    holds = [p.span for p in cruise.phases(ride) if p.kind == "hold"]
    rows = np.zeros(len(ride.t_s), dtype=bool)
    for span in holds:
        rows[ride.slice(Span(span.start_s, span.end_s - 1e-6))] = True
    error_kmh = ride.numbers("wheel_speed") - ride.numbers("cruise_set_speed")
    rows &= np.isfinite(error_kmh) & _level(ride, limits.hill_percent)
    held_s = float(motion.row_seconds(ride)[rows].sum())
    yield Exposure(seconds=held_s)
    if held_s < limits.least_s:
        return
    middle_kmh = float(np.median(error_kmh[rows]))
    allowed_kmh = limits.hold_tolerance_kmh + 0.5 * (
        motion.step_kmh(ride, "wheel_speed") + ride.channels["cruise_set_speed"].step
    )
    if abs(middle_kmh) > allowed_kmh:
        set_kmh = float(np.median(ride.numbers("cruise_set_speed")[rows]))
        yield Finding(
            span=Span(holds[0].start_s, holds[-1].end_s),
            message=f"cruise held {abs(middle_kmh):.1f} km/h "
            f"{'above' if middle_kmh > 0 else 'below'} the set {set_kmh:.0f} km/h over "
            f"{held_s:.0f} s of holding; {allowed_kmh:.1f} km/h is allowed",
            measured=middle_kmh,
            limit=allowed_kmh,
            unit="km/h",
            channels=("wheel_speed", "cruise_set_speed"),
        )


def _level(ride: Ride, hill_percent: float) -> np.ndarray:
    """Rows on a level road as far as altitude tells; all rows where it is not logged."""
    if not ride.has("altitude"):
        return np.ones(len(ride.t_s), dtype=bool)
    climb_ms = motion.slope(ride, ride.numbers("altitude"), 10.0)
    speed_ms = np.maximum(ride.numbers("wheel_speed") / motion.KMH_PER_MS, 1.0)
    return ~(np.abs(climb_ms) / speed_ms * 100.0 > hill_percent)
