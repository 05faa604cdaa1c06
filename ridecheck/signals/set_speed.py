"""The set speed while cruise holds and nobody presses a button: it stays, or it moves."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.catalog import PANEL
from ridecheck.core.model import Span
from ridecheck.signals import cruise, motion, presses
from ridecheck.signals.intervals import Intervals
from ridecheck.signals.ride import Ride, once

BUTTONS = (PANEL["set"], PANEL["resume"])

TAP_KMH = 12.0
"""No tap moves the set speed by more than ten units of the display (common practice)."""


@dataclass(frozen=True, slots=True)
class Move:
    """A change of the set speed with no press: signed, and how many taps it would take."""

    span: Span
    change_kmh: float
    taps: int
    engaged_until_s: float


@once
def unpressed(ride: Ride, shown_s: float) -> tuple[tuple[Span, float], ...]:
    """Stretches of holding that no press of set or resume can have moved.

    shown_s: a display shows a press, or the speed it engaged at, no later than this and
    one refresh. With each the instant at which its engagement ends.
    """
    late_s = shown_s + ride.interval_s("cruise_set_speed")
    early_s = max(ride.interval_s(b) + ride.skew_s(b) for b in BUTTONS if ride.has(b))
    pressed = presses.may_show(ride, BUTTONS, before_s=early_s, after_s=late_s)
    return tuple(
        (span, engaged.end_s)
        for engaged in cruise.engaged(ride).longer_than(late_s)
        for span in Intervals.of([Span(engaged.start_s + late_s, engaged.end_s)]) - pressed
    )


def moves(ride: Ride, shown_s: float, more_than_kmh: float) -> Iterator[Move]:
    """The largest rise and the largest fall of each such stretch, where it is larger than that."""
    least_kmh = more_than_kmh + ride.channels["cruise_set_speed"].step
    for span, end_s in unpressed(ride, shown_s):
        at = ride.slice(span)
        t_s, shown = ride.t_s[at], ride.numbers("cruise_set_speed")[at]
        known = np.isfinite(shown)
        t_s, shown = t_s[known], shown[known]
        if len(shown) < 2 or shown.max() - shown.min() <= least_kmh:
            continue
        for sign in (1.0, -1.0):
            way = sign * shown
            far = way - np.minimum.accumulate(way)
            top = int(far.argmax())
            if far[top] <= least_kmh:
                continue
            low = int(top - way[: top + 1][::-1].argmin())
            steps = np.diff(way[low : top + 1])
            taps = sum(math.ceil(step / TAP_KMH) for step in steps[steps > 0])
            yield Move(Span(float(t_s[low]), float(t_s[top])), sign * float(far[top]), taps, end_s)


def followed_kmh(ride: Ride, move: Move, within_s: float) -> float:
    """What the bike gains or loses towards a move, from its start until it could follow.

    Positive where it goes the way of the set speed; NaN where speed is blank.
    """
    until_s = min(move.span.end_s + within_s, move.engaged_until_s)
    speed = ride.numbers("wheel_speed")[ride.slice(Span(move.span.start_s, until_s))]
    known = speed[np.isfinite(speed)]
    if not len(known):
        return math.nan
    # A wave in one row is no gain: the middle of half a second at either end.
    rows = max(1, round(0.5 / ride.row_interval_s))
    way = math.copysign(1.0, move.change_kmh)
    return way * (motion.median(known[-rows:]) - motion.median(known[:rows]))
