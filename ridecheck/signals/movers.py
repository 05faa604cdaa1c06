"""What moved near the end of an engagement and may have ended it."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.model import Span
from ridecheck.signals import brakes, drivetrain, latency, letting_go, motion
from ridecheck.signals.cruise import Engagement, engagements, phases
from ridecheck.signals.false_readings import engine_spike, gear_flickers
from ridecheck.signals.ride import SHARP_S, SLOWEST_S, Ride, once
from ridecheck.signals.switches import Run, Runs

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

RIDER = (
    "front_brake",
    "rear_brake",
    "brake_lamp",
    "clutch",
    "roll_off",
    "cancel_switch",
    "power_switch",
    "side_stand",
)
"""Causes that are a control of the rider's; the first of them weighs most."""

LOOK_BACK_S = 1.0
"""A cause lies at most this long before the cancel (unit latency plus flag latency)."""

LOOK_AHEAD_S = 0.2
"""A lamp line may be seen this much after the cancel it caused."""

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

FREED_RPM = 1000.0
"""... and this where the clutch is logged, not pulled, and no gear changes: then a wheel spins or
the clutch slips, and units take no less for an engine let free (common practice)."""

FREED_SHARE = 0.35
"""... and not less: traction control steps in before a wheel spins so far (common practice)."""

FREED_LATE_S = 0.15
"""A pull that freed the engine shows before cruise lets go, or this much and a refresh later."""

TURNED_KMH = 30.0
"""In gear at this speed the wheel turns the engine: it cannot stand still."""

NEAR_LIMIT_KMH = 2.0
"""Units filter speed and use their own display's; a limit this close explains a cancel."""

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


@dataclass(frozen=True, slots=True)
class Mover:
    """Something that moved near a cancel and may have caused it.

    at_s: when. pulse_s: how long it stayed on, NaN where that does not apply. impossible: no
    bike does what the signal shows.
    """

    cause: str
    channel: str
    at_s: float
    evidence: str
    pulse_s: float = math.nan
    interval_s: float = 0.0
    inferred: bool = False
    impossible: bool = False


def movers_of(ride: Ride, engagement: Engagement) -> Iterator[Mover]:
    """All that moved near the end of an engagement, in no order."""
    t_s = engagement.span.end_s
    yield from _switch_movers(ride, engagement.span)
    yield from _main_switch(ride, t_s)
    yield from _supply(ride, t_s)
    yield from _engine(ride, t_s)
    yield from _speed(ride, engagement)
    yield from _gearbox(ride, engagement)
    for channel in ("abs_active", "traction_active"):
        interval_s = ride.interval_s(channel)
        run = _on_run(ride, channel, ride.runs(channel), engagement.span, interval_s)
        if run is not None:
            word = "ABS" if channel == "abs_active" else "traction control"
            yield Mover("intervention", channel, run.start_s, f"{word} at work {_before(run, t_s)}")


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


def fit(ride: Ride, channel: str, at_s: float, interval_s: float, t_s: float) -> float:
    """How well a control's move fits a cancel at t_s by the time between them, 0 to 1.

    The main switch's lamp goes with cruise or before it: any time a unit may take fits.
    """
    usual = latency.Latency(latency.USUAL, 0)
    known = usual if channel == "cruise_armed" else let_go_after(ride)
    return latency.fit(_allowed(ride, channel, at_s, interval_s, t_s), known)


def _allowed(ride: Ride, channel: str, at_s: float, interval_s: float, t_s: float) -> Span:
    """Latencies that the rows of a control and of the flag allow; both may be written late."""
    return latency.allowed(
        t_s - at_s,
        input_s=interval_s,
        flag_s=min(ride.interval_s("cruise_engaged"), 2.0) + skew_s(ride, "cruise_engaged"),
        skew_s=skew_s(ride, channel) + (LOOK_AHEAD_S if channel == "brake_lamp" else 0.0),
    )


def skew_s(ride: Ride, channel: str) -> float:
    """By how much a channel may be written late, as its layout states."""
    return ride.channels[channel].skew_s if channel in ride.channels else 0.0


def look_back_s(ride: Ride) -> float:
    """How long before the flag's fall a cause may lie in this ride."""
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
        return max(fresh, key=lambda r: fit(ride, channel, r.start_s, interval_s, t_s))
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
    if told := _back_at_once(ride, t_s):
        yield Mover("engine_flare", "engine_speed", t_s, told, impossible=True)
        return
    before = motion.mean(rpm[ride.slice(Span(t_s - 2.0, t_s - 1.0))])
    during = rpm[ride.slice(Span(t_s - 1.0, t_s + 0.5))]
    during = during[np.isfinite(during)]
    lowest = float(during.min()) if len(during) else math.nan
    if not lowest < 0.5 * idle_rpm:
        return
    fast_kmh = ride.at("wheel_speed", t_s)
    if not fast_kmh > TURNED_KMH or drivetrain.clutched(ride, t_s):
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


STARTS_RPM = 1500.0
"""No engine gains so much from a stand between two rows (common practice: a start takes some
tenths of a second to idle)."""


def _back_at_once(ride: Ride, t_s: float) -> str:
    """Engine speed from less than half of idle to a running engine's between two rows, as words."""
    rpm = ride.numbers("engine_speed")[ride.slice(Span(t_s - 0.6, t_s + 0.1))]
    rpm = rpm[np.isfinite(rpm)]
    gains = np.diff(rpm)
    at = np.flatnonzero((gains > STARTS_RPM) & (rpm[:-1] < 0.5 * ride.settings.drivetrain.idle_rpm))
    if not len(at) or ride.interval_s("engine_speed") > SHARP_S:
        return ""
    low, high = rpm[at[-1]], rpm[at[-1] + 1]
    return f"engine speed came back from {low:.0f} to {high:.0f} rpm at once"


def _speed(ride: Ride, engagement: Engagement) -> Iterator[Mover]:
    """Causes that the speed itself shows: lost, jumping, or outside the limits."""
    t_s, limits = engagement.span.end_s, ride.settings.cruise
    if not ride.has("wheel_speed"):
        return
    v = ride.numbers("wheel_speed")
    before = motion.mean(v[ride.slice(Span(t_s - 3.0, t_s - 1.0))])
    window = v[ride.slice(Span(t_s - 1.0, t_s + 0.3))]
    if not np.isfinite(window).any() or math.isnan(before):
        return
    lost = _speed_lost(ride, t_s, before)
    if jumped := lost or _speed_jumped(ride, t_s):
        yield jumped
    here, step = (
        motion.mean(v[ride.slice(Span(t_s - 0.6, t_s))]),
        motion.step_kmh(ride, "wheel_speed"),
    )
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


def _speed_lost(ride: Ride, t_s: float, before_kmh: float) -> Mover | None:
    """Wheel speed that falls to less than half faster than any bike stops."""
    v = ride.numbers("wheel_speed")
    lowest_kmh = float(np.nanmin(v[ride.slice(Span(t_s - 1.0, t_s + 0.3))]))
    if not (before_kmh > TURNED_KMH and lowest_kmh < 0.5 * before_kmh):
        return None
    if not _steepest(ride, t_s) > motion.STEEPEST_MS2:
        return None
    return Mover(
        "signal_lost",
        "wheel_speed",
        min(_first_s(ride, t_s, v < 0.5 * before_kmh), t_s),
        f"wheel speed fell from {before_kmh:.0f} to {lowest_kmh:.0f} km/h at once",
        impossible=True,
    )


def _speed_jumped(ride: Ride, t_s: float) -> Mover | None:
    """Wheel speed that changes as units take for a fault, by its signal or a wheel that spins.

    A change as large as one that cruise held through elsewhere in the ride is none.
    """
    leap, rate_ms2, at_s = _leap(ride, t_s), _steepest(ride, t_s), t_s
    steepest = max(rate_ms2 if rate_ms2 > _held_through_ms2(ride) else 0.0, leap.ms2)
    if not steepest > JUMP_MS2:
        return None
    told, cause = f"wheel speed changed by {steepest:.1f} m/s2", "speed_jump"
    if leap.ms2 > motion.STEEPEST_MS2:
        told = f"wheel speed leapt by {leap.kmh:.0f} km/h between two readings"
        at_s = min(leap.at_s, t_s)
    spun_kmh = letting_go.spun_kmh(ride, t_s)
    if spun_kmh > 0.0:
        told += ", and engine speed with it: the rear wheel spun"
        cause = "speed_jump" if spun_kmh > SPUN_FAR_KMH else "wheelspin"
    impossible = steepest > motion.STEEPEST_MS2 and not spun_kmh
    return Mover(cause, "wheel_speed", at_s, told, impossible=impossible)


def _steepest(ride: Ride, t_s: float) -> float:
    """Largest rate of change of wheel speed around a cancel, less what its step feigns, m/s2."""
    rate = _rates(ride)[ride.slice(Span(t_s - 1.0, t_s + 0.2))]
    return float(np.nanmax(rate)) if np.isfinite(rate).any() else 0.0


@once
def _rates(ride: Ride) -> Floats:
    """Rate of change of wheel speed on each row, less what its step feigns, m/s2."""
    unsure_ms2 = motion.uncertainty_ms2(ride, "wheel_speed", motion.window_s(ride, "wheel_speed"))
    return np.asarray(np.abs(motion.acceleration(ride)) - unsure_ms2)


@once
def _held_through_ms2(ride: Ride) -> float:
    """The largest rate while cruise was engaged and went on to be, 0 where none is known."""
    largest = [0.0]
    for engagement in engagements(ride):
        span = engagement.span
        if span.length_s > 2.0 * HELD_THROUGH_S:
            inner = Span(span.start_s + HELD_THROUGH_S, span.end_s - HELD_THROUGH_S)
            rate = _rates(ride)[ride.slice(inner)]
            largest += [float(np.nanmax(rate))] if np.isfinite(rate).any() else []
    return max(largest)


LEAP_KMH = 8.0
"""Between two readings; units let go at about 16 km/h in a second (10 mph, common practice)."""

HELD_THROUGH_S = 1.5
"""Cruise that goes on so long after a change of the reading held through it."""


@dataclass(frozen=True, slots=True)
class _Leap:
    """A change of wheel speed between two readings, less its step."""

    at_s: float
    kmh: float
    ms2: float


def _leap(ride: Ride, t_s: float) -> _Leap:
    """The largest leap near a cancel, which a mean over time would hide; 0 where there is none of
    LEAP_KMH, and where cruise held through one as large elsewhere in the ride.
    """
    at_s, leaps_kmh = _leaps(ride)
    near = (at_s > t_s - 1.0) & (at_s <= t_s + 0.2)
    if not near.any():
        return _Leap(t_s, 0.0, 0.0)
    # A reading that leaps and comes back leaps twice: the first of them broke it.
    first = int(np.flatnonzero(near & (leaps_kmh >= 0.8 * leaps_kmh[near].max()))[0])
    spans = [e.span for e in engagements(ride)]
    held = [
        kmh
        for s, kmh in zip(at_s, leaps_kmh, strict=True)
        if any(e.start_s < s and s + HELD_THROUGH_S < e.end_s for e in spans)
    ]
    if max(held, default=0.0) >= leaps_kmh[first]:
        return _Leap(t_s, 0.0, 0.0)
    kmh = float(leaps_kmh[first])
    return _Leap(float(at_s[first]), kmh, kmh / 3.6 / ride.interval_s("wheel_speed"))


@once
def _leaps(ride: Ride) -> tuple[Floats, Floats]:
    """When wheel speed leaps by LEAP_KMH or more between two readings, and by how much."""
    v = ride.numbers("wheel_speed")
    known = np.flatnonzero(np.isfinite(v))
    leaps_kmh = np.abs(np.diff(v[known])) - motion.step_kmh(ride, "wheel_speed")
    far = np.flatnonzero(leaps_kmh >= LEAP_KMH)
    return ride.t_s[known[far + 1]], leaps_kmh[far]


def _first_s(ride: Ride, t_s: float, flags: Flags) -> float:
    """The first row near a cancel on which a flag is set."""
    rows = ride.slice(Span(t_s - 1.0, t_s + 0.3))
    return float(ride.t_s[rows][int(np.argmax(flags[rows]))])


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


def _flickers_elsewhere(ride: Ride, t_s: float) -> bool:
    """Is all that the gear shows near a cancel a flicker that does not fall on it?

    A real change of gear may be shown late; a wrong reading acts as it is shown.
    """
    slack_s = ride.interval_s("gear") + min(ride.interval_s("cruise_engaged"), 2.0)
    slack_s += skew_s(ride, "gear") + skew_s(ride, "cruise_engaged")
    window, runs = Span(t_s - 1.0, t_s + 0.2), ride.runs("gear")
    edges_s = runs.start_s[1:][
        (runs.start_s[1:] > window.start_s) & (runs.start_s[1:] <= t_s + 0.2)
    ]
    false = list(gear_flickers(ride, t_s))
    apart = [f for f in false if not -slack_s <= t_s - f.start_s <= latency.USUAL.end_s + slack_s]
    ends_s = [s for f in apart for s in (f.start_s, f.end_s)]
    return bool(len(edges_s)) and all(
        min(map(abs, (e - s for s in ends_s)), default=1.0) < 1e-6 for e in edges_s
    )


def _gearbox(ride: Ride, engagement: Engagement) -> Iterator[Mover]:
    """A change of gear while cruise was engaged, and an engine that runs up against the wheel."""
    t_s = engagement.span.end_s
    window = ride.slice(Span(max(t_s - 1.0, engagement.span.start_s), t_s + 0.2))
    if ride.has("gear"):
        gear = ride.numbers("gear")[window]
        known = gear[~np.isnan(gear)]
        changed = len(known) and (known != known[0]).any()
        if changed and not _flickers_elsewhere(ride, t_s):
            yield Mover(
                "gear_change",
                "gear",
                t_s,
                f"gear went from {known[0]:.0f} to {known[known != known[0]][0]:.0f}",
            )
    yield from _engine_freed(ride, t_s)


def _engine_freed(ride: Ride, t_s: float) -> Iterator[Mover]:
    """Engine speed that runs up against wheel speed: a reading, a free engine or a wheel."""
    if engine_spike(ride, t_s, least_rpm=FLARE_RPM):
        yield Mover("engine_flare", "engine_speed", t_s, "engine speed leapt for a moment")
        return
    ratio = drivetrain.ratio(ride)
    during = ratio[ride.slice(Span(t_s - 1.0, t_s + 0.2))]
    before = motion.median(ratio[ride.slice(Span(t_s - 4.0, t_s - 1.5))])
    if not np.isfinite(during).any() or math.isnan(before):
        return
    rise = float(np.nanmax(during)) / before - 1.0
    if rise <= 0.10:
        return
    told = f"engine speed rose {100 * rise:.0f} % against wheel speed"
    rise_rpm = rise * before * ride.at("wheel_speed", t_s)
    late_s = max((ride.interval_s(n) for n in ("clutch", "gear") if ride.has(n)), default=0.3)
    if drivetrain.clutched(ride, t_s, after_s=FREED_LATE_S + min(late_s, 0.3)):
        freed = rise_rpm >= FLARE_RPM
    else:
        freed = rise_rpm >= FREED_RPM and rise >= FREED_SHARE
    if freed:
        yield Mover("engine_flare", "engine_speed", t_s, told)
    else:
        spins = f"{told}, as it does when the rear wheel spins or the clutch slips"
        yield Mover("wheelspin", "engine_speed", t_s, spins)
