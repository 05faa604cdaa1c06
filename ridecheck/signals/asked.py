"""Was the end of an engagement asked for, and what speaks for it.

A hand's action with its effect was asked for. An input that looks like a fault was not:
each kind of fault is one function here that answers with a sentence and its figures, ""
where it does not hold. What fits neither cannot be told.
"""

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ridecheck.catalog import PANEL
from ridecheck.model import Span
from ridecheck.signals import brakes, drivetrain, motion
from ridecheck.signals.false_readings import NOT_RIDERS
from ridecheck.signals.movers import RIDER, Mover
from ridecheck.signals.pulses import (
    SHORT_PULSE_S,
    Touch,
    braking_ms2,
    frees_ratio,
    locked_share,
    maybe_short,
    touches,
)
from ridecheck.signals.ride import SHARP_S, SLOWEST_S, Ride

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


VOTE_KMH = 5.0
"""Slowing by no more than this is none."""

AT_ONCE_S = 5.0
"""Cruise asked for again this soon after an input that did nothing: to notice and to press
takes a second to five; who lets cruise go on purpose has a reason that lasts longer."""

STUCK_S, STUCK_MS2, STUCK_KMH = 4.0, 0.3, 30.0
"""A control on this long (a boot rests on a pedal for up to three) ..."""

HANGS_S = 10.0
"""A lever that comes back late does so within this."""

LONG_S = 5.0
"""A control on this long shows no hand by the slowing of a closed throttle."""

DRIVEN_S, ROLLS_S = 1.0, 1.5
"""... while the bike is driven on for at least the one, throttle open, losing less speed than
STUCK_MS2, faster than STUCK_KMH: nobody brakes and drives, though engine braking may follow
the cancel for the other at first."""

CERTAIN_MS2 = 3.0
"""Harder than any closed throttle slows a bike in the gears cruise holds."""

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

NOTICES_S = 2.5
"""A rider has noticed a cancel, and opens the throttle, this long after it."""

NO_SOONER_S = 1.0
"""Nobody notices a cancel and presses a button in less."""

FLICK_S = 1.0
"""A grip is turned past closed no longer than this to let cruise go (common practice)."""

TOGETHER_S = 0.02
"""Buttons that go on within this (or a refresh) are one event."""

LAMP_BACK_S = 1.0
"""A main switch lamp back this soon was switched by nobody."""


PLATE_SHOWS = 1.0
"""Per cent above its rest at which a plate held by cruise can be told from a closed one."""


DIP_SHOWN_S = 0.055
"""Refresh at which most dips of the supply show (contacts open for 40 ms and more)."""

Answer = tuple[bool | None, str]


def asked_for(ride: Ride, cause: Mover, t_s: float, *, wanted_back: bool = False) -> Answer:
    """Was a cancel at t_s asked for? True, False or None (cannot be told), and why.

    True: a rider's action with its effect. False: an input that looks like a fault; the
    sentence says which kind. wanted_back: the rider's vote. The sentence is "" where the
    cause's own evidence says it all.
    """
    if cause.cause in ("supply", "signal_lost"):
        return False, ""
    if cause.cause in NOT_RIDERS:
        why = NOT_RIDERS[cause.cause](ride, t_s) or _slips(ride, cause, t_s)
        if (
            not why
            and cause.impossible
            and not brakes.any_on(ride, Span(t_s - 1.0, cause.at_s - 1e-3))
        ):
            why = "no wheel or engine changes its speed so fast: a wrong reading"
        return (False, why) if why else (None, "")
    if cause.cause == "power_switch":
        return _main_switch(ride, cause, wanted_back=wanted_back)
    if cause.cause == "cancel_switch":
        why = _buttons_together(ride, cause)
        return (False, why) if why else (None if wanted_back else True, "")
    if cause.cause == "side_stand":
        return (False, "on too short for a foot") if _is_short(cause) else (None, "")
    if cause.cause not in RIDER:
        return None, ""
    return _control(ride, cause, t_s, wanted_back=wanted_back)


def _control(ride: Ride, cause: Mover, t_s: float, *, wanted_back: bool) -> Answer:
    """A brake, the clutch or the roll-off: its effect, else the kinds of fault in turn."""
    stuck = _stuck(ride, cause)
    if _with_another(ride, cause) and _shown_on_s(ride, cause) < HANGS_S:
        stuck = ""  # a hand braked, and the lever came back late
    if stuck and (cause.cause == "clutch" or not _has_effect(ride, cause, least_ms2=CERTAIN_MS2)):
        return False, stuck  # engine braking, or a later change of gear, is no effect of it
    if why := _too_quick(ride, cause):
        return False, why
    if cause.cause != "roll_off" and _has_effect(ride, cause):
        return True, ""
    if _with_another(ride, cause):
        return (True, "") if slowed(ride, t_s) and not wanted_back else (None, "")
    if stuck:
        return False, stuck
    for kind in (_grip_open, _shown_false, _bounces, _repeated, _asked_again):
        if why := kind(ride, cause):
            return False, why
    if cause.cause == "roll_off":
        return (True, "") if slowed(ride, t_s) else (None, "")
    if _shown_on_s(ride, cause) >= LONG_S:
        return None, ""  # engine braking that follows is no sign of a hand
    if _is_short(cause):
        if _taps(ride, cause) or _brakes_next(ride, cause):
            return None, ""
        return False, "too short for most hands, and nothing came of it"
    if math.isnan(cause.pulse_s) or not _may_be_short(cause):
        return (True, "") if slowed(ride, t_s) and not wanted_back else (None, "")
    return None, ""


SHOWN_PULLS = 3
"""A clutch switch that shows so many pulls in a ride works: a flare with none is no pull."""


def _slips(ride: Ride, cause: Mover, t_s: float) -> str:
    """Engine speed runs up in gear, and the clutch, whose switch works, is not pulled."""
    if cause.cause != "engine_flare" or ride.interval_s("clutch") > SHARP_S:
        return ""
    runs = ride.runs("clutch")
    pulled = runs.any_on(Span(t_s - 0.5, t_s + 0.3)) is not False
    if pulled or len(runs.on()) < SHOWN_PULLS:
        return ""
    return (
        "the clutch was not pulled, and its switch shows other pulls: it slips, or the wheel spun"
    )


# ---------------------------------------------------------------- the rider's controls


def _is_short(cause: Mover) -> bool:
    """A pulse of up to SHORT_PULSE_S, seen sharply enough to say so."""
    return cause.interval_s <= SHARP_S and cause.pulse_s <= SHORT_PULSE_S + 1e-6


def _may_be_short(cause: Mover) -> bool:
    """A pulse that may have been no longer than SHORT_PULSE_S, as far as the refresh tells."""
    return _pulses_show(cause) and cause.pulse_s - cause.interval_s <= SHORT_PULSE_S + 1e-6


def _pulses_show(cause: Mover) -> bool:
    return cause.interval_s <= SLOWEST_S


def _too_quick(ride: Ride, cause: Mover) -> str:
    """A pulse shorter than any hand's, and not the first touch of a contact that then closes."""
    if cause.interval_s > SHARP_S or not cause.pulse_s + cause.interval_s <= QUICK_S + 1e-6:
        return ""
    if cause.cause == "roll_off" or _closes_next(ride, cause):
        return ""
    return f"on for less than {QUICK_S:.1f} s: no hand presses and lets go so fast"


def _closes_next(ride: Ride, cause: Mover) -> bool:
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


def _shown_on_s(ride: Ride, cause: Mover) -> float:
    """How long a control shows on: its pulse, or to the end of what is logged of it."""
    if not math.isnan(cause.pulse_s):
        return cause.pulse_s
    runs = [r for r in ride.runs(cause.channel).on() if abs(r.start_s - cause.at_s) < 1e-6]
    return runs[0].length_s if runs else 0.0


def _stuck(ride: Ride, cause: Mover) -> str:
    """A control that stays on while the bike is driven on with it."""
    length_s = _shown_on_s(ride, cause)
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


def _driven_s(ride: Ride, cause: Mover, on: Span) -> float:
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


def _grip_open(ride: Ride, cause: Mover) -> str:
    if cause.cause != "roll_off" or not grip_contradicts(ride, cause.at_s):
        return ""
    return (
        f"the grip is {ride.at('throttle_grip', cause.at_s):.0f} % open while the roll-off switch "
        "says it is turned past closed"
    )


def _shown_false(ride: Ride, cause: Mover) -> str:
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
    return f"the roll-off switch shows on {times} in this ride, with the throttle open"


IN_VAIN = 2
"""A rider who lets cruise go and at once wants it back does not do so again and again."""


def _let_go_in_vain(ride: Ride, cause: Mover) -> str:
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
        f"the roll-off switch shows on {len(others)} times more in this ride, cruise being set "
        f"again within {AT_ONCE_S:.0f} s with no brake used"
    )


def _brakes_at_once(ride: Ride, cause: Mover) -> bool:
    """Does a brake come on with an input, or as a hand goes from the grip to the lever?"""
    near = Span(cause.at_s - ONE_HAND_S, cause.at_s + TO_LEVER_S)
    return any(
        near.start_s <= r.start_s <= near.end_s
        for signal in brakes.signals(ride)
        for r in signal.runs.overlapping(near)
        if r.value == 1
    )


def _brakes_next(ride: Ride, cause: Mover) -> bool:
    """Is a brake used within a second after an input? Then a hand was about to brake."""
    end_s = cause.at_s + _shown_on_s(ride, cause)
    return bool(
        any(
            cause.at_s + 1e-6 < r.start_s <= end_s + 1.0
            for signal in brakes.signals(ride)
            for r in signal.runs.overlapping(Span(cause.at_s, end_s + 1.0))
            if r.value == 1
        )
    )


def _idle_touches(ride: Ride, cause: Mover) -> list[Touch]:
    """Touches of a control in the ride of which nothing came."""
    if not ride.has(cause.channel) or cause.channel.endswith("_pressure"):
        return []
    return [t for t in touches(ride, cause.channel) if not t.effect]


def _with_another(ride: Ride, cause: Mover) -> bool:
    """Did another control go on with a brake or the roll-off, longer than a pulse? A hand did.

    The lamp line only repeats a brake.
    """
    if cause.cause in ("clutch", "brake_lamp"):
        return False
    near = Span(cause.at_s - ONE_HAND_S, cause.at_s + ONE_HAND_S + 1e-3)
    return any(
        near.start_s <= r.start_s <= near.end_s
        and r.length_s > SHORT_PULSE_S + ride.interval_s(name) + 1e-6
        for name in ("front_brake", "rear_brake", "roll_off")
        if name != cause.cause and ride.has(name)
        for r in ride.runs(name).overlapping(near)
        if r.value == 1
    )


def _own(found: list[Touch], cause: Mover) -> Touch | None:
    """The touch that a cause is part of."""
    at_s = cause.at_s
    return next((t for t in found if t.span.start_s - 1e-6 <= at_s <= t.span.end_s), None)


def _bounces(ride: Ride, cause: Mover) -> str:
    """Pulses in a row, each too short for a hand or opened for too short, and nothing came of
    them.
    """
    own = _own(_idle_touches(ride, cause), cause)
    if own is None or own.runs < 2:
        return ""
    told = f"bounces: {own.runs} pulses within {own.span.length_s:.2f} s, and nothing came of them"
    if _opens_s(ride, cause, own.span) + cause.interval_s <= QUICK_S + 1e-6 or _rattles(own):
        return told
    short = own.longest_s <= BOUNCE_PULSE_S + cause.interval_s + 1e-6
    return told if short and own.span.length_s / (own.runs - 1) <= BOUNCE_S else ""


def _rattles(touch: Touch) -> bool:
    """Three pulses or more, one after another faster than a hand works a lever?"""
    return touch.runs >= RATTLES and touch.span.length_s / (touch.runs - 1) <= RATTLE_S


def _opens_s(ride: Ride, cause: Mover, span: Span) -> float:
    """The shortest time a control shows off between two of its pulses in a stretch."""
    on = [r for r in ride.runs(cause.channel).overlapping(span) if r.value == 1]
    return min((b.start_s - a.end_s for a, b in pairwise(on)), default=math.inf)


def _pulses(ride: Ride, cause: Mover) -> list[Touch]:
    """Touches of its control that may have been too short for a hand."""
    if not _pulses_show(cause) or not ride.has(cause.channel):
        return []
    return [] if cause.channel.endswith("_pressure") else maybe_short(ride, cause.channel)


def _repeated(ride: Ride, cause: Mover) -> str:
    """One of several pulses in the ride of which nothing came, and not a rider's habit.

    A contact that bounces also makes pulses as long as a quick hand's: where one at least
    was too short for a hand, all up to BRIEF_S count.
    """
    if cause.cause == "roll_off" or not _pulses_show(cause) or _taps(ride, cause):
        return ""
    idle = _idle_touches(ride, cause)
    most_s = BRIEF_S if _pulses(ride, cause) or _is_short(cause) else SHORT_PULSE_S
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
        f"ride of which nothing came, {off} of them with cruise off"
    )


def _taps(ride: Ride, cause: Mover) -> bool:
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


def _asked_again(ride: Ride, cause: Mover) -> str:
    """Cruise asked for again at once, with no brake used meanwhile, after an idle input.

    An input of a length a hand makes on purpose does not count: a rider who brakes a
    little, or rests a boot on the pedal, may want cruise back as soon.
    """
    length_s = _shown_on_s(ride, cause)
    fits = length_s <= FLICK_S if cause.cause == "roll_off" else _may_be_short(cause)
    if not fits or not _pulses_show(cause):
        return ""
    again_s = _set_again_s(ride, cause.at_s, cause.at_s + length_s)
    if again_s is None:
        return ""
    return (
        f"nothing came of it, and cruise was engaged again {again_s - cause.at_s:.1f} s after it "
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


def _has_effect(ride: Ride, cause: Mover, *, least_ms2: float = 0.0) -> bool:
    """Did the bike do what a brake or the clutch does: slow harder than coasting (and than
    least_ms2), or free the ratio?
    """
    length_s = 1.0 if math.isnan(cause.pulse_s) else cause.pulse_s
    if cause.cause == "clutch":
        end_s = min(cause.at_s + length_s + 1.0, _next_on_s(ride, cause))
        return frees_ratio(ride, cause.at_s, end_s) is True
    if _is_short(cause):
        return False  # pads grip only while the lever is worked: too short to slow a bike
    # Acceleration is taken over a window: the half of it after an instant lies ahead.
    ahead_s = motion.window_s(ride, "wheel_speed") / 2.0 if ride.has("wheel_speed") else 0.0
    later = [
        r.start_s - ahead_s
        for signal in brakes.signals(ride)
        for r in signal.runs.overlapping(Span(cause.at_s, cause.at_s + 1.5))
        if r.value == 1 and r.start_s > cause.at_s + ONE_HAND_S
    ]
    # A later braking is no effect of a pulse now, nor of a control that may be stuck.
    end_s = min([cause.at_s + 1.5, *(later if least_ms2 or _may_be_short(cause) else [])])
    a = motion.acceleration(ride)[ride.slice(Span(cause.at_s - 0.2, end_s))]
    hard_ms2 = max(least_ms2, braking_ms2(ride, ride.at("wheel_speed", cause.at_s)))
    return bool(np.isfinite(a).any() and -np.nanmin(a) > hard_ms2)


def _next_on_s(ride: Ride, cause: Mover) -> float:
    """When the control that moved shows on again, inf where it does not: a later pull's
    effect is not this one's.
    """
    runs = ride.runs(cause.channel)
    later = runs.start_s[(runs.value == 1) & (runs.start_s > cause.at_s + 1e-6)]
    return float(later[0]) - 1e-3 if len(later) else math.inf


def slowed(ride: Ride, t_s: float) -> bool:
    """Did the bike go on to lose more than VOTE_KMH within five seconds?"""
    v = ride.numbers("wheel_speed")
    here, after = v[ride.slice(Span(t_s - 1.0, t_s))], v[ride.slice(Span(t_s, t_s + 5.0))]
    if not np.isfinite(here).any() or not np.isfinite(after).any():
        return False
    return bool(np.nanmean(here) - np.nanmin(after) > VOTE_KMH)


# ---------------------------------------------------------------- the panel


def _main_switch(ride: Ride, cause: Mover, *, wanted_back: bool) -> Answer:
    """A press on record was meant; a lamp that goes without one was switched by nobody."""
    if cause.channel == "switch_power":
        return True, ""
    if cause.pulse_s < LAMP_BACK_S:
        return False, f"the lamp was back after {cause.pulse_s:.2f} s: no hand is so fast"
    if _pressed(ride, cause):
        return True, ""
    interval_s = ride.interval_s("switch_power")
    back_soon = wanted_back or cause.pulse_s < AT_ONCE_S
    if interval_s <= SHARP_S or (math.isfinite(interval_s) and back_soon):
        return False, "the lamp went off and the main switch, which is logged, was not pressed"
    if math.isfinite(interval_s) or wanted_back:
        return None, ""
    return (True if ride.interval_s("supply_voltage") <= DIP_SHOWN_S else None), ""


def _pressed(ride: Ride, cause: Mover) -> bool:
    """Was the main switch shown pressed before the fall of its lamp, within a refresh?"""
    if not ride.has("switch_power"):
        return False
    refresh_s = min(max(ride.interval_s("switch_power"), cause.interval_s), 2.0)
    around = Span(cause.at_s - 0.5 - refresh_s, cause.at_s + refresh_s)
    return ride.runs("switch_power").any_on(around) is True


def _buttons_together(ride: Ride, cause: Mover) -> str:
    """Several buttons going on in one instant: one hand presses one of them."""
    within_s = max(TOGETHER_S, 1.5 * cause.interval_s)
    others = []
    for name in ("set", "resume"):
        runs = ride.runs(PANEL[name]) if ride.has(PANEL[name]) else None
        if runs is None:
            continue
        starts_s = runs.start_s[(runs.value == 1) & runs.sharp_start]
        if len(starts_s) and np.abs(starts_s - cause.at_s).min() <= within_s:
            others.append(name)
    if not others:
        return ""
    return f"the {' and '.join(others)} button went on with it: one hand presses one button"
