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

FIRST_S = 4.0
"""After engaging, speed finds to its set value: that is no swing."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    swing_kmh: float = threshold(
        4.0, "km/h", "crest to trough: twice the hold band of a level road"
    )
    shortest_s: float = threshold(4.0, "s", "faster is no bike's motion but the signal's")
    longest_s: float = threshold(40.0, "s", "slower is the road")
    cycles: float = threshold(4.0, "swings", "hills seldom come four in step")
    share: float = threshold(0.6, "", "of the periods must keep time")
    regular: float = threshold(
        0.35, "", "spread of the periods over their middle; hills spread more"
    )


@rule(
    needs=("cruise_engaged", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=180.0,
    clear_interval_s=1.0,
    raise_when=RaiseWhen(events=2, rides=2),
    cruise_only=True,
    asks="settled holding",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding a ride at most: swings of all its holds that keep time."""
    periods_s: list[float] = []
    swings_kmh: list[float] = []
    spans: list[Span] = []
    for engagement in _held(ride):
        yield Exposure(seconds=engagement.length_s)
        at_s, swings = _crests(ride, engagement, limits)
        if len(at_s) > 1:
            periods_s += np.diff(at_s).tolist()
            swings_kmh += swings
            spans.append(Span(float(at_s[0]), float(at_s[-1])))
    if len(periods_s) < limits.cycles:
        return
    middle_s = float(np.median(periods_s))
    in_step = np.abs(np.array(periods_s) - middle_s) <= limits.regular * middle_s
    if in_step.sum() < max(limits.cycles, limits.share * len(periods_s)):
        return
    if not limits.shortest_s <= middle_s <= limits.longest_s:
        return
    longest = max(spans, key=lambda s: s.length_s)
    yield Finding(
        span=longest,
        message=f"speed swung by {float(np.median(swings_kmh)):.1f} km/h every {middle_s:.0f} s, "
        f"{int(in_step.sum())} times in {len(spans)} holds{_throttle(ride, longest)}",
        measured=float(np.median(swings_kmh)),
        limit=limits.swing_kmh,
        unit="km/h",
        channels=("cruise_engaged",),
    )


def _held(ride: Ride) -> list[Span]:
    """Stretches on which cruise alone was at work, the first seconds left out."""
    found: list[Span] = []
    for phase in cruise.phases(ride):
        if phase.kind not in ("hold", "settling"):
            continue
        if found and abs(found[-1].end_s - phase.span.start_s) < 1e-6:
            found[-1] = Span(found[-1].start_s, phase.span.end_s)
        else:
            found.append(Span(phase.span.start_s + FIRST_S, phase.span.end_s))
    return [s for s in found if s.length_s > 0]


def _crests(ride: Ride, span: Span, limits: Limits) -> tuple[np.ndarray, list[float]]:
    """Instants of crests within a hold, and the swing down from each.

    A crest counts when speed has fallen by the swing after it and risen by it before.
    """
    at = ride.slice(span)
    t_s, v = ride.t_s[at], ride.numbers("wheel_speed")[at]
    known = np.isfinite(v)
    crests_s: list[float] = []
    swings: list[float] = []
    if not known.any():
        return np.array(crests_s), swings
    high = low = float(v[known][0])
    high_s, rising, risen = float(t_s[known][0]), True, False
    for now_s, value in zip(t_s[known].tolist(), v[known].tolist(), strict=True):
        if rising:
            if value > high:
                high, high_s = value, now_s
                risen = risen or value - low >= limits.swing_kmh
            elif high - value >= limits.swing_kmh:
                if risen:
                    crests_s.append(high_s)
                    swings.append(high - low)
                rising, low, risen = False, value, False
        elif value < low:
            low = value
        elif value - low >= limits.swing_kmh:
            rising, high, high_s, risen = True, value, now_s, True
    return np.array(crests_s), swings


def _throttle(ride: Ride, span: Span) -> str:
    """Whether the throttle swings along, in words; "" where it is not logged."""
    throttle = ride.numbers("throttle")[ride.slice(span)]
    if not np.isfinite(throttle).any():
        return "; the throttle is not logged"
    swing = float(np.nanquantile(throttle, 0.95) - np.nanquantile(throttle, 0.05))
    return f"; the throttle swung by {swing:.0f} %"
