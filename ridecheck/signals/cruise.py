"""Cruise control as the log shows it: engagements, their phases, and how each one ended."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ridecheck.catalog import PANEL
from ridecheck.model import Cancel, Span
from ridecheck.signals import brakes, drivetrain, latency, letting_go, motion, order
from ridecheck.signals.asked import GRIP_OPEN as GRIP_OPEN
from ridecheck.signals.asked import SHARP_S as SHARP_S
from ridecheck.signals.asked import SLOWEST_S, VOTE_KMH, asked_for, clutched
from ridecheck.signals.asked import grip_contradicts as grip_contradicts
from ridecheck.signals.movers import RIDER, Mover
from ridecheck.signals.pulses import HARD_MS2 as HARD_MS2
from ridecheck.signals.pulses import SHORT_PULSE_S as SHORT_PULSE_S
from ridecheck.signals.ride import Ride, once
from ridecheck.signals.switches import Run, Runs

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

CHANNELS = ("cruise_engaged", "cruise_armed", "cruise_set_speed")

FLICKER_S = 0.25
"""An engaged flag gone, or there, no longer than this is chatter of the flag: no hand
cancels and sets again in a quarter of a second."""

LOOK_BACK_S = 1.0
"""A cause lies at most this long before the cancel (unit latency plus flag latency)."""

LOOK_AHEAD_S = 0.2
"""A lamp line may be seen this much after the cancel it caused."""

VOTE_S = 15.0
"""Engaged again this soon, having slowed no more than VOTE_KMH: the cancel was not wanted."""

JUMP_MS2 = 4.5
"""Change of speed at which control units let go (about 10 mph a second)."""

SPUN_FAR_KMH = 10.0
"""A wheel that spins by less than this is below what units take for a jump (about 10 mph a
second, through a filter of some tenths): what let go then was traction control, or no cause."""

SUPPLY_DIP_V = 0.7
"""Fall of the supply below the median of the five seconds before that counts as a dip."""

SUPPLY_COLLAPSE_V = 2.0
"""... and where it is logged slower than 5 Hz, so that loads may have changed meanwhile."""

FLARE_RPM = 700.0
"""An engine let free gains about 1000 rpm in half a second; a lag takes some of it (common
practice). A rear wheel that spins, seen from the front one, gains less."""

TURNED_KMH = 30.0
"""In gear at this speed the wheel turns the engine: it cannot stand still."""

NEAR_LIMIT_KMH = 2.0
"""Units filter speed and use their own display's; a limit this close explains a cancel."""

ONE_ACT_S = 0.025
"""A hand that brakes turns the grip past closed with it; contacts that close together may show
this far apart (bounce)."""

SETTLE_S = 10.0
"""Cable slack and lag are over this long after engaging or a new set speed."""


@dataclass(frozen=True, slots=True)
class Engagement:
    """Rows in which cruise was engaged without a break.

    sharp_start, sharp_end: the edge was seen between two adjacent rows of known value;
    an edge hidden by a gap or blank is neither an engagement nor a cancel.
    log_end: still engaged at the ride's last row.
    """

    span: Span
    sharp_start: bool
    sharp_end: bool
    log_end: bool


@dataclass(frozen=True, slots=True)
class Totals:
    """A ride's sums. engagements counts those whose start was seen, and the first row's."""

    engagements: int
    engaged_s: float
    engaged_km: float
    distance_km: float


def logged(ride: Ride) -> bool:
    """Is any cruise channel logged?"""
    return any(ride.has(name) for name in CHANNELS)


@once
def engagements(ride: Ride) -> tuple[Engagement, ...]:
    """Engagements in order; flicker of the flag up to FLICKER_S is smoothed away first."""
    merged: list[Run] = []
    for run in ride.runs("cruise_engaged"):
        if run.value != 1:
            continue
        previous = merged[-1] if merged else None
        flicker = previous is not None and previous.sharp_end and run.sharp_start
        if previous is not None and flicker and run.start_s - previous.end_s <= FLICKER_S + 1e-9:
            merged[-1] = Run(previous.start_s, run.end_s, 1, previous.sharp_start, run.sharp_end)
        else:
            merged.append(run)
    last_s = ride.t_s[-1] if len(ride.t_s) else 0.0
    return tuple(
        Engagement(r.span, r.sharp_start, r.sharp_end, log_end=bool(r.end_s > last_s))
        for r in merged
        if not (_is_flicker(r) and not pressed_before(ride, r.start_s))
    )


def _is_flicker(run: Run) -> bool:
    return run.sharp_start and run.sharp_end and run.length_s <= FLICKER_S + 1e-9


def pressed_before(ride: Ride, t_s: float, *, within_s: float = 2.0) -> bool | None:
    """Was set or resume pressed within a time before an instant (or at its own row)?

    None where neither shows a press but one is not logged, blank there, or the log has
    only just begun.
    """
    buttons = [PANEL[name] for name in ("set", "resume")]
    span = Span(t_s - within_s, t_s)
    answers = [ride.runs(b).any_on(span) if ride.has(b) else None for b in buttons]
    if True in answers:
        return True
    return None if None in answers else False


@once
def totals(ride: Ride) -> Totals:
    """Distance and engaged distance, from wheel speed (else the other speeds)."""
    names = ("wheel_speed", "front_wheel_speed", "gps_speed")
    name = next((n for n in names if ride.has(n)), "wheel_speed")
    km = np.nan_to_num(ride.numbers(name)) * motion.row_seconds(ride) / 3600.0
    engaged = ride.numbers("cruise_engaged") == 1
    return Totals(
        engagements=sum(e.sharp_start or e.span.start_s <= 0.0 for e in engagements(ride)),
        engaged_s=float(motion.row_seconds(ride)[engaged].sum()),
        engaged_km=float(km[engaged].sum()),
        distance_km=float(km.sum()),
    )


# ---------------------------------------------------------------- phases

Kind = Literal["settling", "hold", "override", "accelerate", "coast"]


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of an engagement: what cruise was doing, and the set speed it worked to."""

    kind: Kind
    span: Span
    set_kmh: float


@once
def phases(ride: Ride) -> tuple[Phase, ...]:
    """Engagements cut into phases. Hold quality may be judged in "hold" alone.

    set_kmh: as logged, else NaN. accelerate and coast: a panel button is held; override:
    the grip is open (or, grip not logged, speed is above set by more than hills explain
    while the throttle is wider open than it held before).
    """
    return tuple(phase for e in engagements(ride) for phase in _phases_of(ride, e))


def _phases_of(ride: Ride, engagement: Engagement) -> Iterator[Phase]:
    rows = ride.slice(Span(engagement.span.start_s, engagement.span.end_s - 1e-6))
    t_s = ride.t_s[rows]
    if not len(t_s):
        return
    codes = np.full(len(t_s), 1)
    codes[_overridden(ride, rows)] = 2
    for button, code in (("switch_resume", 3), ("switch_set", 4)):
        codes[np.nan_to_num(ride.numbers(button)[rows]) == 1] = code
    set_kmh = ride.numbers("cruise_set_speed")[rows]
    changed = np.concatenate(([False], np.abs(np.diff(np.nan_to_num(set_kmh))) > 0))
    # Everything but hold is followed by a time in which speed finds back to the set one.
    restless = np.flatnonzero((codes != 1) | changed)
    restless = np.append(restless, 0)
    last = np.maximum.accumulate(
        np.where(np.isin(np.arange(len(t_s)), restless), np.arange(len(t_s)), 0)
    )
    codes[(codes == 1) & (t_s - t_s[last] < SETTLE_S)] = 0
    names: tuple[Kind, ...] = ("settling", "hold", "override", "accelerate", "coast")
    starts = np.flatnonzero(np.diff(codes, prepend=-1) != 0)
    ends = np.append(starts[1:], len(t_s))
    for a, b in zip(starts, ends, strict=True):
        end_s = t_s[b] if b < len(t_s) else engagement.span.end_s
        yield Phase(names[codes[a]], Span(float(t_s[a]), float(end_s)), motion.median(set_kmh[a:b]))


OVERRIDE_KMH = 5.0
"""Above set by more than this is a rider's own throttle, or a hill."""


def _overridden(ride: Ride, rows: slice) -> Flags:
    """Rows of an engagement in which the rider asks for more than cruise does."""
    speed, set_kmh = ride.numbers("wheel_speed")[rows], ride.numbers("cruise_set_speed")[rows]
    with np.errstate(invalid="ignore"):
        if ride.has("throttle_grip"):
            return (
                ride.numbers("throttle_grip")[rows]
                > motion.closed_reading(ride, "throttle_grip") + GRIP_OPEN
            )
        return np.asarray(speed > set_kmh + OVERRIDE_KMH)


# ---------------------------------------------------------------- how engagements end

INPUTS = (
    ("front_brake", "front_brake"),
    ("rear_brake", "rear_brake"),
    ("brake_lamp", "brake_lamp"),
    ("clutch", "clutch"),
    ("roll_off", "roll_off"),
    ("switch_cancel", "cancel_switch"),
    ("side_stand", "side_stand"),
)
"""Switches that end an engagement, and the cause each one is."""

WORDS = {
    "front_brake": "front brake",
    "rear_brake": "rear brake",
    "brake_lamp": "brake lamp line",
    "clutch": "clutch",
    "roll_off": "roll-off switch",
    "switch_cancel": "cancel button",
    "side_stand": "side stand switch",
    "front_brake_pressure": "front brake pressure",
    "rear_brake_pressure": "rear brake pressure",
}


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
    movers = sorted(_movers(ride, engagement), key=lambda m: m.at_s)
    wanted_back = _wanted_back(ride, engagement, i)
    cause = _cause(ride, movers, t_s)
    if cause is None:
        spun = [m.evidence for m in movers if m.cause == "wheelspin"]
        elsewhere = letting_go.not_cruise(ride, t_s)
        aside = _set_aside(ride, movers)
        free = not spun and not elsewhere and not aside
        free = free and (wanted_back or _nothing_hidden(ride, t_s))
        commanded = False if free else None
        evidence = [
            f"no logged cause within {_look_back_s(ride):.1f} s before the cancel",
            *spun,
            *aside,
            *_aftermath(ride, t_s),
        ]
        if elsewhere and not spun:
            evidence.append(elsewhere)
        if free and not wanted_back:
            evidence.append("every input that can end cruise is logged at 10 Hz or faster")
        if wanted_back:
            evidence.append(f"cruise was asked for again within {VOTE_S:.0f} s without slowing")
        return _record(
            ride,
            t_s,
            "unexplained",
            commanded,
            tuple(evidence),
            not_logged=not_logged(ride),
            wanted_back=wanted_back,
        )
    commanded, why = asked_for(ride, cause, t_s, wanted_back=wanted_back)
    if commanded is False and _may_be_the_supply(ride, cause):
        return _record(
            ride,
            t_s,
            "unexplained",
            False,
            (cause.evidence, why, NO_SUPPLY_SEEN, *_aftermath(ride, t_s)),
            not_logged=not_logged(ride),
            wanted_back=wanted_back,
        )
    first_mover, resolution_s = _first_mover(ride, engagement, cause)
    evidence = [cause.evidence, *([why] if why else []), *_aftermath(ride, t_s)]
    evidence += [m.evidence for m in movers if m is not cause]
    if wanted_back:
        evidence.append(f"cruise was asked for again within {VOTE_S:.0f} s without slowing")
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


NO_SUPPLY_SEEN = (
    "its contact, or a dip of the supply, which is not logged at 5 Hz or faster: which of the two "
    "cannot be told"
)


def _may_be_the_supply(ride: Ride, cause: Mover) -> bool:
    """A lamp that fell with no hand at its switch: a dip of the supply looks the same."""
    return cause.cause == "power_switch" and ride.interval_s("supply_voltage") > SLOWEST_S


def _set_aside(ride: Ride, movers: list[Mover]) -> list[str]:
    """Controls that moved near a cancel at the wrong time to have ended it, in words."""
    near = [m for m in movers if m.cause in RIDER]
    if not near:
        return []
    told = let_go_after(ride).told
    return [*(m.evidence for m in near), f"not the cause by its time: {told}"]


def _first_mover(ride: Ride, engagement: Engagement, cause: Mover) -> tuple[str | None, float]:
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


def _cause(ride: Ride, movers: list[Mover], t_s: float) -> Mover | None:
    """The mover that explains a cancel: the first of the rider's controls, else by rank.

    The lamp line follows the switches, so it explains only what no switch does. The main
    switch's lamp falling with a dip of the supply is the supply. A control that shows
    only after the cancel may have been logged a frame late, or be the rider's answer to
    it: it explains what no limit does. Where speed was already too far from the set one, a
    control explains nothing that had long been on without ending cruise, or came with the
    cancel.
    """
    names = {m.cause for m in movers}
    rider = _rider_movers(movers, names)
    later = sorted((m for m in movers if m.cause in LATER), key=lambda m: LATER.index(m.cause))
    if "far_from_set_speed" in names:
        later = [m for m in later if m.cause not in GEARBOX or m.impossible]
    later.sort(key=lambda m: not m.impossible)
    fitting = _fitting(ride, rider, t_s)
    if names & LIMITS and all(m.at_s > t_s + 1e-6 for m in fitting):
        fitting = []
    if "far_from_set_speed" in names:
        learnt = let_go_after(ride).cancels > 0
        fitting = [m for m in fitting if m.at_s < t_s + (1e-6 if learnt else -1e-6)]
    broken = next((m for m in later if m.impossible), None)
    if broken is not None and all(m.at_s > t_s - 1e-6 for m in fitting):
        return broken  # the signal broke first: the rider's control came with the cancel
    if fitting:
        return _foremost(ride, fitting)
    if later:
        return later[0]
    held = [m for m in rider if m.at_s < t_s - 1e-6]
    return _foremost(ride, held) if held and not let_go_after(ride).cancels else None


def _rider_movers(movers: list[Mover], names: set[str]) -> list[Mover]:
    """The rider's controls among the movers, less what only repeats another."""
    rider = [m for m in movers if m.cause in RIDER]
    if names & {"front_brake", "rear_brake"}:
        rider = [m for m in rider if m.cause != "brake_lamp"]
    if "supply" in names:
        rider = [m for m in rider if m.cause != "power_switch"]
    return rider


def _fitting(ride: Ride, rider: list[Mover], t_s: float) -> list[Mover]:
    """Controls that moved as long before the cancel as this unit takes to let go."""
    fits = [(m, _fit(ride, m.channel, m.at_s, m.interval_s, t_s)) for m in rider]
    best = max((f for _, f in fits), default=0.0)
    return [m for m, f in fits if f >= latency.LEAST and f >= latency.RIVAL * best]


def _fit(ride: Ride, channel: str, at_s: float, interval_s: float, t_s: float) -> float:
    """How well a control's move fits a cancel at t_s by the time between them, 0 to 1.

    The main switch's lamp goes with cruise or before it: any time a unit may take fits.
    """
    usual = latency.Latency(latency.USUAL, 0)
    known = usual if channel == "cruise_armed" else let_go_after(ride)
    return latency.fit(_allowed(ride, channel, at_s, interval_s, t_s), known)


def _allowed(ride: Ride, channel: str, at_s: float, interval_s: float, t_s: float) -> Span:
    skew_s = ride.channels[channel].skew_s if channel in ride.channels else 0.0
    return latency.allowed(
        t_s - at_s,
        input_s=interval_s,
        flag_s=min(ride.interval_s("cruise_engaged"), 2.0),
        skew_s=skew_s + (LOOK_AHEAD_S if channel == "brake_lamp" else 0.0),
    )


@once
def let_go_after(ride: Ride) -> latency.Latency:
    """How long this ride's cruise takes to let go, from the cancels with one control moved."""
    spans = []
    for engagement in engagements(ride):
        t_s = engagement.span.end_s
        if engagement.log_end or not engagement.sharp_end:
            continue
        moved = [
            (channel, interval_s, fresh)
            for _, channel, runs, interval_s, _ in _inputs(ride)
            if channel != "brake_lamp"
            for fresh in [_fresh_runs(ride, runs, engagement.span, interval_s)]
            if fresh
        ]
        if len(moved) == 1 and len(moved[0][2]) == 1:
            channel, interval_s, (run,) = moved[0]
            spans.append(_allowed(ride, channel, run.start_s, interval_s, t_s))
    return latency.learnt(spans)


def _foremost(ride: Ride, movers: list[Mover]) -> Mover:
    """The first of them; where the order cannot be told, the one that weighs most.

    A hand that brakes often turns the grip past closed with it.
    """
    first = min(movers, key=lambda m: m.at_s + _skew_s(ride, m))
    known_s = first.at_s + _skew_s(ride, first)
    tied = [m for m in movers if _may_be_as_early(ride, m, known_s)]
    return min(tied, key=lambda m: (RIDER.index(m.cause), m.at_s))


def _may_be_as_early(ride: Ride, mover: Mover, known_s: float) -> bool:
    """May a control have moved by an instant: is it not a whole refresh later, or one act?"""
    since_s = mover.at_s - _skew_s(ride, mover)
    return since_s - 0.7 * mover.interval_s < known_s or since_s - ONE_ACT_S < known_s


def _skew_s(ride: Ride, mover: Mover) -> float:
    return ride.channels[mover.channel].skew_s if mover.channel in ride.channels else 0.0


def _movers(ride: Ride, engagement: Engagement) -> Iterator[Mover]:
    t_s = engagement.span.end_s
    yield from _switch_movers(ride, engagement.span)
    yield from _main_switch(ride, t_s)
    yield from _supply(ride, t_s)
    yield from _engine(ride, t_s)
    yield from _speed(ride, engagement)
    yield from _gearbox(ride, t_s)
    for channel in ("abs_active", "traction_active"):
        interval_s = ride.interval_s(channel)
        run = _on_run(ride, channel, ride.runs(channel), engagement.span, interval_s)
        if run is not None:
            word = "ABS" if channel == "abs_active" else "traction control"
            yield Mover("intervention", channel, run.start_s, f"{word} at work {_before(run, t_s)}")


def _look_back_s(ride: Ride) -> float:
    return LOOK_BACK_S + min(ride.interval_s("cruise_engaged"), 2.0)


def _near_runs(ride: Ride, runs: Runs, engaged: Span, interval_s: float) -> list[Run]:
    """On-runs near the end of an engagement. What ended before it began cannot have ended it."""
    t_s = engaged.end_s
    slack_s = max(interval_s, ride.interval_s("cruise_engaged"))
    back_s, ahead_s = LOOK_BACK_S + min(slack_s, 2.0), max(LOOK_AHEAD_S, slack_s)
    return [
        r
        for i in range(
            max(int(np.searchsorted(runs.end_s, t_s - back_s)) - 1, 0),
            min(int(np.searchsorted(runs.start_s, t_s + ahead_s, "right")) + 1, len(runs)),
        )
        for r in (runs[i],)
        if r.value == 1
        and r.end_s >= max(t_s - back_s, engaged.start_s + 1e-6)
        and r.start_s <= t_s + ahead_s + 1e-9
    ]


def _fresh_runs(ride: Ride, runs: Runs, engaged: Span, interval_s: float) -> list[Run]:
    """Of those the ones newly begun."""
    slack_s = max(interval_s, ride.interval_s("cruise_engaged"))
    since_s = engaged.end_s - LOOK_BACK_S - min(slack_s, 2.0)
    near = _near_runs(ride, runs, engaged, interval_s)
    return [r for r in near if r.start_s >= since_s - 1e-9]


def _on_run(ride: Ride, channel: str, runs: Runs, engaged: Span, interval_s: float) -> Run | None:
    """The on-run that may have ended an engagement: of those newly begun the one whose time
    fits best, the first of equals, before one held for long.
    """
    fresh = _fresh_runs(ride, runs, engaged, interval_s)
    if fresh:
        t_s = engaged.end_s
        return max(fresh, key=lambda r: _fit(ride, channel, r.start_s, interval_s, t_s))
    return next(iter(_near_runs(ride, runs, engaged, interval_s)), None)


def _inputs(ride: Ride) -> Iterator[tuple[str, str, Runs, float, bool]]:
    """The rider's controls as logged: cause, channel, runs, refresh, stands in for another."""
    for s in brakes.signals(ride):
        yield s.control, s.channel, s.runs, s.interval_s, s.stands_in
    for channel, cause in INPUTS:
        if cause not in (*brakes.CONTROLS, "brake_lamp") and ride.has(channel):
            yield cause, channel, ride.runs(channel), ride.interval_s(channel), False


def _switch_movers(ride: Ride, engaged: Span) -> Iterator[Mover]:
    for cause, channel, runs, interval_s, inferred in _inputs(ride):
        run = _on_run(ride, channel, runs, engaged, interval_s)
        if run is not None:
            yield _switch_mover(cause, channel, run, engaged.end_s, interval_s, inferred=inferred)


def _switch_mover(
    cause: str, channel: str, run: Run, t_s: float, interval_s: float, *, inferred: bool = False
) -> Mover:
    pulse_s = run.length_s if run.sharp_end else math.nan
    length = f"for {run.length_s:.2f} s" if run.sharp_end else "to the end of what is logged"
    return Mover(
        cause,
        channel,
        run.start_s,
        f"{WORDS[channel]} on {length}, {_before(run, t_s)}",
        pulse_s=pulse_s,
        interval_s=interval_s,
        inferred=inferred,
    )


def _before(run: Run, t_s: float) -> str:
    lead_s = t_s - run.start_s
    if abs(lead_s) < 5e-3:
        return "from the row of the cancel"
    return f"from {abs(lead_s):.2f} s {'before' if lead_s > 0 else 'after'} the cancel"


def _main_switch(ride: Ride, t_s: float) -> Iterator[Mover]:
    """The main switch going off: its lamp falling, or its own channel changing."""
    for channel in ("cruise_armed", "switch_power"):
        if not ride.has(channel):
            continue
        slack_s = max(ride.interval_s(channel), ride.interval_s("cruise_engaged"))
        runs = ride.runs(channel)
        low, high = t_s - LOOK_BACK_S - min(slack_s, 2.0), t_s + max(LOOK_AHEAD_S, slack_s)
        for i in range(1, len(runs)):
            edge_s = runs.start_s[i]
            if not (low - 1e-9 <= edge_s <= high + 1e-9 and runs.sharp_start[i]):
                continue
            falling = runs.value[i] == 0
            if channel == "cruise_armed" and not falling:
                continue
            word = "main switch lamp off" if channel == "cruise_armed" else "main switch worked"
            run = runs[i]
            length_s = run.length_s if run.sharp_end and falling else math.nan
            yield Mover(
                "power_switch",
                channel,
                float(edge_s),
                f"{word} {_before(run, t_s)}",
                pulse_s=length_s,
                interval_s=ride.interval_s(channel),
            )
            break


def _supply(ride: Ride, t_s: float) -> Iterator[Mover]:
    slow = ride.interval_s("supply_voltage") > SLOWEST_S
    volts = ride.numbers("supply_voltage")
    before = volts[ride.slice(Span(t_s - 6.0, t_s - 1.0))]
    during = volts[ride.slice(Span(t_s - 1.0, t_s + 0.1))]
    if not (np.isfinite(before).any() and np.isfinite(during).any()):
        return
    dip_v = float(np.nanmedian(before) - np.nanmin(during))
    if dip_v > (SUPPLY_COLLAPSE_V if slow else SUPPLY_DIP_V):
        at = ride.slice(Span(t_s - 1.0, t_s + 0.1)).start + int(np.nanargmin(during))
        yield Mover(
            "supply",
            "supply_voltage",
            float(ride.t_s[at]),
            f"supply fell by {dip_v:.1f} V to {float(np.nanmin(during)):.1f} V",
            interval_s=ride.interval_s("supply_voltage"),
        )


def _engine(ride: Ride, t_s: float) -> Iterator[Mover]:
    """The engine stopped, or its speed signal lost or come back."""
    if ride.has("run_switch") and ride.runs("run_switch").value_at(t_s) == 0:
        yield Mover("engine_off", "run_switch", t_s, "run switch off")
    if not ride.has("engine_speed"):
        return
    rpm, idle_rpm = ride.numbers("engine_speed"), ride.settings.drivetrain.idle_rpm
    before = _mean(rpm[ride.slice(Span(t_s - 2.0, t_s - 1.0))])
    during = rpm[ride.slice(Span(t_s - 1.0, t_s + 0.5))]
    during = during[np.isfinite(during)]
    lowest = float(during.min()) if len(during) else math.nan
    if not lowest < 0.5 * idle_rpm:
        return
    fast_kmh = ride.at("wheel_speed", t_s)
    if not fast_kmh > TURNED_KMH or clutched(ride, t_s):
        if before > idle_rpm:
            yield Mover("engine_off", "engine_speed", t_s, f"engine speed fell to {lowest:.0f} rpm")
    elif during[-1] > idle_rpm and during[0] < 0.5 * idle_rpm:
        yield Mover(
            "engine_flare",
            "engine_speed",
            t_s,
            f"engine speed came back from {lowest:.0f} to {during[-1]:.0f} rpm at once",
        )
    elif before > idle_rpm:
        yield Mover(
            "signal_lost",
            "engine_speed",
            t_s,
            f"engine speed fell to {lowest:.0f} rpm at {fast_kmh:.0f} km/h in gear",
        )


def _speed(ride: Ride, engagement: Engagement) -> Iterator[Mover]:
    """Causes that the speed itself shows: lost, jumping, or outside the limits."""
    t_s, limits = engagement.span.end_s, ride.settings.cruise
    if not ride.has("wheel_speed"):
        return
    v = ride.numbers("wheel_speed")
    before = _mean(v[ride.slice(Span(t_s - 3.0, t_s - 1.0))])
    window = v[ride.slice(Span(t_s - 1.0, t_s + 0.3))]
    if not np.isfinite(window).any() or math.isnan(before):
        return
    lowest, here = float(np.nanmin(window)), _mean(v[ride.slice(Span(t_s - 0.6, t_s))])
    step = motion.step_kmh(ride, "wheel_speed")
    steepest = _steepest(ride, t_s)
    if lowest < 0.5 * before and before > 30.0 and steepest > motion.STEEPEST_MS2:
        yield Mover(
            "signal_lost",
            "wheel_speed",
            t_s,
            f"wheel speed fell from {before:.0f} to {lowest:.0f} km/h at once",
            impossible=True,
        )
    elif steepest > JUMP_MS2:
        told, cause = f"wheel speed changed by {steepest:.1f} m/s2", "speed_jump"
        spun_kmh = letting_go.spun_kmh(ride, t_s)
        if spun_kmh > 0.0:
            told += ", and engine speed with it: the rear wheel spun"
            cause = "speed_jump" if spun_kmh > SPUN_FAR_KMH else "wheelspin"
        impossible = steepest > motion.STEEPEST_MS2 and not spun_kmh
        yield Mover(cause, "wheel_speed", t_s, told, impossible=impossible)
    if here < limits.minimum_kmh + max(step, NEAR_LIMIT_KMH):
        yield Mover(
            "below_minimum",
            "wheel_speed",
            t_s,
            f"{here:.0f} km/h, at or under the lowest speed of {limits.minimum_kmh:.0f} km/h",
        )
    if here > limits.maximum_kmh - max(step, NEAR_LIMIT_KMH):
        yield Mover(
            "above_maximum",
            "wheel_speed",
            t_s,
            f"{here:.0f} km/h, at or over the highest speed of {limits.maximum_kmh:.0f} km/h",
        )
    set_kmh = _set_speed(ride, engagement)
    if here <= set_kmh - limits.far_from_set_kmh + max(step, NEAR_LIMIT_KMH):
        yield Mover(
            "far_from_set_speed",
            "wheel_speed",
            t_s,
            f"{here:.0f} km/h, {set_kmh - here:.0f} km/h below the set speed",
        )
    overridden = [p for p in phases(ride) if p.kind == "override" and abs(p.span.end_s - t_s) < 2.0]
    if overridden and overridden[-1].span.length_s >= 30.0:
        yield Mover(
            "override_limit",
            "throttle_grip",
            t_s,
            f"the rider's own throttle for {overridden[-1].span.length_s:.0f} s before",
        )


def _steepest(ride: Ride, t_s: float) -> float:
    """Largest rate of change of wheel speed around a cancel, less what its step feigns, m/s2."""
    rate = np.abs(motion.acceleration(ride)[ride.slice(Span(t_s - 1.0, t_s + 0.2))])
    if not np.isfinite(rate).any():
        return 0.0
    return float(np.nanmax(rate)) - motion.uncertainty_ms2(
        ride, "wheel_speed", motion.window_s(ride, "wheel_speed")
    )


def _set_speed(ride: Ride, engagement: Engagement) -> float:
    """Set speed near the end of an engagement, as logged; else speed once settled, else NaN."""
    set_kmh = (
        ride.at("cruise_set_speed", engagement.span.end_s - 1e-3)
        if ride.has("cruise_set_speed")
        else math.nan
    )
    if not math.isnan(set_kmh):
        return set_kmh
    if engagement.span.length_s < 20.0 or not engagement.sharp_start:
        return math.nan
    start_s = engagement.span.start_s
    return motion.median(ride.numbers("wheel_speed")[ride.slice(Span(start_s, start_s + 1.0))])


def _gearbox(ride: Ride, t_s: float) -> Iterator[Mover]:
    window = ride.slice(Span(t_s - 1.0, t_s + 0.2))
    if ride.has("gear"):
        gear = ride.numbers("gear")[window]
        known = gear[~np.isnan(gear)]
        if len(known) and (known != known[0]).any():
            yield Mover(
                "gear_change",
                "gear",
                t_s,
                f"gear went from {known[0]:.0f} to {known[known != known[0]][0]:.0f}",
            )
    ratio = drivetrain.ratio(ride)
    before, during = motion.median(ratio[ride.slice(Span(t_s - 4.0, t_s - 1.5))]), ratio[window]
    if np.isfinite(during).any() and not math.isnan(before):
        rise = float(np.nanmax(during)) / before - 1.0
        rise_rpm = rise * before * ride.at("wheel_speed", t_s)
        if rise <= 0.10:
            return
        told = f"engine speed rose {100 * rise:.0f} % against wheel speed"
        if rise_rpm >= FLARE_RPM:
            yield Mover("engine_flare", "engine_speed", t_s, told)
        else:
            spins = f"{told}, as it does when the rear wheel spins or the clutch slips"
            yield Mover("wheelspin", "engine_speed", t_s, spins)


def _wanted_back(ride: Ride, engagement: Engagement, i: int) -> bool:
    """The rider's vote: engaged again soon without slowing."""
    following = engagements(ride)[i + 1 : i + 2]
    if not following or not following[0].sharp_start:
        return False
    t_s, again_s = engagement.span.end_s, following[0].span.start_s
    if again_s - t_s > VOTE_S or not ride.has("wheel_speed"):
        return False
    speed = ride.numbers("wheel_speed")[ride.slice(Span(t_s, again_s))]
    here = _mean(ride.numbers("wheel_speed")[ride.slice(Span(t_s - 1.0, t_s))])
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


def _mean(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else math.nan
