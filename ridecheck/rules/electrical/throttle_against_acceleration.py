"""The throttle reads closed and the bike gains speed.

What it checks
    Stretches with the throttle at its closed reading, in gear, in which the bike speeds
    up by more than a slope explains: the logged altitude's slope, else a steep one.
Why it matters
    The throttle channel is not what drives the engine: an offset, a frozen value, a
    plate that hangs. What is judged by the throttle is then worth little.
What else looks like this
    A long steep downhill; a neutral or a pulled clutch, which are left out; a throttle
    channel refreshed slowly.
Next step
    Standing, engine off: move the grip and watch the channel from stop to stop.
References
    A slope of 8 % gives 0.78 m/s2, less what engine and air take (arithmetic).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import motion
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.ride import Floats, Ride

GRAVITY_MS2 = 9.81


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    gain_ms2: float = threshold(
        1.2, "m/s2", "a downhill of 15 % less what a closed throttle and the air take"
    )
    beyond_slope_ms2: float = threshold(
        0.6, "m/s2", "where altitude is logged: its own error beside what the engine takes"
    )
    closed: float = shared(Definitions, "throttle_closed")
    opened: float = threshold(8.0, "%", "between its extremes, or its closed reading is unknown")
    longer_than_s: float = threshold(2.5, "s", "longer than any channel lags and a bump lasts")
    moving_kmh: float = threshold(20.0, "km/h", "slower, a clutch may be slipping the bike off")


@rule(
    needs=("throttle", "wheel_speed"),
    severity=Severity.NOTE,
    clear_s=15.0,
    clear_interval_s=0.5,
    convict_interval_s=1.0,
    asks="riding with the throttle closed",
    raise_when=RaiseWhen(events=1_000_000),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches with the throttle closed and the bike gaining speed."""
    throttle = ride.numbers("throttle")
    lowest, widest = np.nanquantile(throttle, (0.01, 0.99))
    if widest - lowest < limits.opened:
        return  # held still all the way: nothing shows which reading is closed
    closed = (throttle <= lowest + limits.closed) & (
        ride.numbers("wheel_speed") > limits.moving_kmh
    )
    closed &= ~motion.widened(ride, ride.numbers("clutch") == 1, 1.0)
    closed &= ~(ride.numbers("gear") == 0)
    yield Exposure(seconds=ride.where(closed).seconds)
    window_s = max(limits.longer_than_s, 3.0 * ride.interval_s("wheel_speed"))
    gain_ms2 = motion.slope(ride, ride.numbers("wheel_speed"), window_s) / motion.KMH_PER_MS
    allowed_ms2 = _allowed(ride, limits, window_s)
    gains = closed & (gain_ms2 > allowed_ms2)
    lag_s = ride.interval_s("throttle") + ride.interval_s("wheel_speed")
    for span in ride.where(gains).longer_than(window_s + lag_s):
        gained = float(np.nanmean(gain_ms2[ride.slice(span)]))
        yield Finding(
            span=span,
            message=f"speed rose by {gained:.1f} m/s2 for {span.length_s:.1f} s with the throttle "
            f"reading {np.nanmedian(throttle[ride.slice(span)]):.0f} %",
            measured=gained,
            limit=float(np.nanmedian(allowed_ms2[ride.slice(span)])),
            unit="m/s2",
            channels=("throttle",),
        )


def _allowed(ride: Ride, limits: Limits, window_s: float) -> Floats:
    """Gain that a slope explains, (n,), and what one step of speed feigns."""
    feigned_ms2 = motion.uncertainty_ms2(ride, "wheel_speed", window_s)
    flat = np.full(len(ride.t_s), limits.gain_ms2 + feigned_ms2)
    if not ride.has("altitude"):
        return flat
    climb_ms = motion.slope(ride, ride.numbers("altitude"), 10.0)
    speed_ms = np.maximum(ride.numbers("wheel_speed") / motion.KMH_PER_MS, 1.0)
    downhill_ms2 = np.maximum(-GRAVITY_MS2 * climb_ms / speed_ms, 0.0)
    known = limits.beyond_slope_ms2 + feigned_ms2 + downhill_ms2
    return np.where(np.isfinite(known), known, flat)
