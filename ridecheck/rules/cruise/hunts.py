"""Speed swings to and fro while cruise holds.

What it checks
    Swings of speed from crest to trough and back while cruise holds: how deep, how long,
    how many. Where the throttle is logged it must drive them: it swings along, and speed
    rises while it is open. Where it is not, deeper swings that keep time.
Why it matters
    Cable slack, a sticking cable or a gain too high for the bike; tiring to ride and
    hard on the drive.
What else looks like this
    Rolling hills and gusts: they do not keep time, and the throttle works against them;
    overriding with the grip, which is left out.
Next step
    Slack and friction of the actuator's cable; gain setting of an add-on unit.
References
    Limit cycle of a slack servo about 3 mph either way; one system swung +7 mph over
    20 s, then -5 mph at once (trade texts). Speed limiters: within 4 % or 2 km/h (UN
    Regulation No. 89, figure from memory).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cruise, motion
from ridecheck.signals.ride import Ride

Floats = NDArray[np.float64]

FIRST_S = 4.0
"""After engaging, speed finds to its set value: that is no swing."""

LAST_S = 1.6
"""Before a cancel a brake may be on already."""

GRID_S = 0.5
"""Means over half a second: steps and noise are smoothed, a swing of four seconds is not."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    driven_kmh: float = threshold(
        3.0, "km/h", "crest to trough, driven by the throttle: beyond the hold band"
    )
    swing_kmh: float = threshold(
        4.0, "km/h", "crest to trough, throttle not logged: twice the hold band of a level road"
    )
    shortest_s: float = threshold(4.0, "s", "faster is no bike's motion but the signal's")
    longest_s: float = threshold(40.0, "s", "slower is the road")
    halves: float = threshold(
        4.0, "half swings", "two whole swings that the throttle drives are no road"
    )
    cycles: float = threshold(
        4.0, "swings", "hills seldom come four in step, where no throttle is logged"
    )
    share: float = threshold(0.6, "", "of the half swings must keep time")
    regular: float = threshold(
        0.35, "", "spread of the half swings over their middle; hills spread more"
    )
    together: float = threshold(
        0.8,
        "",
        "correlation of throttle and acceleration; on hills a throttle that works "
        "against them stays under 0.7",
    )
    throttle_swing: float = threshold(3.0, "%", "less cannot move a touring bike by 3 km/h")


@dataclass(frozen=True, slots=True)
class Swinging:
    """A hold's half swings: from the first turning point to the last."""

    span: Span
    halves_s: tuple[float, ...]
    swings_kmh: tuple[float, ...]
    throttle_percent: float


@rule(
    needs=("cruise_engaged", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=180.0,
    clear_interval_s=1.0,
    raise_when=RaiseWhen(events=2),
    cruise_only=True,
    asks="settled holding",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding for every few swings of a hold, where those of the ride keep time."""
    by_throttle = ride.has("throttle")
    least = int(limits.halves if by_throttle else 2.0 * limits.cycles)
    found: list[Swinging] = []
    for span in _held(ride):
        yield Exposure(seconds=span.length_s)
        swinging = _swings(ride, span, limits, by_throttle=by_throttle)
        if swinging is not None:
            found.append(swinging)
    halves_s = np.array([half_s for one in found for half_s in one.halves_s])
    if len(halves_s) < least:
        return
    middle_s = float(np.median(halves_s))
    in_step = int((np.abs(halves_s - middle_s) <= limits.regular * middle_s).sum())
    if in_step < max(least, limits.share * len(halves_s)):
        return
    if not limits.shortest_s <= 2.0 * middle_s <= limits.longest_s:
        return
    for one in found:
        yield from _told(one, middle_s, len(halves_s), len(found), limits, least=least)


def _told(
    one: Swinging, middle_s: float, halves: int, holds: int, limits: Limits, *, least: int
) -> Iterator[Finding]:
    """A finding for every `least` half swings of one hold, and one at least."""
    count = max(1, len(one.halves_s) // least)
    edges_s = np.linspace(one.span.start_s, one.span.end_s, count + 1).tolist()
    along = "the throttle is not logged"
    if not np.isnan(one.throttle_percent):
        along = f"the throttle swung by {one.throttle_percent:.0f} % and drove it"
    for start_s, end_s in pairwise(edges_s):
        yield Finding(
            span=Span(start_s, end_s),
            message=f"speed swung by {float(np.median(one.swings_kmh)):.1f} km/h every "
            f"{2.0 * middle_s:.0f} s, {halves / 2:g} times in {holds} "
            f"hold{'' if holds == 1 else 's'}; {along}",
            measured=float(np.median(one.swings_kmh)),
            limit=limits.swing_kmh if np.isnan(one.throttle_percent) else limits.driven_kmh,
            unit="km/h",
            channels=("cruise_engaged",),
        )


def _held(ride: Ride) -> list[Span]:
    """Stretches on which cruise alone was at work, the first and last seconds left out."""
    alone = cruise.during(ride, "hold", "settling").longer_than(FIRST_S + LAST_S)
    return [Span(s.start_s + FIRST_S, s.end_s - LAST_S) for s in alone]


def _swings(ride: Ride, span: Span, limits: Limits, *, by_throttle: bool) -> Swinging | None:
    """The half swings of a hold; None where there are none or the throttle does not drive them.

    The first turning point is where speed was as the hold began: what leads up to the
    second may be the end of settling, and is no half swing.
    """
    at_s, speed, throttle = _means(ride, span)
    least_kmh = limits.driven_kmh if by_throttle else limits.swing_kmh
    least_kmh += 0.5 * motion.step_kmh(ride, "wheel_speed")
    turns = _turning_points(speed, least_kmh)[1:]
    if len(turns) < 2:
        return None
    swung = float("nan")
    if by_throttle:
        if not _driven(at_s, speed, throttle, limits):
            return None
        swung = float(np.nanquantile(throttle, 0.95) - np.nanquantile(throttle, 0.05))
    return Swinging(
        Span(float(at_s[turns[0]]), float(at_s[turns[-1]])),
        tuple(np.diff(at_s[turns]).tolist()),
        tuple(np.abs(np.diff(speed[turns])).tolist()),
        swung,
    )


def _means(ride: Ride, span: Span) -> tuple[Floats, Floats, Floats]:
    """Time, speed and throttle of a hold as means over GRID_S; rows without speed left out."""
    speed, throttle = ride.numbers("wheel_speed"), ride.numbers("throttle")
    cell, means = motion.cell_means(ride, span, GRID_S, np.isfinite(speed), speed, throttle)
    return span.start_s + (cell + 0.5) * GRID_S, means[0], means[1]


def _turning_points(speed: Floats, swing_kmh: float) -> list[int]:
    """Places of crests and troughs in turn, each at least a swing from the one before."""
    if not len(speed):
        return []
    turns: list[int] = []
    high = low = 0
    direction = 0
    for i, value in enumerate(speed.tolist()):
        if direction >= 0 and value > speed[high]:
            high = i
        if direction <= 0 and value < speed[low]:
            low = i
        if direction >= 0 and speed[high] - value >= swing_kmh:
            turns.append(high)
            direction, low = -1, i
        elif direction <= 0 and value - speed[low] >= swing_kmh:
            turns.append(low)
            direction, high = 1, i
    return turns


def _driven(at_s: Floats, speed: Floats, throttle: Floats, limits: Limits) -> bool:
    """Does the throttle swing, and speed rise while it is open and fall while it is shut?"""
    known = np.isfinite(throttle)
    if known.sum() < 8:
        return False
    swung = float(np.quantile(throttle[known], 0.95) - np.quantile(throttle[known], 0.05))
    rate = np.gradient(speed[known], at_s[known])
    smooth = np.ones(3) / 3.0
    pair = [np.convolve(values, smooth, "valid") for values in (rate, throttle[known])]
    if swung < limits.throttle_swing or min(float(np.std(v)) for v in pair) <= 0.0:
        return False
    return bool(np.corrcoef(pair[0], pair[1])[0, 1] >= limits.together)
