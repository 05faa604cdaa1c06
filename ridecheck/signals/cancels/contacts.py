"""Does a control that moved at a cancel look like a fault of its contact?

Each kind of fault is one function that answers with a sentence and its figures, "" where it
does not hold.
"""

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Span
from ridecheck.signals import brakes, drivetrain, motion
from ridecheck.signals.cancels.candidate import Candidate
from ridecheck.signals.pulses import SHORT_PULSE_S, Touch, locked_share, maybe_short, touches
from ridecheck.signals.ride import SHARP_S, SLOWEST_S, Ride

Flags = NDArray[np.bool_]

AT_ONCE_S = 5.0
"""Cruise asked for again this soon after an input that did nothing: to notice and to press
takes a second to five; who lets cruise go on purpose has a reason that lasts longer."""

STUCK_S, STUCK_MS2, STUCK_KMH = 4.0, 0.3, 30.0
"""A control on this long (a boot rests on a pedal for up to three) ..."""

DRIVEN_S, ROLLS_S = 1.0, 1.5
"""... while the bike is driven on for at least the one, throttle open, losing less speed than
STUCK_MS2, faster than STUCK_KMH: nobody brakes and drives, though engine braking may follow
the cancel for the other at first."""

AS_CRUISE = 0.7
"""A plate open this share of what cruise held it at drives the bike on."""

LOCKED_SHARE = 0.5
"""A clutch shown as pulled while the ratio stands on this share of rows is not pulled: an
engine freed leaves it within half a second."""

REPEATED = 3
"""One or two pulses a ride may be a glove or a stone; three on one control are a contact."""

BRIEF_S = 0.35
"""A hand that works a brake or the clutch holds it longer, as a rule (common practice)."""

OUTNUMBER = 2.0
"""... if they are this many times the longer touches with no effect: a hand resting on a
control makes more long ones than short."""

BOUNCE_S, BOUNCE_PULSE_S = 1.0, 0.1
"""Pulses that follow one another within this, each no longer than that (and a refresh), are
bouncing: no hand touches, lets go and touches again so fast."""

RATTLES, RATTLE_S = 3, 0.35
"""So many pulses, one every so many seconds: no hand works a lever so (common practice)."""

QUICK_S = 0.1
"""A hand that presses and lets go at once takes about this long or longer (common practice)."""

ONE_HAND_S = 0.3
"""Brakes that come on within this of one another are one use."""

TO_LEVER_S = 0.6
"""A hand that closes the grip to brake is at the lever within this (common practice)."""

NO_SOONER_S = 1.0
"""Nobody notices a cancel and presses a button in less."""

FLICK_S = 1.0
"""A grip is turned past closed no longer than this to let cruise go (common practice)."""

PLATE_SHOWS = 1.0
"""Per cent above its rest at which a plate held by cruise can be told from a closed one."""


def is_short(cause: Candidate) -> bool:
    """A pulse of up to SHORT_PULSE_S, seen sharply enough to say so."""
    return cause.interval_s <= SHARP_S and cause.pulse_s <= SHORT_PULSE_S + 1e-6


def may_be_short(cause: Candidate) -> bool:
    """A pulse that may have been no longer than SHORT_PULSE_S, as far as the refresh tells."""
    return _pulses_show(cause) and cause.pulse_s - cause.interval_s <= SHORT_PULSE_S + 1e-6


def _pulses_show(cause: Candidate) -> bool:
    return cause.interval_s <= SLOWEST_S


def too_quick(ride: Ride, cause: Candidate) -> str:
    """A pulse shorter than any hand's, and not the first touch of a contact that then closes."""
    if cause.interval_s > SHARP_S or not cause.pulse_s + cause.interval_s <= QUICK_S + 1e-6:
        return ""
    if cause.cause == "roll_off" or _closes_next(ride, cause):
        return ""
    return f"on for less than {QUICK_S:.1f} s: no hand presses and releases so fast"


def _closes_next(ride: Ride, cause: Candidate) -> bool:
    """Does this control, or another brake, close for longer right after a pulse?"""
    end_s = cause.at_s + cause.pulse_s
    names = {cause.channel, *(s.channel for s in brakes.signals(ride) if cause.cause != "clutch")}
    return any(
        r.value == 1
        and r.length_s > SHORT_PULSE_S + cause.interval_s
        and end_s < r.start_s <= end_s + ONE_HAND_S
        for name in names
        if ride.has(name)
        for r in ride.runs(name).overlapping(Span(end_s, end_s + ONE_HAND_S))
    )


def shown_on_s(ride: Ride, cause: Candidate) -> float:
    """How long a control shows on: its pulse, or to the end of what is logged of it."""
    if not math.isnan(cause.pulse_s):
        return cause.pulse_s
    runs = [r for r in ride.runs(cause.channel).on() if abs(r.start_s - cause.at_s) < 1e-6]
    return runs[0].length_s if runs else 0.0


def stuck(ride: Ride, cause: Candidate) -> str:
    """A control that stays on while the bike is driven on with it."""
    length_s = shown_on_s(ride, cause)
    if length_s < STUCK_S or not ride.has(cause.channel) or cause.channel.endswith("_pressure"):
        return ""
    on = Span(cause.at_s + ROLLS_S, cause.at_s + length_s)
    v = ride.numbers("wheel_speed")[ride.slice(on)]
    fast = v[v > STUCK_KMH]
    if not len(fast):
        return ""
    told = f"on for {length_s:.0f} s at {np.median(fast):.0f} km/h"
    if cause.cause == "clutch":
        locked = _locked(ride, on)
        return f"{told}, engine and wheel locked as before: stuck on" if locked else ""
    driven_s = _driven_s(ride, cause, on)
    if driven_s < DRIVEN_S:
        return ""
    return (
        f"{told}, driven on for {driven_s:.0f} s of it (throttle open, speed held or rising): "
        "stuck on"
    )


def _locked(ride: Ride, on: Span) -> bool:
    """Are engine and wheel locked in one of the gears on most of the rows at speed?"""
    if not drivetrain.has_ladder(ride):
        share = locked_share(ride, Span(on.start_s - ROLLS_S, on.start_s + ROLLS_S))
        return share is not None and share >= LOCKED_SHARE
    rows = ride.slice(on)
    fast = ride.numbers("wheel_speed")[rows] > STUCK_KMH
    return float((drivetrain.rungs(ride)[rows] > 0)[fast].mean()) >= LOCKED_SHARE


def _driven_s(ride: Ride, cause: Candidate, on: Span) -> float:
    """Seconds of a stretch with the throttle open and speed held or rising."""
    rows = ride.slice(on)
    held = motion.acceleration(ride)[rows] > -STUCK_MS2
    fast = ride.numbers("wheel_speed")[rows] > STUCK_KMH
    opened = _opened(ride, cause.at_s, rows)
    return float(motion.row_seconds(ride)[rows][opened & held & fast].sum())


def _opened(ride: Ride, cancelled_s: float, rows: slice) -> Flags:
    """Rows on which grip (else plate) is open, or the plate nearly as far as cruise held it."""
    name = next((n for n in ("throttle_grip", "throttle") if ride.has(n)), "")
    if not name:
        return np.zeros(rows.stop - rows.start, dtype=bool)
    opened = ride.numbers(name)[rows] > motion.closed_reading(ride, name) + motion.GRIP_OPEN
    if ride.has("throttle"):
        plate = ride.numbers("throttle") - motion.closed_reading(ride, "throttle")
        held = motion.median(plate[ride.slice(Span(cancelled_s - 2.0, cancelled_s - 0.2))])
        if held > PLATE_SHOWS:
            opened |= plate[rows] > AS_CRUISE * held
    return np.asarray(opened)


def grip_contradicts(ride: Ride, t_s: float) -> bool:
    """Is the grip open while the roll-off switch says it is turned past closed?"""
    if not ride.has("throttle_grip"):
        return False
    grip = ride.numbers("throttle_grip")[ride.slice(Span(t_s, t_s + 0.1))]
    shut = motion.closed_reading(ride, "throttle_grip") + motion.GRIP_OPEN
    return bool(np.isfinite(grip).any() and np.nanmin(grip) > shut)


def grip_open(ride: Ride, cause: Candidate) -> str:
    """A roll-off switch on while the grip is open."""
    if cause.cause != "roll_off" or not grip_contradicts(ride, cause.at_s):
        return ""
    return (
        f"the grip is {ride.at('throttle_grip', cause.at_s):.0f} % open while the "
        "throttle-closed switch says it is closed"
    )


def shown_false(ride: Ride, cause: Candidate) -> str:
    """A roll-off switch that shows on with an open throttle elsewhere in the ride."""
    if cause.cause != "roll_off" or not _pulses_show(cause) or _brakes_at_once(ride, cause):
        return ""
    others = [
        t
        for t in touches(ride, "roll_off")
        if not t.effect and not t.span.start_s - 1.0 <= cause.at_s <= t.span.end_s + 1.0
    ]
    if not others:
        return _let_go_in_vain(ride, cause)
    times = "once more" if len(others) == 1 else f"{len(others)} times more"
    return f"the throttle-closed switch shows on {times} in this ride, with the throttle open"


IN_VAIN = 2
"""A rider who lets cruise go and at once wants it back does not do so again and again."""


def _let_go_in_vain(ride: Ride, cause: Candidate) -> str:
    """A roll-off switch after which, elsewhere in the ride, cruise was set again at once."""
    others = [
        run
        for run in ride.runs("roll_off").on()
        if abs(run.start_s - cause.at_s) > 1.0
        and _engaged_at(ride, run.start_s)
        and _set_again_s(ride, run.start_s, run.end_s) is not None
    ]
    if len(others) < IN_VAIN:
        return ""
    return (
        f"the throttle-closed switch shows on {len(others)} times more in this ride, cruise "
        f"being set again within {AT_ONCE_S:.0f} s with no brake used"
    )


def _brakes_at_once(ride: Ride, cause: Candidate) -> bool:
    """Does a brake come on with an input, or as a hand goes from the grip to the lever?"""
    return brakes.comes_on(ride, cause.at_s - ONE_HAND_S, cause.at_s + TO_LEVER_S)


def brakes_next(ride: Ride, cause: Candidate) -> bool:
    """Is a brake used within a second after an input? Then a hand was about to brake."""
    end_s = cause.at_s + shown_on_s(ride, cause)
    return brakes.comes_on(ride, cause.at_s + 1e-6, end_s + 1.0)


def _idle_touches(ride: Ride, cause: Candidate) -> list[Touch]:
    """Touches of a control in the ride of which nothing came."""
    if not ride.has(cause.channel) or cause.channel.endswith("_pressure"):
        return []
    return [t for t in touches(ride, cause.channel) if not t.effect]


def _own(found: list[Touch], cause: Candidate) -> Touch | None:
    """The touch that a cause is part of."""
    at_s = cause.at_s
    return next((t for t in found if t.span.start_s - 1e-6 <= at_s <= t.span.end_s), None)


def bounces(ride: Ride, cause: Candidate) -> str:
    """Pulses in a row, each too short for a hand or opened for too short, and nothing came of
    them.
    """
    own = _own(_idle_touches(ride, cause), cause)
    if own is None or own.runs < 2:
        return ""
    told = f"bounces: {own.runs} pulses within {own.span.length_s:.2f} s, and no slowing followed"
    if _opens_s(ride, cause, own.span) + cause.interval_s <= QUICK_S + 1e-6 or _rattles(own):
        return told
    short = own.longest_s <= BOUNCE_PULSE_S + cause.interval_s + 1e-6
    return told if short and own.span.length_s / (own.runs - 1) <= BOUNCE_S else ""


def _rattles(touch: Touch) -> bool:
    """Three pulses or more, one after another faster than a hand works a lever?"""
    return touch.runs >= RATTLES and touch.span.length_s / (touch.runs - 1) <= RATTLE_S


def _opens_s(ride: Ride, cause: Candidate, span: Span) -> float:
    """The shortest time a control shows off between two of its pulses in a stretch."""
    on = [r for r in ride.runs(cause.channel).overlapping(span) if r.value == 1]
    return min((b.start_s - a.end_s for a, b in pairwise(on)), default=math.inf)


def _pulses(ride: Ride, cause: Candidate) -> list[Touch]:
    """Touches of its control that may have been too short for a hand."""
    if not _pulses_show(cause) or not ride.has(cause.channel):
        return []
    return [] if cause.channel.endswith("_pressure") else maybe_short(ride, cause.channel)


def repeated(ride: Ride, cause: Candidate) -> str:
    """One of several pulses in the ride of which nothing came, and not a rider's habit.

    A contact that bounces also makes pulses as long as a quick hand's: where one at least
    was too short for a hand, all up to BRIEF_S count.
    """
    if cause.cause == "roll_off" or not _pulses_show(cause) or taps(ride, cause):
        return ""
    idle = _idle_touches(ride, cause)
    most_s = BRIEF_S if _pulses(ride, cause) or is_short(cause) else SHORT_PULSE_S
    brief = [t for t in idle if t.longest_s <= most_s + cause.interval_s + 1e-6]
    # A pulse that braking follows within a second is part of that touch: it counts by itself.
    count = len(brief) + (_own(brief, cause) is None)
    if not cause.pulse_s <= most_s + cause.interval_s + 1e-6 or count < REPEATED:
        return ""
    proven = any(_rattles(t) for t in brief)
    if not proven and count < OUTNUMBER * (len(idle) - len(brief)):
        return ""
    off = sum(not _engaged_at(ride, p.span.start_s) for p in brief)
    longest_s = max(cause.pulse_s, *(p.longest_s for p in brief))
    return (
        f"one of {count} pulses of up to {longest_s:.2f} s in this "
        f"ride, none followed by slowing, {off} of them with cruise off"
    )


def taps(ride: Ride, cause: Candidate) -> bool:
    """Are the pulses of this control a rider's habit of letting cruise go by a tap?

    So it is where most of them ended an engagement that nobody asked for again, with
    cruise off there is hardly one, and none was shorter than a hand can make.
    """
    pulses = _pulses(ride, cause)
    off = sum(not _engaged_at(ride, p.span.start_s) for p in pulses)
    wished = len(pulses) - off - sum(_again(ride, p) for p in pulses)
    shortest_s = min((p.longest_s for p in pulses), default=0.0)
    by_hand = shortest_s + cause.interval_s > QUICK_S
    return len(pulses) > 1 and wished > 0.5 * len(pulses) and off < 2 and by_hand


def _engaged_at(ride: Ride, t_s: float) -> bool:
    return ride.runs("cruise_engaged").value_at(t_s - 1e-3) == 1


def _again(ride: Ride, pulse: Touch) -> bool:
    """A pulse with cruise engaged that did not end it, or after which it was asked for again."""
    start_s = pulse.span.start_s
    if not _engaged_at(ride, start_s):
        return False
    later = Span(start_s + 1.0, start_s + 1.0 + AT_ONCE_S)
    return ride.runs("cruise_engaged").any_on(later) is True


def asked_again(ride: Ride, cause: Candidate) -> str:
    """Cruise asked for again at once, with no brake used meanwhile, after an idle input.

    An input of a length a hand makes on purpose does not count: a rider who brakes a
    little, or rests a boot on the pedal, may want cruise back as soon.
    """
    length_s = shown_on_s(ride, cause)
    fits = length_s <= FLICK_S if cause.cause == "roll_off" else may_be_short(cause)
    if not fits or not _pulses_show(cause):
        return ""
    again_s = _set_again_s(ride, cause.at_s, cause.at_s + length_s)
    if again_s is None:
        return ""
    return (
        f"no slowing followed, and cruise was engaged again {again_s - cause.at_s:.1f} s after it "
        "with no brake used"
    )


def _set_again_s(ride: Ride, start_s: float, end_s: float) -> float | None:
    """When cruise was engaged again at once after an input, with no brake used meanwhile."""
    runs = ride.runs("cruise_engaged")
    starts_s = runs.start_s[(runs.value == 1) & (runs.start_s > start_s + NO_SOONER_S)]
    if not len(starts_s) or starts_s[0] - start_s > AT_ONCE_S:
        return None
    after = Span(end_s + 1e-3, float(starts_s[0]))
    if after.length_s > 0.0 and brakes.any_on(ride, after):
        return None
    return after.end_s
