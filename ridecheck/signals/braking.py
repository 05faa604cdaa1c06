"""Slowing: how hard the bike slows, whether it is the bike that slows, and how much a hill does.

One judgement for every rule that asks whether a brake was at work.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Span
from ridecheck.core.thresholds import threshold
from ridecheck.signals import drivetrain, motion, throttle
from ridecheck.signals.definitions import PRACTICE, SIMULATED, definitions, values
from ridecheck.signals.motion import KMH_PER_MS, acceleration, row_seconds
from ridecheck.signals.ride import Ride, once

Flags = NDArray[np.bool_]


ID = "shared/slowing"


@dataclass(frozen=True, slots=True)
class Limits:
    """What tells a slowing of the bike from one of its signal, and from a hill."""

    same_fall: float = threshold(
        0.5, "", "share of what wheel speed lost that another speed must lose too",
        source=SIMULATED, loosened_by="raising",
    )  # fmt: skip
    rebounds_s: float = threshold(
        3.0, "s", "a signal that dropped out is back within this, faster than a bike gains speed",
        source=SIMULATED, loosened_by="raising",
    )  # fmt: skip
    spins_s: float = threshold(0.5, "s", "a spinning wheel gains its slip within this",
                               source=PRACTICE)  # fmt: skip
    spins_ms2: float = threshold(
        3.0, "m/s2", "a loaded tourer gains speed no faster above walking pace, save by spinning",
        source=PRACTICE, loosened_by="lowering",
    )  # fmt: skip
    spun_within_s: float = threshold(
        1.5, "s", "before a slowing: what the wheel had leapt up so soon before, it only loses",
        source=SIMULATED, loosened_by="raising",
    )  # fmt: skip
    spun_kmh: float = threshold(
        2.0, "km/h", "at its end the bike is as fast as before the leap, but for this",
        source=SIMULATED, loosened_by="raising",
    )  # fmt: skip
    steepest_road: float = threshold(
        0.25, "", "no road for touring is steeper: a sensor that says more is not believed",
        source=PRACTICE, loosened_by="raising",
    )  # fmt: skip
    hill_around_s: float = threshold(
        5.0, "s", "either side of a slowing its hill is taken over: altitude comes in metres",
        source=SIMULATED,
    )  # fmt: skip
    hill_m: float = threshold(
        50.0, "m", "travelled, or a step of altitude makes a hill", source=SIMULATED,
        loosened_by="lowering",
    )  # fmt: skip
    turned_s: float = threshold(
        0.33, "s", "engine and wheel turned together for at least this, or nothing is known of it",
        source=SIMULATED, loosened_by="raising",
    )  # fmt: skip
    wide_open: float = threshold(
        2.0, "times", "the throttle usual at a speed: an engine that pulls so hard and gains "
        "nothing climbs", source=SIMULATED, loosened_by="lowering",
    )  # fmt: skip
    hard_pull: float = threshold(
        20.0, "%", "above closed; less open an engine does not pull hard", source=PRACTICE,
        loosened_by="lowering",
    )  # fmt: skip
    loses_ms2: float = threshold(
        0.3, "m/s2", "a bike that loses this with the throttle clearly open climbs, or rides into "
        "a storm", source=SIMULATED, loosened_by="lowering",
    )  # fmt: skip
    gains_nothing_ms2: float = threshold(
        0.2, "m/s2", "a bike that gains no more neither gains nor loses speed", source=SIMULATED,
        loosened_by="raising",
    )  # fmt: skip
    usual_s: float = threshold(
        20.0, "s", "of riding at a speed show which throttle is usual there", source=SIMULATED,
    )  # fmt: skip
    open_share: float = threshold(
        0.75, "", "of a slowing with the throttle open: a hand that brakes shuts it, but for a "
        "blip at a downshift", source=PRACTICE, loosened_by="lowering",
    )  # fmt: skip
    frees_s: float = threshold(
        0.5, "s", "around a gear change the engine is not held by the wheel", source=PRACTICE,
    )  # fmt: skip
    idles: float = threshold(
        1.2, "times", "idle speed: slower, the engine may idle by itself", source=PRACTICE,
    )  # fmt: skip


def _limits(ride: Ride) -> Limits:
    return values(ride, ID, Limits)


@dataclass(frozen=True, slots=True)
class Slowing:
    """A stretch of hard slowing. corroborated None: nothing else logged could show."""

    span: Span
    rate_ms2: float
    from_kmh: float
    to_kmh: float
    steepest_ms2: float
    corroborated: bool | None
    by: str


@once
def slowings(ride: Ride, rate_ms2: float, longer_than_s: float) -> tuple[Slowing, ...]:
    """Stretches in which wheel speed falls at least at a rate (m/s2, positive), and for how long.

    The rate kept is the mean over the stretch less what one step of the signal could
    feign. A stretch during which the signal drops out (steeper than tyres allow, or
    rising again as fast) is none.
    """
    falling = np.nan_to_num(acceleration(ride), nan=0.0) <= -rate_ms2
    stretches = ride.where(falling).longer_than(longer_than_s)
    return tuple(one for span in stretches if (one := slowing_over(ride, span)) is not None)


def slowing_over(ride: Ride, span: Span) -> Slowing | None:
    """What wheel speed loses over a stretch; None where fewer than two rows of it are known."""
    rows = ride.slice(span)
    v = ride.numbers("wheel_speed")[rows]
    v = v[~np.isnan(v)]
    if len(v) < 2:
        return None
    length_s = float(ride.t_s[rows][-1] - ride.t_s[rows][0])
    rate_ms2 = float(v[0] - v[-1]) / KMH_PER_MS / max(length_s, 1e-3)
    steepest_ms2 = -float(np.nanmin(acceleration(ride)[rows]))
    corroborated, by = _corroborated(ride, span)
    return Slowing(span, rate_ms2, float(v[0]), float(v[-1]), steepest_ms2, corroborated, by)


def _rebounds(ride: Ride, span: Span) -> bool:
    """Does wheel speed jump back after a stretch, faster than a bike can accelerate?"""
    after = ride.slice(Span(span.start_s, span.end_s + _limits(ride).rebounds_s))
    return bool((acceleration(ride)[after] > definitions(ride).gains_ms2).any())


def _falls_back(ride: Ride, span: Span) -> bool:
    """Does wheel speed in a stretch only lose what it had leapt up just before?

    That is a wheel that spun, or a spike: at its end the bike is as fast as before the
    leap. Taken from the raw values; a step of the signal is allowed.
    """
    limits, speed = _limits(ride), ride.numbers("wheel_speed")
    rows = ride.slice(Span(span.start_s - limits.spun_within_s - limits.spins_s, span.end_s))
    t_s, v = ride.t_s[rows], speed[rows]
    known = ~np.isnan(v)
    t_s, v = t_s[known], v[known]
    if len(v) < 3:
        return False
    step = motion.step_kmh(ride, "wheel_speed")
    reach_s = max(limits.spins_s, 2.0 * ride.row_interval_s)
    end_kmh = float(v[-1])
    before = np.searchsorted(t_s, t_s - reach_s - 1e-9)
    lowest = np.array([v[a : i + 1].min() for i, a in enumerate(before)])
    leapt = v - lowest - step > limits.spins_ms2 * KMH_PER_MS * reach_s
    return bool((leapt & (end_kmh >= lowest - step - limits.spun_kmh)).any())


GRAVITY_MS2 = 9.81


def without_hill_ms2(ride: Ride, span: Span, rate_ms2: float) -> float | None:
    """What is left of a slowing without what the hill does to it; None where nothing shows.

    From the measured acceleration, in which a slope does not show, else from altitude
    over distance. A descent is not added to it.
    """
    limits, rows = _limits(ride), ride.slice(span)
    if ride.has("acceleration") and ride.interval_s("acceleration") <= span.length_s / 3:
        felt = ride.numbers("acceleration")[rows]
        left_ms2 = -float(np.nanmedian(felt)) if np.isfinite(felt).sum() >= 3 else math.nan
        if rate_ms2 - left_ms2 < GRAVITY_MS2 * limits.steepest_road:
            return min(rate_ms2, left_ms2)
    around = ride.slice(span.widened(limits.hill_around_s))
    height_m, speed = ride.numbers("altitude")[around], ride.numbers("wheel_speed")[around]
    seconds = row_seconds(ride)[around]
    known = np.flatnonzero(np.isfinite(height_m))
    if len(known) < 2:
        return None
    between = slice(int(known[0]), int(known[-1]))
    travelled_m = float(np.nansum(speed[between] * seconds[between])) / KMH_PER_MS
    if travelled_m < limits.hill_m:
        return None
    slope = float(height_m[known[-1]] - height_m[known[0]]) / travelled_m
    if slope > limits.steepest_road:
        return None
    return rate_ms2 - GRAVITY_MS2 * max(0.0, slope)


def is_real(
    ride: Ride, slowing: Slowing, *, from_ms2: float, to_ms2: float, turned_within_s: float
) -> bool:
    """Is the bike slowing, rather than its speed signal?

    The mean over the stretch, less what a step of the signal feigns, must be from_ms2 or
    more and no part of it steeper than to_ms2; what else is logged must fall too, or, where
    the clutch is in, engine and wheel must have turned as one until turned_within_s before;
    speed must not jump back, nor only lose what a spinning wheel had gained.
    """
    feigned_ms2 = motion.uncertainty_ms2(ride, "wheel_speed", slowing.span.length_s)
    within = from_ms2 <= slowing.rate_ms2 - feigned_ms2 + 0.05 and slowing.steepest_ms2 <= to_ms2
    if not within or _rebounds(ride, slowing.span) or _falls_back(ride, slowing.span):
        return False
    if slowing.corroborated is None:
        return not can_corroborate(ride) or _turned_before(ride, slowing, turned_within_s)
    return slowing.corroborated


def can_corroborate(ride: Ride) -> bool:
    """Is anything logged that must slow with the wheel?"""
    return ride.has("engine_speed") or ride.has("front_wheel_speed")


def _turned_before(ride: Ride, slowing: Slowing, within_s: float) -> bool:
    """Did the engine turn with the wheel, in some gear, just before the slowing?

    With the clutch in nothing confirms the slowing itself; but no engine drags then either.
    """
    if not ride.has("engine_speed"):
        return False
    start_s = slowing.span.start_s
    before = ride.slice(Span(start_s - within_s, start_s))
    seconds = row_seconds(ride)[before]
    return bool(seconds[drivetrain.in_gear(ride)[before]].sum() >= _limits(ride).turned_s)


def pulled_uphill(ride: Ride, span: Span) -> bool:
    """Did the engine pull hard just before, and the bike gain nothing, or lose speed?

    Hard: the throttle far wider open than usual at this speed, or clearly open while speed
    falls. Usual: the median of the ride's steady riding within a tenth of this speed. False
    where the throttle is not logged; where there is no such riding, the second alone is asked.
    """
    limits = _limits(ride)
    name = next((n for n in (throttle.PLATE, throttle.GRIP) if ride.has(n)), "")
    if not name:
        return False
    opening, speed, a = (
        throttle.opening(ride, name),
        ride.numbers("wheel_speed"),
        acceleration(ride),
    )
    before = ride.slice(Span(span.start_s - 4.0, span.start_s - 1.0))
    open_now, gained_ms2 = motion.median(opening[before]), motion.median(a[before])
    if math.isnan(open_now) or math.isnan(gained_ms2):
        return False
    if open_now > limits.hard_pull and gained_ms2 < -limits.loses_ms2:
        return True
    at_kmh = float(np.nanmedian(speed[before]))
    steady = np.abs(a) < limits.gains_nothing_ms2
    alike = steady & (np.abs(speed / at_kmh - 1.0) < 0.1) & throttle.is_open(ride, name)
    if row_seconds(ride)[alike].sum() < limits.usual_s:
        return False
    usual = float(np.median(opening[alike]))
    wide = open_now > max(limits.wide_open * usual, limits.hard_pull)
    return bool(wide and gained_ms2 < limits.gains_nothing_ms2)


def throttle_open(ride: Ride, span: Span) -> bool:
    """Was the throttle open through at least three quarters of a stretch, cruise not at work?

    Nobody brakes so: a hand that brakes shuts the grip, but for a blip at a downshift. Rows
    with cruise engaged, or blank, show nothing; less than half of the stretch left is False,
    and so is a log without a throttle, or with a plate that cruise could have opened unseen.
    """
    name = throttle.by_hand(ride)
    if not name or (name == "throttle" and not ride.has("cruise_engaged")):
        return False
    rows = ride.slice(span)
    tells = np.isfinite(ride.numbers(name)[rows])
    if ride.has("cruise_engaged"):
        tells &= ride.numbers("cruise_engaged")[rows] == 0
    if tells.sum() < 3 or tells.sum() < 0.5 * len(tells):
        return False
    return bool(throttle.is_open(ride, name)[rows][tells].mean() >= _limits(ride).open_share)


def _corroborated(ride: Ride, span: Span) -> tuple[bool | None, str]:
    """Did engine speed in gear, or another speed, fall too? None where none could show."""
    fall = _relative_fall(ride, "wheel_speed", span)
    can_tell: list[tuple[bool, str]] = []
    for name in ("front_wheel_speed", "gps_speed"):
        other = _relative_fall(ride, name, span)
        if other is not None and fall is not None and ride.interval_s(name) <= span.length_s:
            can_tell.append((other >= _limits(ride).same_fall * fall, name.replace("_", " ")))
    engine = _engine_falls(ride, span)
    if engine is not None:
        can_tell.append((engine, "engine speed in gear"))
    if not can_tell:
        return None, ""
    agreeing = [by for agrees, by in can_tell if agrees]
    return bool(agreeing), (agreeing or [by for _, by in can_tell])[0]


def _engine_falls(ride: Ride, span: Span) -> bool | None:
    """Does engine speed fall with wheel speed on the rows where it is in gear?

    None where engine speed is not logged, or the clutch is pulled, the gear changing or
    the engine idling for all but a third of a second: then it cannot show.
    """
    if not ride.has("engine_speed", "wheel_speed"):
        return None
    rows = ride.slice(span)
    tells, follows = (flags[rows] for flags in _engine_follows(ride))
    seconds = row_seconds(ride)[rows]
    if seconds[tells].sum() < _limits(ride).turned_s:
        return None
    return bool(seconds[tells & follows].sum() >= 0.5 * seconds[tells].sum())


@once
def _engine_follows(ride: Ride) -> tuple[Flags, Flags]:
    """Rows on which engine speed can show, and those on which it changes as speed does."""
    rpm, limits = ride.numbers("engine_speed"), _limits(ride)
    with np.errstate(invalid="ignore", divide="ignore"):
        tells = rpm > limits.idles * ride.settings.drivetrain.idle_rpm
        log_rpm = np.log(np.where(rpm > 0, rpm, np.nan))
        rpm_rate = motion.slope(ride, log_rpm, motion.window_s(ride, "wheel_speed"))
        speed_rate = acceleration(ride) * KMH_PER_MS / ride.numbers("wheel_speed")
        follows = rpm_rate <= limits.same_fall * speed_rate
    if ride.has("clutch"):
        tells &= ~motion.widened(ride, ride.numbers("clutch") == 1, limits.frees_s / 2)
    if ride.has("gear"):
        changed = drivetrain.gear_changed(ride)
        tells &= ~motion.widened(ride, changed, limits.frees_s) & (ride.numbers("gear") != 0)
    return tells & np.isfinite(rpm_rate) & np.isfinite(speed_rate), follows


def _relative_fall(ride: Ride, name: str, span: Span) -> float | None:
    """Share of its value a channel loses over a span; None where blank."""
    values = ride.numbers(name)[ride.slice(span)]
    values = values[~np.isnan(values)]
    if len(values) < 2 or values[0] <= 0:
        return None
    return float(1.0 - values[-1] / values[0])
