"""What engine, wheel and throttle did at a cancel: did cruise act first, or the engine?

A control that loses an input or its supply closes the throttle plate, and the bike slows
by that. Where the bike slows before the plate moves, the engine stopped pulling first: no
fuel, no spark, a run switch. Where engine and wheel part, a wheel spun, the clutch slipped
or had not yet closed. Neither is a fault of cruise, whatever the log lacks.
"""

import math

import numpy as np

from ridecheck.core.model import Evidence, Span
from ridecheck.signals import brakes, braking, drivetrain, motion
from ridecheck.signals.cancels.candidate import seen
from ridecheck.signals.ride import Ride, once

SHARPEST_S = 0.11
"""Refresh of speed and throttle at which a tenth of a second can be known at all."""

SLOWS_KMH_PER_S = 1.0
"""A bike that slows less than this after a cancel has no instant at which it began."""

MOVED = 0.25
"""Share of what it was held at by which a plate is seen to close."""

SLOWED_S = 0.85
"""The slowing after a cancel is measured up to here."""

AHEAD_S = 0.14
"""Slowing this long before the plate moves. A straight line drawn back begins up to a tenth of
a second early, for the first of the slowing is the steepest; of simulated cancels by a plate
that closes one in fifty lies further ahead, of those by an engine that stopped at 20 Hz all."""


@once
def not_cruise(ride: Ride, t_s: float) -> Evidence | None:
    """What else than cruise or its inputs acted at a cancel; None if nothing."""
    if slowed_hard(ride, t_s):
        return seen("braked_unseen")
    if parted(ride, t_s):
        return seen("parted")
    return seen("engine_first") if engine_first(ride, t_s) else None


BRAKED_MS2 = 2.5
"""No closed throttle slows a bike so in the gears cruise holds (common practice)."""

HARD_S = 0.7
"""Shorter slowings are bumps and steps of the speed signal."""

LOCKSTEP_S = 0.6
"""A brake and the cruise it ends act within this, filters of the speed signal included."""


def slowed_hard(ride: Ride, t_s: float) -> bool:
    """Did the bike slow as under a brake from a cancel on, with no brake signal on?"""
    return any(
        abs(one.span.start_s - t_s) <= LOCKSTEP_S and not brakes.any_on(ride, one.span)
        for one in braking.slowings(ride, BRAKED_MS2, HARD_S)
    )


def engine_first(ride: Ride, t_s: float) -> bool:
    """Did the bike begin to slow before the throttle plate closed?

    The straight line of the slowing is drawn back to the speed held before; where it meets
    it the engine stopped pulling. False where too little is logged to say.
    """
    if not all(
        ride.has(n) and ride.interval_s(n) <= SHARPEST_S for n in ("wheel_speed", "throttle")
    ):
        return False
    plate_s = _plate_moves_s(ride, t_s)
    begun_s = _slowing_begins_s(ride, t_s)
    if math.isnan(plate_s) or math.isnan(begun_s):
        return False
    blur_s = 0.5 * max(ride.interval_s("wheel_speed"), ride.interval_s("throttle"))
    return begun_s < plate_s - AHEAD_S - blur_s


def _plate_moves_s(ride: Ride, t_s: float) -> float:
    """When the plate has begun to close; NaN where it was closed all along, stays open, or opens
    again at once.
    """
    plate = ride.numbers("throttle")
    closed = motion.closed_reading(ride, "throttle")
    held = motion.median(plate[ride.slice(Span(t_s - 1.0, t_s - 0.3))]) - closed
    rows = ride.slice(Span(t_s - 0.3, t_s + 1.0))
    with np.errstate(invalid="ignore"):
        past = np.flatnonzero(plate[rows] - closed < (1.0 - MOVED) * held)
    if math.isnan(held) or held < 2.0 or not len(past) or _reopens(ride, t_s, MOVED * held):
        return math.nan
    return float(ride.t_s[rows][past[0]])


def _reopens(ride: Ride, t_s: float, least: float) -> bool:
    """Does the plate open again by so much while the slowing is measured?"""
    plate = ride.numbers("throttle")[ride.slice(Span(t_s, t_s + SLOWED_S))]
    plate = plate[np.isfinite(plate)]
    return bool(len(plate) and plate[int(plate.argmin()) :].max() > plate.min() + least)


def _slowing_begins_s(ride: Ride, t_s: float) -> float:
    """Where the line through the speeds after a cancel meets the speed held before it."""
    held_kmh, held_rate, _ = _line(ride, Span(t_s - 1.5, t_s - 0.25), t_s)
    later_kmh, rate, scatter_kmh = _line(ride, Span(t_s + 0.15, t_s + SLOWED_S), t_s)
    turn = held_rate - rate
    if math.isnan(turn) or turn < SLOWS_KMH_PER_S or abs(held_rate) > 0.3 * turn:
        return math.nan
    # How far a scatter of the speed can move the crossing; beyond 0.06 s nothing is reported.
    if scatter_kmh / turn > 0.06:
        return math.nan
    return t_s + (later_kmh - held_kmh) / turn


def _line(ride: Ride, span: Span, at_s: float) -> tuple[float, float, float]:
    """Value at an instant, slope per second and error of that value, by least squares."""
    rows = ride.slice(span)
    t_s, v = ride.t_s[rows] - at_s, ride.numbers("wheel_speed")[rows]
    known = np.isfinite(v)
    if known.sum() < 5:
        return math.nan, math.nan, math.nan
    slope, value = np.polyfit(t_s[known], v[known], 1)
    left = v[known] - (value + slope * t_s[known])
    step = motion.step_kmh(ride, "wheel_speed") / math.sqrt(12.0)
    error = math.hypot(float(left.std()), step) * 2.0 / math.sqrt(known.sum())
    return float(value), float(slope), error


PARTED = 0.03
"""Engine against wheel, beyond their steps: a locked drive keeps its ratio to a hundredth."""


def parted(ride: Ride, t_s: float) -> bool:
    """Were engine and wheel not turning as one just before or as cruise let go?"""
    if not ride.has("engine_speed") or ride.interval_s("engine_speed") > 2.0 * SHARPEST_S:
        return False
    ratio = drivetrain.ratio(ride)
    steps = motion.step_kmh(ride, "wheel_speed") / max(ride.at("wheel_speed", t_s), 1.0)
    steps += ride.channels["engine_speed"].step / max(ride.at("engine_speed", t_s), 500.0)
    near = ratio[ride.slice(Span(t_s - 0.4, t_s + 0.2))]
    near = near[np.isfinite(near)]
    if len(near) < 3:
        return False
    return bool(near.max() / near.min() - 1.0 > PARTED + 2.0 * steps)


SPUN, SPUN_MOST = 0.04, 0.5
"""A wheel that spins gains so much of its speed; a wild reading gains more."""

FOLLOWS, FOLLOWS_LEAST = 0.35, 0.01
"""Share of the wheel's gain that the engine shows too: the gearbox ties them, a wrong reading
of the wheel leaves the engine as it was. Its signal lags and is smoothed, so not the whole."""

LEAPS_S, SPINS_S = 0.15, 0.6
"""A spinning wheel runs up within the one; within the other the engine's signal has followed."""


def spun_kmh(ride: Ride, t_s: float) -> float:
    """By how much the wheel ran up with the engine, in gear, near an instant; 0 if it did not.

    A wheel that spins does so: then the jump of the wheel speed is no fault of its signal.
    """
    if not ride.has("wheel_speed", "engine_speed"):
        return 0.0
    leap_s = _leap_s(ride, Span(t_s - 1.2, t_s + 0.2))
    if math.isnan(leap_s):
        return 0.0
    wheel_kmh, wheel = _gain(ride, "wheel_speed", leap_s)
    _, engine = _gain(ride, "engine_speed", leap_s)
    step = ride.channels["engine_speed"].step / max(ride.at("engine_speed", t_s), 500.0)
    least = max(FOLLOWS * wheel, FOLLOWS_LEAST + step)
    return wheel_kmh if SPUN < wheel < SPUN_MOST and least < engine < SPUN_MOST else 0.0


def _gain(ride: Ride, name: str, leap_s: float) -> tuple[float, float]:
    """How far a channel rose about an instant: by how much, and as a share; NaN if not known."""
    values = ride.numbers(name)
    back_s = LEAPS_S + max(0.15, 1.5 * ride.interval_s(name))
    before = motion.median(values[ride.slice(Span(leap_s - back_s, leap_s - LEAPS_S))])
    during = values[ride.slice(Span(leap_s - LEAPS_S, leap_s + SPINS_S))]
    if not before > 0.0 or not np.isfinite(during).any():
        return math.nan, math.nan
    gain = float(np.nanmax(during)) - before
    return gain, gain / before


def _leap_s(ride: Ride, span: Span) -> float:
    """When wheel speed rose most within LEAPS_S in a stretch; NaN where little is known."""
    rows = ride.slice(span)
    t_s, v = ride.t_s[rows], ride.numbers("wheel_speed")[rows]
    known = np.isfinite(v)
    t_s, v = t_s[known], v[known]
    if len(v) < 3:
        return math.nan
    reach_s = max(LEAPS_S, 1.1 * ride.interval_s("wheel_speed"))
    since = np.searchsorted(t_s, t_s - reach_s)
    rises = [v[i] - v[a : i + 1].min() for i, a in enumerate(since)]
    return float(t_s[int(np.argmax(rises))])
