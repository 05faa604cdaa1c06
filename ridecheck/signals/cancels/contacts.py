"""Does the control that a cancel is put down to look like a fault of its contact?

Each kind of fault is one function of the case that answers with what was seen, None where it
does not hold.
"""

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Evidence, Span
from ridecheck.signals import brakes, drivetrain, motion
from ridecheck.signals.cancels.candidate import VOTE_KMH, Candidate, Case, seen
from ridecheck.signals.pulses import SHORT_PULSE_S, Touch, locked_share, maybe_short, touches
from ridecheck.signals.ride import SHARP_S, Ride
from ridecheck.signals.switches import Run

Flags = NDArray[np.bool_]

AT_ONCE_S = 5.0
"""Cruise engaged again this soon after an input that did nothing: to notice and to press
takes a second to five; who disengages on purpose has a reason that lasts longer."""

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
bouncing: no hand touches, releases and touches again so fast."""

RATTLES, RATTLE_S = 3, 0.35
"""So many pulses, one every so many seconds: no hand works a lever so (common practice)."""

QUICK_S = 0.1
"""A hand that presses and releases at once takes about this long or longer (common practice)."""

ONE_HAND_S = 0.3
"""Brakes that come on within this of one another are one use."""

TO_LEVER_S = 0.6
"""A hand that closes the grip to brake is at the lever within this (common practice)."""

NO_SOONER_S = 1.0
"""Nobody notices a cancel and presses a button in less."""

PLATE_SHOWS = 1.0
"""Per cent above its rest at which a plate held by cruise can be separated from a closed one."""

IN_VAIN = 2
"""A rider who disengages cruise and at once wants it back does not do so again and again."""


def shown_on_s(case: Case) -> float:
    """How long the control shows on: its pulse, or to the end of what is logged of it."""
    cause = case.cause
    if not math.isnan(cause.pulse_s):
        return cause.pulse_s
    runs = (r for r in case.ride.runs(cause.channel).on() if abs(r.start_s - cause.at_s) < 1e-6)
    return next((r.length_s for r in runs), 0.0)


def may_be_short(cause: Candidate) -> bool:
    """Whether a pulse may have been no longer than SHORT_PULSE_S."""
    return cause.pulses_show and cause.no_longer_than(SHORT_PULSE_S)


# ---------------------------------------------------------------- one look at the contact


def too_quick(case: Case) -> Evidence | None:
    """A pulse shorter than any hand's, and not the first touch of a contact that then closes."""
    cause = case.cause
    if cause.interval_s > SHARP_S or not cause.pulse_s + cause.interval_s <= QUICK_S + 1e-6:
        return None
    return None if _closes_next(case) else seen("too_quick", limit_s=QUICK_S)


def _closes_next(case: Case) -> bool:
    """Whether this control, or another brake, closes for longer right after a pulse."""
    ride, cause = case.ride, case.cause
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


def stuck(case: Case) -> Evidence | None:
    """A control that stays on while the bike is driven on with it."""
    ride, cause, length_s = case.ride, case.cause, shown_on_s(case)
    if length_s < STUCK_S or not ride.has(cause.channel) or cause.is_pressure:
        return None
    on = Span(cause.at_s + ROLLS_S, cause.at_s + length_s)
    v = ride.numbers("wheel_speed")[ride.slice(on)]
    fast = v[v > STUCK_KMH]
    if not len(fast):
        return None
    speed_kmh = float(np.median(fast))
    if cause.cause == "clutch":
        locked = _locked(ride, on)
        return seen("stuck_on_locked", length_s=length_s, speed_kmh=speed_kmh) if locked else None
    driven_s = _driven_s(ride, cause, on)
    if driven_s < DRIVEN_S:
        return None
    return seen("stuck_on_driven", length_s=length_s, speed_kmh=speed_kmh, driven_s=driven_s)


def _locked(ride: Ride, on: Span) -> bool:
    """Whether engine and wheel are locked in one of the gears on most of the rows at speed."""
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
    """Whether the grip is open while the throttle-closed switch shows it turned past closed."""
    if not ride.has("throttle_grip"):
        return False
    grip = ride.numbers("throttle_grip")[ride.slice(Span(t_s, t_s + 0.1))]
    shut = motion.closed_reading(ride, "throttle_grip") + motion.GRIP_OPEN
    return bool(np.isfinite(grip).any() and np.nanmin(grip) > shut)


def grip_open(case: Case) -> Evidence | None:
    """The throttle-closed switch is on while the grip is open."""
    at_s = case.cause.at_s
    if not grip_contradicts(case.ride, at_s):
        return None
    grip = case.ride.numbers("throttle_grip")[case.ride.slice(Span(at_s, at_s + 0.1))]
    return seen("grip_open", grip_percent=float(np.nanmin(grip)))


# ---------------------------------------------------------------- the rest of the ride


def on_elsewhere(case: Case) -> Evidence | None:
    """The throttle-closed switch shows on elsewhere in the ride with an open throttle."""
    at_s = case.cause.at_s
    if not case.cause.pulses_show or _brakes_at_once(case):
        return None
    idle = [t for t in touches(case.ride, "roll_off") if not t.effect]
    others = [t for t in idle if not t.span.start_s - 1.0 <= at_s <= t.span.end_s + 1.0]
    return seen("on_elsewhere", times=len(others)) if others else None


def in_vain_elsewhere(case: Case) -> Evidence | None:
    """After the throttle-closed switch, at least twice elsewhere, cruise was engaged again within
    5 s, before the bike slowed by more than 5 km/h, with no hand on the throttle.

    A rider who rolls the throttle closed and resumes has slowed meanwhile, or opened it by hand.
    """
    ride = case.ride
    if not case.cause.pulses_show or _brakes_at_once(case):
        return None
    others = [
        run
        for run in ride.runs("roll_off").on()
        if abs(run.start_s - case.cause.at_s) > 1.0
        and _engaged_at(ride, run.start_s)
        and _in_vain(ride, run)
    ]
    enough = len(others) >= IN_VAIN
    return seen("in_vain_elsewhere", times=len(others), within_s=AT_ONCE_S) if enough else None


def _in_vain(ride: Ride, run: Run) -> bool:
    """Whether cruise was engaged again at once after an input, the speed kept by no hand."""
    again_s = _engaged_again_s(ride, run.start_s, run.end_s)
    if again_s is None:
        return False
    until = ride.slice(Span(run.start_s, again_s))
    speed = ride.numbers("wheel_speed")[until]
    lost_kmh = ride.at("wheel_speed", run.start_s) - speed[-1:]
    kept = bool((lost_kmh <= VOTE_KMH).any())
    return kept and not _throttle_by_hand(ride, Span(run.start_s + ROLLS_S, again_s))


def _throttle_by_hand(ride: Ride, span: Span) -> bool:
    """Whether the grip (else the plate, cruise not engaged) is open on any row of a stretch."""
    name = next((n for n in ("throttle_grip", "throttle") if ride.has(n)), "")
    if not name:
        return False
    rows = ride.slice(Span(span.start_s, span.end_s - 1e-3))
    return bool(
        (ride.numbers(name)[rows] > motion.closed_reading(ride, name) + motion.GRIP_OPEN).any()
    )


def _brakes_at_once(case: Case) -> bool:
    """Whether a brake comes on with an input, or as a hand goes from the grip to the lever."""
    at_s = case.cause.at_s
    return brakes.comes_on(case.ride, at_s - ONE_HAND_S, at_s + TO_LEVER_S)


def brakes_next(case: Case) -> bool:
    """Whether a brake is used within a second after an input: a hand was about to brake."""
    end_s = case.cause.at_s + shown_on_s(case)
    return brakes.comes_on(case.ride, case.cause.at_s + 1e-6, end_s + 1.0)


def _idle_touches(case: Case) -> list[Touch]:
    """Touches of the control in the ride with no effect."""
    cause = case.cause
    if not case.ride.has(cause.channel) or cause.is_pressure:
        return []
    return [t for t in touches(case.ride, cause.channel) if not t.effect]


def _own(found: list[Touch], cause: Candidate) -> Touch | None:
    """The touch that a cause is part of."""
    at_s = cause.at_s
    return next((t for t in found if t.span.start_s - 1e-6 <= at_s <= t.span.end_s), None)


def bounces(case: Case) -> Evidence | None:
    """Pulses in a row, each too short for a hand or opened for too short, with no effect."""
    own = _own(_idle_touches(case), case.cause)
    if own is None or own.runs < 2:
        return None
    refresh_s = case.cause.interval_s
    too_short = own.longest_s <= BOUNCE_PULSE_S + refresh_s + 1e-6
    close = own.span.length_s / (own.runs - 1) <= BOUNCE_S
    opens_s = _opens_s(case.ride, case.cause, own.span)
    if not (opens_s + refresh_s <= QUICK_S + 1e-6 or _rattles(own) or (too_short and close)):
        return None
    return seen("bounces", pulses=own.runs, within_s=own.span.length_s)


def _rattles(touch: Touch) -> bool:
    """Whether three pulses or more follow one another faster than a hand works a lever."""
    return touch.runs >= RATTLES and touch.span.length_s / (touch.runs - 1) <= RATTLE_S


def _opens_s(ride: Ride, cause: Candidate, span: Span) -> float:
    """The shortest time a control shows off between two of its pulses in a stretch."""
    on = [r for r in ride.runs(cause.channel).overlapping(span) if r.value == 1]
    return min((b.start_s - a.end_s for a, b in pairwise(on)), default=math.inf)


def _pulses(case: Case) -> list[Touch]:
    """Touches of the control that may have been too short for a hand."""
    cause = case.cause
    if not cause.pulses_show or not case.ride.has(cause.channel) or cause.is_pressure:
        return []
    return maybe_short(case.ride, cause.channel)


def repeated(case: Case) -> Evidence | None:
    """One of several pulses in the ride with no effect, and not a rider's habit.

    A contact that bounces also makes pulses as long as a quick hand's: where one at least
    was too short for a hand, all up to BRIEF_S count.
    """
    cause = case.cause
    if not cause.pulses_show or taps(case):
        return None
    idle = _idle_touches(case)
    most_s = BRIEF_S if _pulses(case) or cause.surely_within(SHORT_PULSE_S) else SHORT_PULSE_S
    brief = [t for t in idle if t.longest_s <= most_s + cause.interval_s + 1e-6]
    # A pulse that braking follows within a second is part of that touch: it counts by itself.
    count = len(brief) + (_own(brief, cause) is None)
    if not cause.no_longer_than(most_s) or count < REPEATED:
        return None
    outnumber = count >= OUTNUMBER * (len(idle) - len(brief))
    if not outnumber and not any(_rattles(t) for t in brief):
        return None
    off = sum(not _engaged_at(case.ride, p.span.start_s) for p in brief)
    longest_s = max(cause.pulse_s, *(p.longest_s for p in brief))
    return seen("repeated", count=count, longest_s=longest_s, off=off)


def taps(case: Case) -> bool:
    """Whether the pulses of this control are a rider's habit of disengaging by a tap.

    So it is where most of them ended an engagement that nobody asked for again, with
    cruise off there is hardly one, and none was shorter than a hand can make.
    """
    pulses = _pulses(case)
    off = sum(not _engaged_at(case.ride, p.span.start_s) for p in pulses)
    wished = len(pulses) - off - sum(_again(case.ride, p) for p in pulses)
    shortest_s = min((p.longest_s for p in pulses), default=0.0)
    by_hand = shortest_s + case.cause.interval_s > QUICK_S
    return len(pulses) > 1 and wished > 0.5 * len(pulses) and off < 2 and by_hand


def _engaged_at(ride: Ride, t_s: float) -> bool:
    return ride.runs("cruise_engaged").value_at(t_s - 1e-3) == 1


def _again(ride: Ride, pulse: Touch) -> bool:
    """Whether cruise, engaged at a pulse, was not ended by it or was soon engaged again."""
    start_s = pulse.span.start_s
    if not _engaged_at(ride, start_s):
        return False
    later = Span(start_s + 1.0, start_s + 1.0 + AT_ONCE_S)
    return ride.runs("cruise_engaged").any_on(later) is True


def engaged_again(case: Case) -> Evidence | None:
    """Cruise engaged again at once after a pulse with no effect, no brake used meanwhile.

    An input of a length a hand makes on purpose does not count: a rider who brakes a little,
    rests a boot on the pedal or rolls the throttle closed may want cruise back as soon.
    """
    cause = case.cause
    if not may_be_short(cause):
        return None
    again_s = _engaged_again_s(case.ride, cause.at_s, cause.at_s + shown_on_s(case))
    return None if again_s is None else seen("engaged_again", after_s=again_s - cause.at_s)


def _engaged_again_s(ride: Ride, start_s: float, end_s: float) -> float | None:
    """When cruise was engaged again at once after an input, with no brake used meanwhile."""
    runs = ride.runs("cruise_engaged")
    starts_s = runs.start_s[(runs.value == 1) & (runs.start_s > start_s + NO_SOONER_S)]
    if not len(starts_s) or starts_s[0] - start_s > AT_ONCE_S:
        return None
    after = Span(end_s + 1e-3, float(starts_s[0]))
    if after.length_s > 0.0 and brakes.any_on(ride, after):
        return None
    return after.end_s
