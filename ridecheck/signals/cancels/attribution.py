"""How each engagement of cruise ended: its cause, and whether it was asked for."""

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import numpy as np

from ridecheck.core.catalog import PANEL
from ridecheck.core.model import Cancel, Span
from ridecheck.signals import brakes, drivetrain, motion, order
from ridecheck.signals.cancels import latency, what_acted_first
from ridecheck.signals.cancels.candidate import RIDER, Candidate
from ridecheck.signals.cancels.candidates import (
    LOOK_AHEAD_S,
    LOOK_BACK_S,
    candidates_of,
    disengages_after,
    fit,
    look_back_s,
)
from ridecheck.signals.cancels.intent import VOTE_KMH, intent
from ridecheck.signals.cruise import PANEL_S, Engagement, engagements, panel_chatters
from ridecheck.signals.ride import SHARP_S, SLOWEST_S, Ride, once

VOTE_S = 15.0
"""Engaged again this soon, having slowed no more than VOTE_KMH: the cancel was not wanted."""

ONE_ACT_S = 0.025
"""A hand that brakes turns the grip past closed with it; contacts that close together may show
this far apart (bounce)."""


@once
def cancels(ride: Ride) -> tuple[Cancel, ...]:
    """Every end of an engagement, with its cause and whether it was asked for."""
    found = []
    for i, engagement in enumerate(engagements(ride)):
        if engagement.log_end:
            found.append(_log_end(ride))
        elif engagement.sharp_end:
            found.append(_cancel(ride, engagement, i))
    return tuple(found)


def must_cancel_channels(ride: Ride) -> tuple[str, ...]:
    """Inputs the model says must end cruise: brakes, clutch, roll-off as it lists them."""
    return tuple(dict.fromkeys(("front_brake", "rear_brake", *ride.settings.cruise.must_cancel)))


@once
def not_logged(ride: Ride) -> tuple[str, ...]:
    """Inputs that could end cruise and are not in this log."""
    missing = [c for c in must_cancel_channels(ride) if not _stands_for(ride, c)]
    missing += [PANEL[p] for p in ride.settings.cruise.panel if not _stands_for(ride, PANEL[p])]
    missing += [c for c in ("side_stand", "supply_voltage") if not ride.has(c)]
    return tuple(dict.fromkeys(missing))


@once
def fully_logged(ride: Ride) -> bool:
    """Is every must-cancel input and panel switch logged at 10 Hz or faster?"""
    panel = [PANEL[p] for p in ride.settings.cruise.panel]
    wanted = [*must_cancel_channels(ride), *panel, "cruise_engaged"]
    return all(_stands_for(ride, c) and _interval(ride, c) <= SHARP_S for c in wanted)


def _stand_ins(control: str) -> tuple[str, ...]:
    """A control's own channel, then those that cannot but follow it."""
    if control in brakes.CONTROLS:
        return control, "brake_lamp", f"{control}_pressure"
    return (control, "cruise_armed") if control == PANEL["power"] else (control,)


def _stands_for(ride: Ride, control: str) -> bool:
    """Is a control logged, or what stands in for it?"""
    return any(ride.has(name) for name in _stand_ins(control))


def _shown_by(ride: Ride, control: str) -> str:
    """The channel that shows a control: its own where logged, else what stands in for it."""
    return next((name for name in _stand_ins(control) if ride.has(name)), control)


def _interval(ride: Ride, control: str) -> float:
    """Refresh of the channel that shows a control; inf where none does."""
    return ride.interval_s(_shown_by(ride, control))


def _log_end(ride: Ride) -> Cancel:
    t_s = float(ride.t_s[-1])
    return _record(ride, t_s, "log_end", None, ("the log ends with cruise engaged",))


def _cancel(ride: Ride, engagement: Engagement, i: int) -> Cancel:
    t_s = engagement.span.end_s
    candidates = sorted(candidates_of(ride, engagement), key=lambda m: m.at_s)
    wanted_back = _wanted_back(ride, engagement, i)
    cause = _cause(ride, candidates, t_s) or _burst(ride, candidates, t_s)
    wish = [f"cruise was re-engaged within {VOTE_S:.0f} s without slowing"] * wanted_back
    if cause is None:
        commanded, evidence = _without_cause(ride, candidates, t_s, wanted_back=wanted_back)
        return _unexplained(ride, t_s, commanded, [*evidence, *wish], wanted_back=wanted_back)
    commanded, why = intent(ride, cause, t_s, wanted_back=wanted_back)
    evidence = [cause.evidence, *([why] if why else [])]
    if commanded is False and _may_be_the_supply(ride, cause):
        evidence += [NO_SUPPLY_SEEN, *_aftermath(ride, t_s), *wish]
        return _unexplained(ride, t_s, False, evidence, wanted_back=wanted_back)
    first_mover, resolution_s = _first_mover(ride, engagement, cause)
    evidence += [*_aftermath(ride, t_s), *(m.evidence for m in candidates if m is not cause), *wish]
    return _record(
        ride,
        t_s,
        cause.cause,
        commanded,
        tuple(evidence),
        pulse_s=None if math.isnan(cause.pulse_s) else cause.pulse_s,
        first_mover=first_mover,
        resolution_s=resolution_s,
        inferred=cause.inferred,
        wanted_back=wanted_back,
    )


def _without_cause(
    ride: Ride, candidates: list[Candidate], t_s: float, *, wanted_back: bool
) -> tuple[bool | None, list[str]]:
    """Was a cancel with no logged cause asked for, and what speaks for it.

    False only where nothing else can have been behind it: the rider wanted cruise back, every
    input is logged sharply, or the panel chatters.
    """
    if panel_chatters(ride, Span(t_s - PANEL_S, t_s + ride.interval_s("cruise_engaged"))):
        return False, [NO_CAUSE.format(look_back_s(ride)), PANEL_CHATTERS, *_aftermath(ride, t_s)]
    spun = [m.evidence for m in candidates if m.cause == "wheelspin"]
    elsewhere = what_acted_first.not_cruise(ride, t_s)
    aside = _set_aside(ride, candidates)
    free = not (spun or elsewhere or aside) and (wanted_back or _nothing_hidden(ride, t_s))
    evidence = [
        NO_CAUSE.format(look_back_s(ride)),
        *spun,
        *aside,
        *_aftermath(ride, t_s),
    ]
    if elsewhere and not spun:
        evidence.append(elsewhere)
    if free and not wanted_back:
        evidence.append("every input that can end cruise is logged at 10 Hz or faster")
    return (False if free else None), evidence


def _unexplained(
    ride: Ride, t_s: float, commanded: bool | None, evidence: list[str], *, wanted_back: bool
) -> Cancel:
    return _record(
        ride,
        t_s,
        "unexplained",
        commanded,
        tuple(evidence),
        not_logged=not_logged(ride),
        wanted_back=wanted_back,
    )


NO_CAUSE = "no logged cause within {:.1f} s before the cancel"

PANEL_CHATTERS = "set and resume went on at once, or twice, at the cancel: no hand presses so"

NO_SUPPLY_SEEN = (
    "its contact, or a dip of the supply, which is not logged at 5 Hz or faster: which of the two "
    "is undetermined"
)


def _may_be_the_supply(ride: Ride, cause: Candidate) -> bool:
    """A lamp that fell with no hand at its switch: a dip of the supply looks the same."""
    return cause.cause == "power_switch" and ride.interval_s("supply_voltage") > SLOWEST_S


def _set_aside(ride: Ride, candidates: list[Candidate]) -> list[str]:
    """Controls that moved near a cancel at the wrong time to have ended it, in words."""
    near = [m for m in candidates if m.cause in RIDER]
    if not near:
        return []
    told = disengages_after(ride).told
    return [*(m.evidence for m in near), f"ruled out by its timing: {told}"]


def _first_mover(ride: Ride, engagement: Engagement, cause: Candidate) -> tuple[str | None, float]:
    """Which channel moved first, None where refresh, skew or hold cannot tell; how sharply.

    A control already held for long, or a limit reached, shows no move at the cancel: then
    the cause's own channel is named.
    """
    t_s, refresh_s = engagement.span.end_s, ride.interval_s("cruise_engaged")
    slack_s = min(refresh_s, 2.0)
    back_s = max(t_s - LOOK_BACK_S - slack_s, engagement.span.start_s)
    near = Span(back_s, t_s + max(LOOK_AHEAD_S, slack_s))
    first = order.order(order.moves(ride, t_s), t_s, near=near)
    widest_s = max((m.span.length_s for m in first.rivals), default=refresh_s)
    return first.first if first.rivals else cause.channel, max(widest_s, refresh_s)


LATER = (
    "supply",
    "engine_off",
    "signal_lost",
    "intervention",
    "gear_change",
    "engine_flare",
    "speed_jump",
    "below_minimum",
    "above_maximum",
    "far_from_set_speed",
    "override_limit",
)

GEARBOX = {"gear_change", "engine_flare", "speed_jump"}
"""What a rider makes who slows down by hand: no cause where speed is long too far off."""

LIMITS = {"far_from_set_speed", "below_minimum", "above_maximum"}
"""Causes that were there before the cancel, whatever the rider does next."""


def _cause(ride: Ride, candidates: list[Candidate], t_s: float) -> Candidate | None:
    """The candidate that explains a cancel: the first of the rider's controls whose time fits, else
    by rank.

    The lamp line follows the switches, so it explains only what no switch does. The main
    switch's lamp falling with a dip of the supply is the supply. A control that shows
    only after the cancel may have been logged a frame late, or be the rider's answer to
    it: it explains what no limit does. Where speed was already too far from the set one, a
    control explains nothing that came with the cancel, unless the ride tells how long this
    unit takes. A reading that no bike can make broke before a control that came with the
    cancel. A control held for long is the cause only where nothing else is, and where the
    ride does not tell that it came too soon.
    """
    names = {m.cause for m in candidates}
    rider = _rider_candidates(candidates, names)
    later = sorted((m for m in candidates if m.cause in LATER), key=lambda m: LATER.index(m.cause))
    if "far_from_set_speed" in names:
        later = [m for m in later if m.cause not in GEARBOX or m.impossible]
    if "supply" not in names:  # a supply that collapses takes the signals with it
        later.sort(key=lambda m: not m.impossible)
    fitting = _fitting(ride, rider, t_s)
    if names & LIMITS and all(m.at_s > t_s + 1e-6 for m in fitting):
        fitting = []
    if "far_from_set_speed" in names:
        learnt = disengages_after(ride).cancels > 0
        fitting = [m for m in fitting if m.at_s < t_s + (1e-6 if learnt else -1e-6)]
    if later and later[0].impossible and _broke_first(later[0], fitting, t_s):
        return later[0]
    if fitting:
        return _foremost(ride, fitting)
    if later:
        return later[0]
    held = [m for m in rider if m.at_s < t_s - 1e-6]
    return _foremost(ride, held) if held and not disengages_after(ride).cancels else None


BREAKS_S = 0.5
"""A unit lets go within this of a reading that breaks."""


def _broke_first(signal: Candidate, controls: list[Candidate], t_s: float) -> bool:
    """Did a reading break before the rider's controls moved, or these only with the cancel?"""
    first_s = min((m.at_s for m in controls), default=math.inf)
    broke_first = t_s - BREAKS_S <= signal.at_s < first_s - 1e-6
    return first_s > t_s - 1e-6 or broke_first


MAY_BURST = {"front_brake", "rear_brake", "clutch", "roll_off"}

BURST_S = 0.35
"""Pulses of one burst of a contact follow one another within this."""


def _burst(ride: Ride, candidates: list[Candidate], t_s: float) -> Candidate | None:
    """A contact that shows a fault near a cancel, though not at the time of the other inputs: its
    filter is another, or a pulse of the same burst that fell between two rows let cruise go.
    """
    for candidate in candidates:
        if candidate.cause not in MAY_BURST or intent(ride, candidate, t_s)[0] is not False:
            continue
        before_s = t_s - candidate.at_s
        if -candidate.interval_s - 1e-6 <= before_s <= latency.USUAL.end_s:
            return candidate
        near_s = BURST_S + candidate.interval_s
        if abs(candidate.at_s - t_s) <= near_s and candidate.pulse_s <= BURST_S:
            told = "one of a burst: the pulse that ended cruise fell between two rows"
            return replace(candidate, evidence=f"{candidate.evidence}, {told}")
    return None


def _rider_candidates(candidates: list[Candidate], names: set[str]) -> list[Candidate]:
    """The rider's controls among the candidates, less what only repeats another."""
    rider = [m for m in candidates if m.cause in RIDER]
    if names & {"front_brake", "rear_brake"}:
        rider = [m for m in rider if m.cause != "brake_lamp"]
    if "supply" in names:
        rider = [m for m in rider if m.cause != "power_switch"]
    return rider


def _fitting(ride: Ride, rider: list[Candidate], t_s: float) -> list[Candidate]:
    """Controls that moved as long before the cancel as this unit takes to disengage."""
    fits = [(m, fit(ride, m.channel, m.at_s, m.interval_s, t_s)) for m in rider]
    best = max((f for _, f in fits), default=0.0)
    least = max(latency.LEAST, disengages_after(ride).rival * best)
    return [m for m, f in fits if f >= least]


def _foremost(ride: Ride, candidates: list[Candidate]) -> Candidate:
    """The first of them; where the order cannot be told, the one that weighs most.

    A hand that brakes often turns the grip past closed with it.
    """
    first = min(candidates, key=lambda m: m.at_s + ride.skew_s(m.channel))
    known_s = first.at_s + ride.skew_s(first.channel)
    tied = [m for m in candidates if _may_be_as_early(ride, m, known_s)]
    return min(tied, key=lambda m: (RIDER.index(m.cause), m.at_s))


def _may_be_as_early(ride: Ride, candidate: Candidate, known_s: float) -> bool:
    """May a control have moved by an instant: is it not a whole refresh later, or one act?"""
    since_s = candidate.at_s - ride.skew_s(candidate.channel)
    return since_s - 0.7 * candidate.interval_s < known_s or since_s - ONE_ACT_S < known_s


def _wanted_back(ride: Ride, engagement: Engagement, i: int) -> bool:
    """The rider's vote: engaged again soon without slowing."""
    following = engagements(ride)[i + 1 : i + 2]
    if not following or not following[0].sharp_start:
        return False
    t_s, again_s = engagement.span.end_s, following[0].span.start_s
    if again_s - t_s > VOTE_S or not ride.has("wheel_speed"):
        return False
    speed = ride.numbers("wheel_speed")[ride.slice(Span(t_s, again_s))]
    here = motion.mean(ride.numbers("wheel_speed")[ride.slice(Span(t_s - 1.0, t_s))])
    if not np.isfinite(speed).any() or math.isnan(here):
        return False
    return bool(here - np.nanmin(speed) <= VOTE_KMH)


def _nothing_hidden(ride: Ride, t_s: float) -> bool:
    """No logged cause, and none could be hidden: all inputs logged sharply and not blank."""
    if not fully_logged(ride):
        return False
    span = Span(t_s - LOOK_BACK_S, t_s)
    controls = [s.runs.any_on(span) for s in brakes.signals(ride)]
    others = [c for c in must_cancel_channels(ride) if c not in brakes.CONTROLS]
    others += [_shown_by(ride, PANEL[p]) for p in ride.settings.cruise.panel]
    return None not in [*controls, *(ride.runs(c).any_on(span) for c in others)]


def _aftermath(ride: Ride, t_s: float) -> Iterator[str]:
    """What the bike did in the two seconds after a cancel, in one sentence."""
    v = ride.numbers("wheel_speed")
    here, later = (
        ride.at("wheel_speed", t_s) if len(v) else math.nan,
        ride.at("wheel_speed", t_s + 2.0),
    )
    if math.isnan(here) or math.isnan(later) or t_s + 2.0 > ride.duration_s:
        return
    change = later - here
    yield f"speed {'fell' if change < 0 else 'rose'} by {abs(change):.1f} km/h in the 2 s after"


def _record(
    ride: Ride,
    t_s: float,
    cause: str,
    commanded: bool | None,
    evidence: tuple[str, ...],
    *,
    not_logged: tuple[str, ...] = (),
    pulse_s: float | None = None,
    first_mover: str | None = None,
    resolution_s: float | None = None,
    inferred: bool = False,
    wanted_back: bool = False,
) -> Cancel:
    """A cancel with its place in the log; local_time is left to the stage that knows the zone."""
    i = min(ride.index(t_s), len(ride.t_s) - 1)
    speed = ride.at("wheel_speed", t_s - 1e-3)
    gear = drivetrain.inferred_gear(ride)[max(i - 1, 0)]
    return Cancel(
        ride=ride.id,
        t_s=t_s,
        time=ride.start + timedelta(seconds=t_s) if ride.dating == "time" else None,
        local_time=None,
        file_time=str(ride.samples["file_time"][i] or ""),
        row=int(ride.samples["row"][i]),
        speed_kmh=None if math.isnan(speed) else speed,
        cause=cause,
        commanded=commanded,
        evidence=evidence,
        gear=None if math.isnan(gear) else int(gear),
        pulse_s=pulse_s,
        first_mover=first_mover,
        resolution_s=resolution_s,
        not_logged=not_logged,
        inferred=inferred,
        wanted_back=wanted_back,
    )
