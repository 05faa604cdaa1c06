"""Touches of a hand switch: how long, how sharply seen, and whether anything came of them."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Span
from ridecheck.signals import brakes, drivetrain, motion, throttle
from ridecheck.signals.definitions import definitions
from ridecheck.signals.ride import Ride, once
from ridecheck.signals.switches import Run

Floats = NDArray[np.float64]

SHORT_PULSE_S = 0.2
"""A pulse up to this long with no physical effect is uncommanded."""

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
    found = (_touch(ride, channel, group) for group in groups)
    return tuple(touch for touch in found if touch is not None)


def maybe_short(ride: Ride, channel: str) -> list[Touch]:
    """Touches of which nothing came that may have been too short for a hand, as far as the
    refresh shows.
    """
    most_s = SHORT_PULSE_S + ride.interval_s(channel) + 1e-6
    return [t for t in touches(ride, channel) if not t.effect and t.longest_s <= most_s]


COASTED_S = 0.4
"""A throttle closed this long slows the bike by all it has; shorter, by a part."""

NEAR_SPEED = 0.25
"""Engine braking at speeds this close, as a share, is alike (the gear may differ)."""

COASTED_ROWS = 20


def braking_ms2(ride: Ride, speed_kmh: float) -> float:
    """Slowing that only a brake gives at a speed, m/s2: harder than coasting, and than the
    closed throttle slowed the bike near that speed anywhere in the ride.
    """
    coasting_ms2 = definitions(ride).coasting_ms2
    v, slowing = _overrun(ride)
    near = slowing[np.abs(v / max(speed_kmh, 1.0) - 1.0) < NEAR_SPEED]
    unsure_ms2 = 0.5 * motion.uncertainty_ms2(
        ride, "wheel_speed", motion.window_s(ride, "wheel_speed")
    )
    known = near if len(near) >= COASTED_ROWS else slowing
    if len(known) < COASTED_ROWS:
        return coasting_ms2 + unsure_ms2
    return max(coasting_ms2, float(np.quantile(known, 0.9)) + 0.4) + unsure_ms2


@once
def _overrun(ride: Ride) -> tuple[Floats, Floats]:
    """Speed and slowing on the rows on which throttle closed, clutch out and brakes off slow it."""
    none = np.empty(0)
    if not ride.has("throttle", "wheel_speed") or not brakes.signals(ride):
        return none, none
    closed = throttle.is_closed(ride, "throttle")
    held_off = motion.widened(ride, ~closed | (brakes.rows(ride) != 0), COASTED_S)
    if ride.has("clutch"):
        held_off |= motion.widened(ride, ride.numbers("clutch") != 0, COASTED_S)
    v, slowing = ride.numbers("wheel_speed"), -motion.acceleration(ride)
    rows = ~held_off & (v > MOVING_KMH) & np.isfinite(slowing)
    return v[rows], slowing[rows]


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
    end_s = min(span.end_s + 1.0, _next_braking_s(ride, channel, span.end_s))
    around = ride.slice(Span(span.start_s - 0.2, max(end_s, span.end_s)))
    if channel == "clutch":
        # Nothing to hold the lever against: no uncommanded pulse.
        return frees_ratio(ride, span.start_s, max(end_s, span.end_s)) is not False
    if channel == "roll_off":
        return not _grip_was_open(ride, span)
    slowing = motion.acceleration(ride)[around]
    hard_ms2 = braking_ms2(ride, ride.at("wheel_speed", span.start_s))
    return bool(np.isfinite(slowing).any() and -np.nanmin(slowing) > hard_ms2)


LOCKED_S = 0.3
"""So long before a pull the ratio is that of the gear in use; longer ago it may be another's."""


def frees_ratio(ride: Ride, at_s: float, end_s: float) -> bool | None:
    """Do engine and wheel part after an instant, by an end, as a pulled clutch lets them?

    None where the ratio is not known before or after.
    """
    ratio = drivetrain.ratio(ride)
    refresh_s = max(ride.interval_s("engine_speed"), ride.interval_s("wheel_speed"))
    pulled_s = at_s - min(ride.interval_s("clutch"), 1.0)  # at the earliest
    before = ratio[ride.slice(Span(pulled_s - LOCKED_S - 1.5 * refresh_s, pulled_s))]
    after = ratio[ride.slice(Span(at_s, end_s))]
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if not len(before) or not len(after):
        return None
    defined = definitions(ride)
    if before.max() / before.min() - 1.0 > defined.locked:  # still settling from a change of gear
        return bool(after.max() / after.min() - 1.0 > defined.parted)
    return bool(np.abs(np.log(after / np.median(before))).max() > defined.parted)


def _next_braking_s(ride: Ride, channel: str, end_s: float) -> float:
    """When the next use of a brake begins to show in the acceleration, inf for other controls:
    what it does is no effect of the touch before it.
    """
    if channel not in brakes.CONTROLS or not ride.has("wheel_speed"):
        return math.inf
    starts_s = brakes.starts_s(ride)
    next_ = int(np.searchsorted(starts_s, end_s + 1e-6, side="right"))
    first_s = float(starts_s[next_]) if next_ < len(starts_s) else math.inf
    return first_s - motion.window_s(ride, "wheel_speed") / 2.0


def _grip_was_open(ride: Ride, span: Span) -> bool:
    """Is it sure that no hand turned the grip shut?

    A flick past closed and back takes a hand a tenth of a second or two, so only an open
    grip shows or, grip not logged, the plate while cruise is off.
    """
    for name in ("throttle_grip", "throttle"):
        if not ride.has(name):
            continue
        around = Span(span.start_s - 1.0, span.end_s)
        if name == "throttle" and ride.runs("cruise_engaged").any_on(around):
            return False
        near = ride.slice(Span(span.start_s, span.end_s + 0.2))
        throughout = (
            throttle.is_open(ride, name)[near].any()
            and not throttle.is_not_open(ride, name)[near].any()
        )
        return bool(throughout) or (name == "throttle_grip" and _opens_while_shut(ride, span))
    return False


def _opens_while_shut(ride: Ride, span: Span) -> bool:
    """Is the grip open well inside a stretch in which its switch says past closed?

    A hand opens it only after the contact has gone off; both may be written late.
    """
    late_s = [ride.interval_s(n) + ride.channels[n].skew_s for n in ("throttle_grip", "roll_off")]
    opened = throttle.is_open(ride, "throttle_grip")
    shut = (
        Span(r.start_s + late_s[0], r.end_s - sum(late_s))
        for r in ride.when("roll_off")
        if r.start_s < span.end_s and r.end_s > span.start_s
    )
    return any(opened[ride.slice(inside)].any() for inside in shut if inside.length_s > 0.0)


def locked_share(ride: Ride, on: Span) -> float | None:
    """Share of rows on which the ratio is what it was before; None where it is not known."""
    ratio = drivetrain.ratio(ride)
    before = ratio[ride.slice(Span(on.start_s - 1.5, on.start_s - 0.1))]
    during = ratio[ride.slice(on)]
    during = during[np.isfinite(during)]
    if not np.isfinite(before).any() or not len(during):
        return None
    return float(np.mean(np.abs(np.log(during / np.nanmedian(before))) < definitions(ride).parted))
