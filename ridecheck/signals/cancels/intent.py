"""Was the end of an engagement asked for, and what speaks for it.

A hand's action with its effect was asked for. An input that looks like a fault was not:
contacts.py has each kind of it, false_readings.py those of speeds and gear. What fits
neither cannot be told.
"""

import math

import numpy as np

from ridecheck.core.catalog import PANEL
from ridecheck.core.model import Span
from ridecheck.signals import brakes, motion
from ridecheck.signals.cancels import contacts
from ridecheck.signals.cancels.candidate import RIDER, Candidate
from ridecheck.signals.cancels.false_readings import NOT_RIDERS
from ridecheck.signals.pulses import SHORT_PULSE_S, braking_ms2, frees_ratio
from ridecheck.signals.ride import SHARP_S, Ride

VOTE_KMH = 5.0
"""Slowing by no more than this is none."""

HANGS_S = 10.0
"""A lever that comes back late does so within this."""

LONG_S = 5.0
"""A control on this long shows no hand by the slowing of a closed throttle."""

CERTAIN_MS2 = 3.0
"""Harder than any closed throttle slows a bike in the gears cruise holds."""

NOTICES_S = 2.5
"""A rider has noticed a cancel, and opens the throttle, this long after it."""

TOGETHER_S = 0.02
"""Buttons that go on within this (or a refresh) are one event."""

LAMP_BACK_S = 1.0
"""A main switch lamp back this soon was switched by nobody."""


DIP_SHOWN_S = 0.055
"""Refresh at which most dips of the supply show (contacts open for 40 ms and more)."""

Answer = tuple[bool | None, str]


def intent(ride: Ride, cause: Candidate, t_s: float, *, wanted_back: bool = False) -> Answer:
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
        return (False, "on too short for a foot") if contacts.is_short(cause) else (None, "")
    if cause.cause not in RIDER:
        return None, ""
    return _control(ride, cause, t_s, wanted_back=wanted_back)


def _control(ride: Ride, cause: Candidate, t_s: float, *, wanted_back: bool) -> Answer:
    """A brake, the clutch or the roll-off: its effect, else the kinds of fault in turn."""
    stuck = contacts.stuck(ride, cause)
    if _with_another(ride, cause) and contacts.shown_on_s(ride, cause) < HANGS_S:
        stuck = ""  # a hand braked, and the lever came back late
    if stuck and (cause.cause == "clutch" or not _has_effect(ride, cause, least_ms2=CERTAIN_MS2)):
        return False, stuck  # engine braking, or a later change of gear, is no effect of it
    if why := contacts.too_quick(ride, cause):
        return False, why
    if cause.cause != "roll_off" and _has_effect(ride, cause):
        return True, ""
    if _with_another(ride, cause):
        return (True, "") if slowed(ride, t_s) and not wanted_back else (None, "")
    if stuck:
        return False, stuck
    for kind in (
        contacts.grip_open,
        contacts.shown_false,
        contacts.bounces,
        contacts.repeated,
        contacts.asked_again,
    ):
        if why := kind(ride, cause):
            return False, why
    if cause.cause == "roll_off":
        return (True, "") if slowed(ride, t_s) else (None, "")
    if contacts.shown_on_s(ride, cause) >= LONG_S:
        return None, ""  # engine braking that follows is no sign of a hand
    if contacts.is_short(cause):
        if contacts.taps(ride, cause) or contacts.brakes_next(ride, cause):
            return None, ""
        return False, "too short for most hands, and no slowing followed"
    if math.isnan(cause.pulse_s) or not contacts.may_be_short(cause):
        return (True, "") if slowed(ride, t_s) and not wanted_back else (None, "")
    return None, ""


SHOWN_PULLS = 3
"""A clutch switch that shows so many pulls in a ride works: a flare with none is no pull."""


def _slips(ride: Ride, cause: Candidate, t_s: float) -> str:
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


def _with_another(ride: Ride, cause: Candidate) -> bool:
    """Did another control go on with a brake or the roll-off, longer than a pulse? A hand did.

    The lamp line only repeats a brake.
    """
    if cause.cause in ("clutch", "brake_lamp"):
        return False
    near = Span(cause.at_s - contacts.ONE_HAND_S, cause.at_s + contacts.ONE_HAND_S + 1e-3)
    return any(
        near.start_s <= r.start_s <= near.end_s
        and r.length_s > SHORT_PULSE_S + ride.interval_s(name) + 1e-6
        for name in ("front_brake", "rear_brake", "roll_off")
        if name != cause.cause and ride.has(name)
        for r in ride.runs(name).overlapping(near)
        if r.value == 1
    )


def _has_effect(ride: Ride, cause: Candidate, *, least_ms2: float = 0.0) -> bool:
    """Did the bike do what a brake or the clutch does: slow harder than coasting (and than
    least_ms2), or free the ratio?
    """
    length_s = 1.0 if math.isnan(cause.pulse_s) else cause.pulse_s
    if cause.cause == "clutch":
        end_s = min(cause.at_s + length_s + 1.0, _next_on_s(ride, cause))
        return frees_ratio(ride, cause.at_s, end_s) is True
    if contacts.is_short(cause):
        return False  # pads grip only while the lever is worked: too short to slow a bike
    # Acceleration is taken over a window: the half of it after an instant lies ahead.
    ahead_s = motion.window_s(ride, "wheel_speed") / 2.0 if ride.has("wheel_speed") else 0.0
    later = [
        r.start_s - ahead_s
        for signal in brakes.signals(ride)
        for r in signal.runs.overlapping(Span(cause.at_s, cause.at_s + 1.5))
        if r.value == 1 and r.start_s > cause.at_s + contacts.ONE_HAND_S
    ]
    # A later braking is no effect of a pulse now, nor of a control that may be stuck.
    end_s = min([cause.at_s + 1.5, *(later if least_ms2 or contacts.may_be_short(cause) else [])])
    a = motion.acceleration(ride)[ride.slice(Span(cause.at_s - 0.2, end_s))]
    hard_ms2 = max(least_ms2, braking_ms2(ride, ride.at("wheel_speed", cause.at_s)))
    return bool(np.isfinite(a).any() and -np.nanmin(a) > hard_ms2)


def _next_on_s(ride: Ride, cause: Candidate) -> float:
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


def _main_switch(ride: Ride, cause: Candidate, *, wanted_back: bool) -> Answer:
    """A press on record was meant; a lamp that goes without one was switched by nobody."""
    if cause.channel == "switch_power":
        return True, ""
    if cause.pulse_s < LAMP_BACK_S:
        return False, f"the lamp was back after {cause.pulse_s:.2f} s: no hand is so fast"
    if _pressed(ride, cause):
        return True, ""
    interval_s = ride.interval_s("switch_power")
    back_soon = wanted_back or cause.pulse_s < contacts.AT_ONCE_S
    if interval_s <= SHARP_S or (math.isfinite(interval_s) and back_soon):
        return False, "the lamp went off and the main switch, which is logged, was not pressed"
    if math.isfinite(interval_s) or wanted_back:
        return None, ""
    return (True if ride.interval_s("supply_voltage") <= DIP_SHOWN_S else None), ""


def _pressed(ride: Ride, cause: Candidate) -> bool:
    """Was the main switch shown pressed before the fall of its lamp, within a refresh?"""
    if not ride.has("switch_power"):
        return False
    refresh_s = min(max(ride.interval_s("switch_power"), cause.interval_s), 2.0)
    around = Span(cause.at_s - 0.5 - refresh_s, cause.at_s + refresh_s)
    return ride.runs("switch_power").any_on(around) is True


def _buttons_together(ride: Ride, cause: Candidate) -> str:
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
