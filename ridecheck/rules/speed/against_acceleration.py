"""Measured acceleration and wheel speed show different motions.

What it checks
    Over windows of two seconds, the change of wheel speed against the measured
    acceleration less its slow part (slope, a sensor not level). It counts where
    acceleration shows clear speeding up or slowing and wheel speed hardly moves.
Why it matters
    The speed signal stands still, or follows late, while the bike does not: cruise, and
    all that is judged by speed, then works with a false figure.
What else looks like this
    A ramp up or down, or the bike's pitching under the brakes, which the limit allows for;
    a wheel that spins or locks, where speed moves more, not less, which is left out; an
    acceleration channel of the wrong axis, sign or unit, which is reported as such.
Next step
    Connector and cable of the speed sensor. First see that the layout maps the right axis.
References
    A slope of 8 % adds 0.78 m/s2 (arithmetic); braking pitches a motorcycle by some
    degrees, 0.2 to 0.5 m/s2 (common practice).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from ridecheck.core.model import Exposure, Finding, Severity, Span, Unjudged
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Floats, Ride

WINDOW_S = 2.0
SLOW_PART_S = 30.0


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    difference_ms2: float = threshold(
        1.5, "m/s2", "vibration and pitch 0.5, a ramp of 8 to 10 % begun within the window 1.0"
    )
    hardly: float = threshold(
        0.4, "", "of the measured change at most: a wheel that slips moves more, not less"
    )
    longer_than_s: float = threshold(1.0, "s", "a late refresh is over by then")
    moving_kmh: float = threshold(15.0, "km/h", "slower, sensors read nothing and riders paddle")
    same_scale: float = threshold(
        0.4, "", "of scale 1: axis, sign and unit of the acceleration fit; else nothing is judged"
    )


@rule(
    needs=("acceleration", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=0.2,
    convict_interval_s=0.25,
    asks="riding with speed and acceleration",
    raise_when=RaiseWhen(events=3),
    falsifies=("wheel_speed",),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches in which speed stands still and the bike does not."""
    from_speed = motion.slope(ride, ride.numbers("wheel_speed"), WINDOW_S) / motion.KMH_PER_MS
    measured = _less_slow_part(ride, _mean(ride), from_speed)
    scale = _scale(from_speed, measured)
    if np.isfinite(scale) and abs(scale - 1.0) > limits.same_scale:
        text = f"measured acceleration is {scale:.2f} times that of speed: axis, sign or unit"
        yield Unjudged(Span(0.0, ride.duration_s), text)
        return
    moving = ride.numbers("wheel_speed") > limits.moving_kmh
    judged = moving & np.isfinite(measured) & np.isfinite(from_speed)
    yield Exposure(seconds=ride.where(judged).seconds if np.isfinite(scale) else 0.0)
    yield from _findings(ride, judged, measured, from_speed, limits)


def _findings(
    ride: Ride, judged: np.ndarray, measured: Floats, from_speed: Floats, limits: Limits
) -> Iterator[Finding]:
    feigned_ms2 = motion.uncertainty_ms2(ride, "wheel_speed", WINDOW_S)
    limit_ms2 = limits.difference_ms2 + 2.0 * feigned_ms2
    stands = judged & (np.abs(measured - from_speed) > limit_ms2)
    stands &= from_speed * np.sign(measured) < limits.hardly * np.abs(measured)
    stands &= np.abs(from_speed) < np.abs(measured)
    longer_s = limits.longer_than_s + ride.interval_s("wheel_speed")
    for span in ride.where(stands, bridge_s=0.3).at_least(longer_s):
        rows = ride.slice(span)
        shown, real = float(np.nanmean(from_speed[rows])), float(np.nanmean(measured[rows]))
        yield Finding(
            span=span,
            message=f"wheel speed changed by {shown:.1f} m/s2 for {span.length_s:.1f} s at "
            f"{ride.at('wheel_speed', span.start_s):.0f} km/h while the measured acceleration "
            f"is {real:.1f} m/s2",
            measured=real - shown,
            limit=limit_ms2,
            unit="m/s2",
            channels=("wheel_speed",),
        )


def _mean(ride: Ride) -> Floats:
    """Measured acceleration as a mean over the window, (n,)."""
    rows = max(1, round(WINDOW_S / ride.row_interval_s))
    series = pl.Series(ride.numbers("acceleration")).fill_nan(None)
    return series.rolling_mean(rows, min_samples=rows, center=True).to_numpy().astype(float)


def _less_slow_part(ride: Ride, measured: Floats, from_speed: Floats) -> Floats:
    """Measured acceleration less the median of its difference from speed's, (n,)."""
    rows = max(3, round(SLOW_PART_S / ride.row_interval_s))
    difference = pl.Series(measured - from_speed).fill_nan(None)
    slow = difference.rolling_median(rows, min_samples=rows // 3, center=True)
    return np.asarray(measured - slow.to_numpy().astype(float))


def _scale(from_speed: Floats, measured: Floats) -> float:
    """Measured over derived acceleration, by the rows of clear change; NaN with too few."""
    clear = (np.abs(from_speed) > 0.8) & np.isfinite(measured)
    if clear.sum() < 20:
        return float("nan")
    return float(np.median(measured[clear] / from_speed[clear]))
