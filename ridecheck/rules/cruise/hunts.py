"""Speed swings to and fro while cruise holds.

What it checks
    Swings of speed about its own mean while cruise holds: how deep, how long from crest
    to crest, how many in a row.
Why it matters
    Cable slack, a sticking cable or a gain too high for the bike; tiring to ride and
    hard on the drive.
What else looks like this
    Rolling hills and gusts: they do not keep time, and the throttle swings against
    them; overriding with the grip, which is left out.
Next step
    Slack and friction of the actuator's cable; gain setting of an add-on unit.
References
    Limit cycle of a slack servo about 3 mph either way; one system swung +7 mph over
    20 s, then -5 mph at once (trade texts). Speed limiters: within 4 % or 2 km/h (UN
    Regulation No. 89, figure from memory).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cruise
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    swing_kmh: float = threshold(
        4.0, "km/h", "crest to trough: twice the hold band of a level road"
    )
    shortest_s: float = threshold(4.0, "s", "faster is no bike's motion but the signal's")
    longest_s: float = threshold(40.0, "s", "slower is the road")
    cycles: float = threshold(4.0, "swings", "hills seldom come four in step")
    regular: float = threshold(
        0.35, "", "spread of the periods over their middle; hills spread more"
    )


@rule(
    needs=("cruise_engaged", "wheel_speed"),
    severity=Severity.WATCH,
    clear_s=180.0,
    clear_interval_s=1.0,
    raise_when=RaiseWhen(events=3),
    cruise_only=True,
    asks="settled holding",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each hold that swings in step."""
    for phase in cruise.phases(ride):
        if phase.kind != "hold":
            continue
        yield Exposure(seconds=phase.span.length_s)
        crests = _crests(ride, phase.span, limits)
        if crests is None:
            continue
        at_s, swing_kmh = crests
        period_s = float(np.median(np.diff(at_s)))
        yield Finding(
            span=Span(float(at_s[0]), float(at_s[-1])),
            message=f"speed swung by {swing_kmh:.1f} km/h every {period_s:.0f} s, "
            f"{len(at_s) - 1} times in a row, while cruise held{_throttle(ride, at_s)}",
            measured=swing_kmh,
            limit=limits.swing_kmh,
            unit="km/h",
            channels=("cruise_engaged",),
        )


def _crests(ride: Ride, span: Span, limits: Limits) -> tuple[np.ndarray, float] | None:
    """Instants of regular crests within a hold, and the middle swing; None where none.

    A crest counts when speed has fallen by the swing after it and risen by it before.
    """
    at = ride.slice(span)
    t_s, v = ride.t_s[at], ride.numbers("wheel_speed")[at]
    known = np.isfinite(v)
    if known.sum() < 20 or span.length_s < limits.cycles * limits.shortest_s:
        return None
    crests_s, swings = [], []
    high = low = float(v[known][0])
    high_s, rising = float(t_s[known][0]), True
    for now_s, value in zip(t_s[known], v[known], strict=True):
        if rising:
            if value > high:
                high, high_s = float(value), float(now_s)
            elif high - value >= limits.swing_kmh:
                crests_s.append(high_s)
                swings.append(high - low)
                rising, low = False, float(value)
        elif value < low:
            low = float(value)
        elif value - low >= limits.swing_kmh:
            rising, high, high_s = True, float(value), float(now_s)
    at_s = np.array(crests_s[1:])  # the first may be the end of settling
    if len(at_s) < limits.cycles:
        return None
    periods_s = np.diff(at_s)
    middle_s = float(np.median(periods_s))
    regular = float(np.std(periods_s)) <= limits.regular * middle_s
    if not regular or not limits.shortest_s <= middle_s <= limits.longest_s:
        return None
    return at_s, float(np.median(swings[1:]))


def _throttle(ride: Ride, at_s: np.ndarray) -> str:
    """Whether the throttle swings along, in words; "" where it is not logged."""
    throttle = ride.numbers("throttle")[ride.slice(Span(float(at_s[0]), float(at_s[-1])))]
    if not np.isfinite(throttle).any():
        return "; the throttle is not logged"
    swing = float(np.nanquantile(throttle, 0.95) - np.nanquantile(throttle, 0.05))
    return f"; the throttle swung by {swing:.0f} %"
