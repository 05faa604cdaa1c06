"""What wheel speed, engine speed and gear show at a cancel that may have brought it about."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Evidence, Span
from ridecheck.signals import drivetrain, motion
from ridecheck.signals.cancels import latency, what_acted_first
from ridecheck.signals.cancels.candidate import Candidate, seen
from ridecheck.signals.cancels.false_readings import engine_spike, gear_flickers
from ridecheck.signals.cruise import Engagement, engagements, phases
from ridecheck.signals.ride import SHARP_S, Ride, once

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

JUMP_MS2 = 4.5
"""Change of speed at which control units disengage (about 10 mph a second)."""

SPUN_FAR_KMH = 10.0
"""A wheel that spins by less than this is below what units take for a jump (about 10 mph a
second, through a filter of some tenths): what disengaged then was traction control, or no cause."""

TURNED_KMH = 30.0
"""In gear at this speed the wheel turns the engine: it cannot stand still."""

OVERRIDE_S = 30.0
"""The rider's own throttle, held so long, ends cruise on many bikes (common practice)."""

NEAR_LIMIT_KMH = 2.0
"""Units filter speed and use their own display's; a limit this close explains a cancel."""


def speed(ride: Ride, engagement: Engagement) -> Iterator[Candidate]:
    """Causes that the speed itself shows: lost, jumping, or outside the limits."""
    t_s = engagement.span.end_s
    v = ride.numbers("wheel_speed")
    before_kmh = motion.mean(v[ride.slice(Span(t_s - 3.0, t_s - 1.0))])
    window = v[ride.slice(Span(t_s - 1.0, t_s + 0.3))]
    if not np.isfinite(window).any() or math.isnan(before_kmh):
        return
    if jumped := _speed_lost(ride, t_s, before_kmh) or _speed_jumped(ride, t_s):
        yield jumped
    yield from _at_a_limit(ride, engagement)


def _at_a_limit(ride: Ride, engagement: Engagement) -> Iterator[Candidate]:
    """Speed, or the rider's own throttle, at a limit of cruise."""
    t_s, limits = engagement.span.end_s, ride.settings.cruise
    kmh = motion.mean(ride.numbers("wheel_speed")[ride.slice(Span(t_s - 0.6, t_s))])
    near_kmh = max(motion.step_kmh(ride, "wheel_speed"), NEAR_LIMIT_KMH)
    below_kmh = _set_speed(ride, engagement) - kmh
    least_kmh, most_kmh = limits.minimum_kmh, limits.maximum_kmh
    if kmh < least_kmh + near_kmh:
        what = seen("at_minimum", speed_kmh=kmh, limit_kmh=least_kmh)
        yield Candidate("below_minimum", "wheel_speed", t_s, what)
    if kmh > most_kmh - near_kmh:
        what = seen("at_maximum", speed_kmh=kmh, limit_kmh=most_kmh)
        yield Candidate("above_maximum", "wheel_speed", t_s, what)
    if below_kmh >= limits.far_from_set_kmh - near_kmh:
        what = seen("below_set_speed", speed_kmh=kmh, below_kmh=below_kmh)
        yield Candidate("far_from_set_speed", "wheel_speed", t_s, what)
    overrides = [p for p in phases(ride) if p.kind == "override" and abs(p.span.end_s - t_s) < 2.0]
    if overrides and overrides[-1].span.length_s >= OVERRIDE_S:
        what = seen("own_throttle", length_s=overrides[-1].span.length_s)
        yield Candidate("override_limit", "throttle_grip", t_s, what)


def _speed_lost(ride: Ride, t_s: float, before_kmh: float) -> Candidate | None:
    """Wheel speed that falls to less than half faster than any bike stops."""
    v = ride.numbers("wheel_speed")
    lowest_kmh = float(np.nanmin(v[ride.slice(Span(t_s - 1.0, t_s + 0.3))]))
    if not (before_kmh > TURNED_KMH and lowest_kmh < 0.5 * before_kmh):
        return None
    if not _steepest(ride, t_s) > motion.STEEPEST_MS2:
        return None
    what = seen("wheel_speed_lost", from_kmh=before_kmh, to_kmh=lowest_kmh)
    at_s = min(_first_s(ride, t_s, v < 0.5 * before_kmh), t_s)
    return Candidate("signal_lost", "wheel_speed", at_s, what, impossible=True)


def _speed_jumped(ride: Ride, t_s: float) -> Candidate | None:
    """Wheel speed that changes as units take for a fault, by its signal or a wheel that spins.

    A change as large as one that cruise held through elsewhere in the ride is none.
    """
    leap, rate_ms2 = _leap(ride, t_s), _steepest(ride, t_s)
    steepest_ms2 = max(rate_ms2 if rate_ms2 > _held_through_ms2(ride) else 0.0, leap.ms2)
    if not steepest_ms2 > JUMP_MS2:
        return None
    leapt = leap.ms2 > motion.STEEPEST_MS2
    kind = "wheel_speed_leapt" if leapt else "wheel_speed_changed"
    figures = {"by_kmh": leap.kmh} if leapt else {"rate_ms2": steepest_ms2}
    spun_kmh = what_acted_first.spun_kmh(ride, t_s)
    spun = spun_kmh > 0.0
    return Candidate(
        "wheelspin" if spun and spun_kmh <= SPUN_FAR_KMH else "speed_jump",
        "wheel_speed",
        min(leap.at_s, t_s) if leapt else t_s,
        seen(f"{kind}_spun" if spun else kind, **figures),
        impossible=steepest_ms2 > motion.STEEPEST_MS2 and not spun,
    )


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
"""Between two readings; units disengage at about 16 km/h in a second (10 mph)."""

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
    if _held_through_kmh(ride) >= leaps_kmh[first]:
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


@once
def _held_through_kmh(ride: Ride) -> float:
    """The largest leap while cruise was engaged and went on to be, 0 where there is none."""
    at_s, leaps_kmh = _leaps(ride)
    held = np.zeros(len(at_s), dtype=bool)
    for engagement in engagements(ride):
        start_s, end_s = engagement.span.start_s, engagement.span.end_s - HELD_THROUGH_S
        held |= (start_s < at_s) & (at_s < end_s)
    return float(leaps_kmh[held].max(initial=0.0))


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


def engine(ride: Ride, t_s: float) -> Iterator[Candidate]:
    """The engine stopped, or its speed signal lost or come back."""
    if ride.has("run_switch") and ride.runs("run_switch").value_at(t_s) == 0:
        yield Candidate("engine_off", "run_switch", t_s, seen("run_switch_off"))
    rpm, idle_rpm = ride.numbers("engine_speed"), ride.settings.drivetrain.idle_rpm
    before_rpm = motion.mean(rpm[ride.slice(Span(t_s - 2.0, t_s - 1.0))])
    during = rpm[ride.slice(Span(t_s - 1.0, t_s + 0.5))]
    during = during[np.isfinite(during)]
    back, kmh = _back_at_once(ride, t_s), ride.at("wheel_speed", t_s)
    if not len(during):
        return
    turned = kmh > TURNED_KMH and not drivetrain.clutched(ride, t_s)
    lowest_rpm, gone = float(during.min()), during[0] < 0.5 * idle_rpm
    fell = before_rpm > idle_rpm and lowest_rpm < 0.5 * idle_rpm
    returns = back is not None or during[-1] > idle_rpm
    if fell and turned and not (gone and returns):
        what = seen("engine_speed_lost", to_rpm=lowest_rpm, speed_kmh=kmh)
        yield Candidate("signal_lost", "engine_speed", t_s, what, impossible=back is not None)
    elif back:
        yield Candidate("engine_flare", "engine_speed", t_s, back, impossible=True)
    elif turned and gone and returns:
        what = seen("engine_speed_back", from_rpm=lowest_rpm, to_rpm=float(during[-1]))
        yield Candidate("engine_flare", "engine_speed", t_s, what)
    elif fell:
        what = seen("engine_stopped", to_rpm=lowest_rpm)
        yield Candidate("engine_off", "engine_speed", t_s, what)


STARTS_RPM = 1500.0
"""No engine gains so much from a stand between two rows (common practice: a start takes some
tenths of a second to idle)."""


def _back_at_once(ride: Ride, t_s: float) -> Evidence | None:
    """Engine speed from less than half of idle to a running engine's between two rows."""
    rpm = ride.numbers("engine_speed")[ride.slice(Span(t_s - 0.6, t_s + 0.1))]
    rpm = rpm[np.isfinite(rpm)]
    gains = np.diff(rpm)
    at = np.flatnonzero((gains > STARTS_RPM) & (rpm[:-1] < 0.5 * ride.settings.drivetrain.idle_rpm))
    if not len(at) or ride.interval_s("engine_speed") > SHARP_S:
        return None
    return seen("engine_speed_back", from_rpm=rpm[at[-1]], to_rpm=rpm[at[-1] + 1])


def gearbox(ride: Ride, engagement: Engagement) -> Iterator[Candidate]:
    """A change of gear while cruise was engaged, and an engine that runs up against the wheel."""
    t_s = engagement.span.end_s
    window = ride.slice(Span(max(t_s - 1.0, engagement.span.start_s), t_s + 0.2))
    gear = ride.numbers("gear")[window]
    known = gear[~np.isnan(gear)]
    others = known[known != known[:1]]
    if len(others) and not _flickers_elsewhere(ride, t_s):
        what = seen("gear_changed", from_gear=known[0], to_gear=others[0])
        yield Candidate("gear_change", "gear", t_s, what)
    yield from _engine_freed(ride, t_s)


def _flickers_elsewhere(ride: Ride, t_s: float) -> bool:
    """Is all that the gear shows near a cancel a flicker that does not fall on it?

    A real change of gear may be shown late; a wrong reading acts as it is shown.
    """
    slack_s = ride.interval_s("gear") + min(ride.interval_s("cruise_engaged"), 2.0)
    slack_s += ride.skew_s("gear") + ride.skew_s("cruise_engaged")
    edges_s = {s for s in ride.runs("gear").start_s[1:].tolist() if t_s - 1.0 < s <= t_s + 0.2}
    apart_s = {
        edge_s
        for f in gear_flickers(ride, t_s)
        if not -slack_s <= t_s - f.start_s <= latency.USUAL.end_s + slack_s
        for edge_s in (f.start_s, f.end_s)
    }
    return bool(edges_s) and edges_s <= apart_s


FLARE_RPM = 700.0
"""An engine let free gains about 1000 rpm in half a second; a lag takes some of it (common
practice). A rear wheel that spins, seen from the front one, gains less."""

FREED_RPM = 1000.0
"""... and this where the clutch is logged, not pulled, and no gear changes: then a wheel spins or
the clutch slips, and units take no less for an engine let free (common practice)."""

FREED_SHARE = 0.35
"""... and not less: traction control steps in before a wheel spins so far (common practice)."""

FREED_LATE_S = 0.15
"""A pull that freed the engine shows before cruise disengages, or this much later."""


def _engine_freed(ride: Ride, t_s: float) -> Iterator[Candidate]:
    """Engine speed that runs up against wheel speed: a reading, a free engine or a wheel."""
    if spike := engine_spike(ride, t_s, least_rpm=FLARE_RPM):
        yield Candidate("engine_flare", "engine_speed", t_s, spike)
        return
    ratio = drivetrain.ratio(ride)
    during = ratio[ride.slice(Span(t_s - 1.0, t_s + 0.2))]
    before = motion.median(ratio[ride.slice(Span(t_s - 4.0, t_s - 1.5))])
    if not np.isfinite(during).any() or math.isnan(before):
        return
    rise = float(np.nanmax(during)) / before - 1.0
    if rise <= 0.10:
        return
    rise_rpm = rise * before * ride.at("wheel_speed", t_s)
    late_s = max((ride.interval_s(n) for n in ("clutch", "gear") if ride.has(n)), default=0.3)
    if drivetrain.clutched(ride, t_s, after_s=FREED_LATE_S + min(late_s, 0.3)):
        freed = rise_rpm >= FLARE_RPM
    else:
        freed = rise_rpm >= FREED_RPM and rise >= FREED_SHARE
    cause, kind = ("engine_flare", "engine_rose") if freed else ("wheelspin", "engine_rose_spun")
    yield Candidate(cause, "engine_speed", t_s, seen(kind, percent=100 * rise))
