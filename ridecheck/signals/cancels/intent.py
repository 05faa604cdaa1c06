"""Did the rider command the end of an engagement? One table; the first row that applies answers.

A hand's action with its effect was commanded. An input that looks like a fault was not:
contacts.py has each kind of it, false_readings.py those of speeds and gear. What no row
fits is undetermined.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ridecheck.core.catalog import PANEL
from ridecheck.core.model import Evidence, Span
from ridecheck.signals import brakes, motion
from ridecheck.signals.cancels import contacts, false_readings, logged, what_acted_first
from ridecheck.signals.cancels.candidate import UNEXPLAINED, VOTE_KMH, Case, seen
from ridecheck.signals.cruise import PANEL_S, panel_chatters
from ridecheck.signals.pulses import SHORT_PULSE_S, braking_ms2, frees_ratio
from ridecheck.signals.ride import SHARP_S

HANGS_S = 10.0
"""A lever that comes back late does so within this."""

LONG_S = 5.0
"""A control on this long shows no hand by the slowing of a closed throttle."""

CERTAIN_MS2 = 3.0
"""Harder than any closed throttle slows a bike in the gears cruise holds."""

TOGETHER_S = 0.02
"""Buttons that go on within this (or a refresh) are one event."""

LAMP_BACK_S = 1.0
"""A main switch lamp back this soon was switched by nobody."""

DIP_SHOWN_S = 0.055
"""Refresh at which most dips of the supply show (contacts open for 40 ms and more)."""


@dataclass(frozen=True, slots=True)
class Decision:
    """A row: of these causes, where it applies, this is the answer.

    applies: what was seen, where it is worth a sentence, or just whether it holds; its
    docstring says what it looks for. commanded: True, False or None (undetermined).
    """

    causes: frozenset[str]
    applies: Callable[[Case], Evidence | bool | None]
    commanded: bool | None


def decide(case: Case) -> tuple[bool | None, Evidence | None]:
    """Whether the rider commanded the cancel, and what was seen that says so, if anything."""
    for row in DECISIONS:
        if case.cause.cause in row.causes and (found := row.applies(case)):
            return row.commanded, found if isinstance(found, Evidence) else None
    return None, None


# ---------------------------------------------------------------- brakes, clutch, throttle closed


def stuck_on(case: Case) -> Evidence | None:
    """On for long while the bike is driven on with it; no hand braked, and no lever came back
    late.
    """
    if with_another(case) and contacts.shown_on_s(case) < HANGS_S:
        return None
    found = contacts.stuck(case)
    # Engine braking, or a later change of gear, is no effect of a control that is stuck.
    brake = case.cause.cause not in ("clutch", "roll_off")
    return None if found and brake and _has_effect(case, least_ms2=CERTAIN_MS2) else found


def took_effect(case: Case) -> bool:
    """The bike slowed harder than by engine braking, or the clutch freed the engine."""
    return _has_effect(case)


def slowed_with_another(case: Case) -> bool:
    """Another control came on with it, and the bike slowed and cruise stayed off."""
    return with_another(case) and slowed_down(case) and not case.wanted_back


def with_another(case: Case) -> bool:
    """Another brake or the throttle-closed switch came on with it, for longer than a pulse."""
    ride, cause = case.ride, case.cause
    if cause.cause in ("clutch", "brake_lamp"):  # the lamp line only repeats a brake
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


def slowed_down(case: Case) -> bool:
    """The bike went on to lose more than 5 km/h within five seconds."""
    ride, t_s = case.ride, case.t_s
    v = ride.numbers("wheel_speed")
    here, after = v[ride.slice(Span(t_s - 1.0, t_s))], v[ride.slice(Span(t_s, t_s + 5.0))]
    if not np.isfinite(here).any() or not np.isfinite(after).any():
        return False
    return bool(np.nanmean(here) - np.nanmin(after) > VOTE_KMH)


def held_long(case: Case) -> bool:
    """On for five seconds or more: engine braking that follows is no sign of a hand."""
    return contacts.shown_on_s(case) >= LONG_S


def tapped(case: Case) -> bool:
    """A short pulse of a rider who disengages by taps, or who brakes within a second."""
    short = case.cause.surely_within(SHORT_PULSE_S)
    return short and (contacts.taps(case) or contacts.brakes_next(case))


def too_short(case: Case) -> Evidence | None:
    """A pulse of up to 0.2 s with no effect: too short for most hands."""
    return seen("too_short") if case.cause.surely_within(SHORT_PULSE_S) else None


def held_and_slowed(case: Case) -> bool:
    """On for longer than a pulse; the bike slowed and cruise stayed off."""
    if not math.isnan(case.cause.pulse_s) and contacts.may_be_short(case.cause):
        return False
    return slowed_down(case) and not case.wanted_back


def _has_effect(case: Case, *, least_ms2: float = 0.0) -> bool:
    """Whether the bike did what a brake or the clutch does: slow harder than coasting (and
    than least_ms2), or free the ratio.
    """
    ride, cause = case.ride, case.cause
    if cause.cause == "clutch":
        length_s = 1.0 if math.isnan(cause.pulse_s) else cause.pulse_s
        end_s = min(cause.at_s + length_s + 1.0, _next_on_s(case))
        return frees_ratio(ride, cause.at_s, end_s) is True
    if cause.surely_within(SHORT_PULSE_S):
        return False  # pads grip only while the lever is worked: too short to slow a bike
    end_s = cause.at_s + 1.5
    if least_ms2 or contacts.may_be_short(cause):
        end_s = min(end_s, _next_braking_s(case))
    a = motion.acceleration(ride)[ride.slice(Span(cause.at_s - 0.2, end_s))]
    hard_ms2 = max(least_ms2, braking_ms2(ride, ride.at("wheel_speed", cause.at_s)))
    return bool(np.isfinite(a).any() and -np.nanmin(a) > hard_ms2)


def _next_on_s(case: Case) -> float:
    """When the control shows on again, inf where it does not: a later pull's effect is not
    this one's.
    """
    runs = case.ride.runs(case.cause.channel)
    later = runs.start_s[(runs.value == 1) & (runs.start_s > case.cause.at_s + 1e-6)]
    return float(later[0]) - 1e-3 if len(later) else math.inf


def _next_braking_s(case: Case) -> float:
    """When a later braking begins to show in the acceleration: no effect of a pulse now."""
    ride, at_s = case.ride, case.cause.at_s
    # Acceleration is taken over a window: the half of it after an instant lies ahead.
    ahead_s = motion.window_s(ride, "wheel_speed") / 2.0 if ride.has("wheel_speed") else 0.0
    later = [
        r.start_s
        for signal in brakes.signals(ride)
        for r in signal.runs.overlapping(Span(at_s, at_s + 1.5))
        if r.value == 1 and r.start_s > at_s + contacts.ONE_HAND_S
    ]
    return min(later, default=math.inf) - ahead_s


# ---------------------------------------------------------------- panel, stand, supply


def no_hand(_: Case) -> bool:
    """The supply fell, or a signal was lost."""
    return True


def switch_worked(case: Case) -> bool:
    """The main switch, logged by itself, was worked."""
    return case.cause.channel == "switch_power"


def lamp_back(case: Case) -> Evidence | None:
    """The main switch lamp was back within a second: no hand is so fast."""
    pulse_s = case.cause.pulse_s
    return seen("lamp_back", after_s=pulse_s) if pulse_s < LAMP_BACK_S else None


def switch_pressed(case: Case) -> bool:
    """The main switch was pressed before its lamp went off."""
    ride, cause = case.ride, case.cause
    if not ride.has("switch_power"):
        return False
    refresh_s = min(max(ride.interval_s("switch_power"), cause.interval_s), 2.0)
    around = Span(cause.at_s - 0.5 - refresh_s, cause.at_s + refresh_s)
    return ride.runs("switch_power").any_on(around) is True


def lamp_without_press(case: Case) -> Evidence | None:
    """The lamp went off, and the main switch, logged at 10 Hz or soon on again, shows no press."""
    interval_s = case.ride.interval_s("switch_power")
    back_soon = case.wanted_back or case.cause.pulse_s < contacts.AT_ONCE_S
    shown = interval_s <= SHARP_S or (math.isfinite(interval_s) and back_soon)
    return seen("lamp_without_press") if shown else None


def press_hidden(case: Case) -> bool:
    """A press may lie between two rows, or the rider wanted cruise back."""
    return math.isfinite(case.ride.interval_s("switch_power")) or case.wanted_back


def supply_watched(case: Case) -> bool:
    """The supply is logged at 20 Hz and did not dip: the lamp went off by its switch."""
    return case.ride.interval_s("supply_voltage") <= DIP_SHOWN_S


def buttons_together(case: Case) -> Evidence | None:
    """Another button went on in the same instant: one hand presses one of them."""
    within_s = max(TOGETHER_S, 1.5 * case.cause.interval_s)
    others = []
    for name in ("set", "resume"):
        runs = case.ride.runs(PANEL[name]) if case.ride.has(PANEL[name]) else None
        if runs is None:
            continue
        starts_s = runs.start_s[(runs.value == 1) & runs.sharp_start]
        if len(starts_s) and np.abs(starts_s - case.cause.at_s).min() <= within_s:
            others.append(name)
    return seen("buttons_together", buttons=" and ".join(others)) if others else None


def wanted_back(case: Case) -> bool:
    """The rider engaged cruise again within 15 s without slowing."""
    return case.wanted_back


def otherwise(_: Case) -> bool:
    """Nothing above applies."""
    return True


def too_short_for_a_foot(case: Case) -> Evidence | None:
    """The stand was down for 0.2 s or less."""
    return seen("too_short_for_a_foot") if case.cause.surely_within(SHORT_PULSE_S) else None


# ---------------------------------------------------------------- no logged cause


def panel_chattered(case: Case) -> Evidence | None:
    """Set and resume went on at once, or twice, as cruise disengaged: no hand presses so."""
    flag_s = case.ride.interval_s("cruise_engaged")
    near = Span(case.t_s - PANEL_S, case.t_s + flag_s)
    return seen("panel_chattered") if panel_chatters(case.ride, near) else None


def wheel_spun(case: Case) -> bool:
    """The engine ran up against the wheel: the wheel spun, or the clutch slipped."""
    return any(c.cause == "wheelspin" for c in case.others)


def not_cruise(case: Case) -> Evidence | None:
    """The engine, a brake that no signal shows, or the drive acted first."""
    return what_acted_first.not_cruise(case.ride, case.t_s)


def at_the_wrong_time(case: Case) -> bool:
    """A control moved near the cancel, too early or too late to have ended it."""
    return any(c.by_rider for c in case.others)


def nothing_hidden(case: Case) -> Evidence | None:
    """Every input that can end cruise is logged at 10 Hz or faster, and none is blank there."""
    return seen("all_logged") if logged.nothing_hidden(case.ride, case.t_s) else None


LEVERS = frozenset({"front_brake", "rear_brake", "brake_lamp", "clutch"})
GRIP = frozenset({"roll_off"})
CONTROLS = LEVERS | GRIP
ENGINE = frozenset({"gear_change", "engine_flare", "engine_off"})
READINGS = ENGINE | {"speed_jump"}
LAMP = frozenset({"power_switch"})
BUTTON = frozenset({"cancel_switch"})
NONE = frozenset({UNEXPLAINED})

DECISIONS = (
    Decision(frozenset({"supply", "signal_lost"}), no_hand, commanded=False),
    Decision(ENGINE, false_readings.engine_spiked, commanded=False),
    Decision(ENGINE, false_readings.engine_was_gone, commanded=False),
    Decision(frozenset({"gear_change"}), false_readings.gear_flickered, commanded=False),
    Decision(frozenset({"speed_jump"}), false_readings.wheel_jumped, commanded=False),
    Decision(frozenset({"engine_flare"}), false_readings.clutch_at_rest, commanded=False),
    Decision(READINGS, false_readings.no_bike_does, commanded=False),
    Decision(LAMP, switch_worked, commanded=True),
    Decision(LAMP, lamp_back, commanded=False),
    Decision(LAMP, switch_pressed, commanded=True),
    Decision(LAMP, lamp_without_press, commanded=False),
    Decision(LAMP, press_hidden, commanded=None),
    Decision(LAMP, supply_watched, commanded=True),
    Decision(BUTTON, buttons_together, commanded=False),
    Decision(BUTTON, wanted_back, commanded=None),
    Decision(BUTTON, otherwise, commanded=True),
    Decision(frozenset({"side_stand"}), too_short_for_a_foot, commanded=False),
    Decision(CONTROLS, stuck_on, commanded=False),
    Decision(LEVERS, contacts.too_quick, commanded=False),
    Decision(LEVERS, took_effect, commanded=True),
    Decision(CONTROLS, slowed_with_another, commanded=True),
    Decision(CONTROLS, with_another, commanded=None),
    Decision(GRIP, contacts.grip_open, commanded=False),
    Decision(GRIP, contacts.on_elsewhere, commanded=False),
    Decision(GRIP, contacts.in_vain_elsewhere, commanded=False),
    Decision(CONTROLS, contacts.bounces, commanded=False),
    Decision(LEVERS, contacts.repeated, commanded=False),
    Decision(LEVERS, contacts.engaged_again, commanded=False),
    Decision(GRIP, slowed_down, commanded=True),
    Decision(LEVERS, held_long, commanded=None),
    Decision(LEVERS, tapped, commanded=None),
    Decision(LEVERS, too_short, commanded=False),
    Decision(LEVERS, held_and_slowed, commanded=True),
    Decision(NONE, panel_chattered, commanded=False),
    Decision(NONE, wheel_spun, commanded=None),
    Decision(NONE, not_cruise, commanded=None),
    Decision(NONE, at_the_wrong_time, commanded=None),
    Decision(NONE, wanted_back, commanded=False),
    Decision(NONE, nothing_hidden, commanded=False),
)
"""What is decided first, second, third; what no row fits is undetermined."""
