"""Touches of a hand switch: how long, how sharply seen, and whether anything came of them."""

from dataclasses import dataclass

import numpy as np

from ridecheck.model import Span
from ridecheck.signals import drivetrain, motion
from ridecheck.signals.ride import Ride, once
from ridecheck.signals.switches import Run

SHORT_PULSE_S = 0.2
"""A pulse up to this long with no physical effect is one nobody made."""

HARD_MS2 = 2.0
"""Slowing harder than a closed throttle gives in a high gear (common practice: 1 to 2)."""

MOVING_KMH = 15.0
"""Slower, hands and feet are busy with everything."""

APART_S = 1.0
"""Runs closer than this belong to one use of a control."""

TOUCH_S = 5.0
"""A touch with no effect longer than this is a switch stuck on, another matter."""

RATIO_FREED = 0.06
"""Change of the ratio that shows a pulled clutch."""


@dataclass(frozen=True, slots=True)
class Touch:
    """One use of a control, or one burst of its contact.

    runs: the on-runs of it, none more than APART_S from the next. longest_s: the longest
    of them. short: every run is no longer than a hand can make. effect: the bike did
    what the control does (slowed, freed the ratio).
    """

    span: Span
    runs: int
    longest_s: float
    short: bool
    effect: bool


@once
def touches(ride: Ride, channel: str) -> tuple[Touch, ...]:
    """Uses of a control while riding, longest TOUCH_S, each seen from edge to edge."""
    groups: list[list[Run]] = []
    for run in ride.runs(channel).on():
        if groups and run.start_s - groups[-1][-1].end_s < APART_S:
            groups[-1].append(run)
        else:
            groups.append([run])
    return tuple(t for g in groups for t in [_touch(ride, channel, g)] if t is not None)


def _touch(ride: Ride, channel: str, runs: list[Run]) -> Touch | None:
    """A group of runs as a touch; None where an edge is hidden or the bike hardly moves."""
    span = Span(runs[0].start_s, runs[-1].end_s)
    speed = ride.numbers("wheel_speed")[ride.slice(Span(span.start_s - 1.0, span.end_s + 1.0))]
    moving = np.isfinite(speed).any() and np.nanmin(speed) > MOVING_KMH
    sharp = all(r.sharp_start and r.sharp_end for r in runs)
    longest_s = max(r.length_s for r in runs)
    if not moving or not sharp or longest_s > TOUCH_S:
        return None
    short = longest_s <= SHORT_PULSE_S + 1e-6
    return Touch(span, len(runs), longest_s, short, _effect(ride, channel, span))


def _effect(ride: Ride, channel: str, span: Span) -> bool:
    around = ride.slice(Span(span.start_s - 0.2, span.end_s + 1.0))
    if channel == "clutch":
        ratio = drivetrain.ratio(ride)
        before = np.log(ratio[ride.slice(Span(span.start_s - 1.5, span.start_s - 0.1))])
        during = np.log(ratio[around])
        if not np.isfinite(before).any() or not np.isfinite(during).any():
            return True  # nothing to hold the lever against: not a pulse nobody made
        return bool(np.nanmax(np.abs(during - np.nanmedian(before))) > RATIO_FREED)
    if channel == "roll_off":
        return not _grip_was_open(ride, span)
    slowing = motion.acceleration(ride)[around]
    return bool(np.isfinite(slowing).any() and -np.nanmin(slowing) > HARD_MS2)


OPEN_PERCENT = 5.0
"""Free play and zero drift of a grip or plate are less."""


def _grip_was_open(ride: Ride, span: Span) -> bool:
    """Is it sure that no hand turned the grip shut?

    A flick past closed and back takes a hand a tenth of a second or two, so only an open
    grip tells or, grip not logged, the plate while cruise is off.
    """
    for name in ("throttle_grip", "throttle"):
        if not ride.has(name):
            continue
        around = Span(span.start_s - 1.0, span.end_s)
        if name == "throttle" and ride.runs("cruise_engaged").any_on(around):
            return False
        values = ride.numbers(name)
        near = values[ride.slice(Span(span.start_s, span.end_s + 0.2))]
        rest = motion.closed_reading(ride, name)
        return bool(np.isfinite(near).any() and np.nanmin(near) > rest + OPEN_PERCENT)
    return False
