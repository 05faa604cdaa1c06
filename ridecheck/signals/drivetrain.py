"""Engine speed against wheel speed: the ratio, the gear it means, and how far it may stray.

The tolerance is computed row by row from what the signals can be: their steps, their
refresh, the engine speed's filter lag times acceleration, and the slip of a driven tyre
where speed is taken from an undriven wheel. Gears are read off the ladder of the model's
ratios; a drive whose ratios form no ladder (torque converter, belt) is given none.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Drivetrain, Span
from ridecheck.core.thresholds import threshold
from ridecheck.core.units import KM_PER_MILE, KM_PER_NAUTICAL_MILE
from ridecheck.signals import motion
from ridecheck.signals.definitions import PRACTICE, SIMULATED, values
from ridecheck.signals.ride import Ride, once

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

ID = "shared/ratio"


@dataclass(frozen=True, slots=True)
class Limits:
    """Engine speed over wheel speed: what it says of the gear, and how far it may stray."""

    slowest_kmh: float = threshold(
        10.0,
        "km/h",
        "slower, pulse counting and clutch slip make the ratio worthless",
        source=PRACTICE,
        loosened_by="raising",
    )
    steady_kmh: float = threshold(
        15.0,
        "km/h",
        "slower, the ratio is too rough to judge anything by",
        source=PRACTICE,
    )
    lag_s: float = threshold(
        0.5,
        "s",
        "filter lag of a displayed engine speed; makers use 0.1 to 1 s",
        source=PRACTICE,
    )
    lag_middle_s: float = threshold(
        0.3,
        "s",
        "the middle of those lags: wheel speed is held against an engine this much late",
        source=PRACTICE,
    )
    base: float = threshold(
        0.03,
        "",
        "scatter of the ratio on a steady road when all else is accounted for",
        source=SIMULATED,
    )
    drive_slip: float = threshold(
        0.02,
        "",
        "slip of the driven tyre, seen only by an undriven wheel: 1 to 2 %",
        source=PRACTICE,
    )
    above_idle: float = threshold(
        1.15,
        "times",
        "idle speed: no faster, an engine may be idling by itself, clutch in or not",
        source=PRACTICE,
    )
    reach: float = threshold(
        0.05,
        "",
        "a ratio this near a rung means that gear, however fine the signals",
        source=SIMULATED,
        loosened_by="lowering",
    )
    widest: float = threshold(
        0.12,
        "",
        "a row whose tolerance is wider says nothing about the gear",
        source=SIMULATED,
        loosened_by="lowering",
    )
    steady_ms2: float = threshold(
        0.5,
        "m/s2",
        "acceleration up to which a row counts as steady",
        source=PRACTICE,
    )
    ladder_within: float = threshold(
        0.025,
        "",
        "steady rows of a manual gearbox lie this close to a rung of its ladder",
        source=SIMULATED,
    )
    ladder_share: float = threshold(
        0.75,
        "",
        "of the steady time on rungs, or there is no ladder",
        source=SIMULATED,
    )
    used_s: float = threshold(
        10.0,
        "s",
        "of steady riding on a rung from which a gear counts as used",
        source=SIMULATED,
    )
    misread: float = threshold(
        0.10,
        "",
        "wheel speed further than this from another speed, as a log, is itself misread",
        source=PRACTICE,
    )
    too_far: float = threshold(
        0.12,
        "",
        "from its model in every gear logged: no worn tyre and no sprocket a tooth or two "
        "other; two teeth of seventeen make 12 %",
        source=PRACTICE,
    )
    exact: float = threshold(
        0.015,
        "",
        "wear of a tyre and the steps of both signals move the right model no further",
        source=SIMULATED,
    )
    labelled_s: float = threshold(
        60.0,
        "s",
        "of steady riding under logged gears from which the labels are believed",
        source=SIMULATED,
    )
    miscounted: float = threshold(
        0.15,
        "",
        "no tyre, sprocket or instrument is this far off; a ring read with teeth too many is",
        source=PRACTICE,
    )
    alike_s: float = threshold(
        2.0,
        "s",
        "of steady riding from which the error of a gear counts, large as it must be",
        source=SIMULATED,
    )
    miscount_s: float = threshold(
        60.0,
        "s",
        "of steady riding in all of them together",
        source=SIMULATED,
    )
    alike: float = threshold(
        0.015,
        "",
        "gears whose errors differ by no more share one cause",
        source=SIMULATED,
    )
    clear_s: float = threshold(
        1.5,
        "s",
        "either side of a clutch pull, neutral or a change of gear the ratio is on its way",
        source=PRACTICE,
    )
    scaled_s: float = threshold(
        10.0,
        "s",
        "of steady riding from which a common error of the speed signal is taken out",
        source=SIMULATED,
    )
    ladder_s: float = threshold(
        30.0,
        "s",
        "of steady riding from which there can be a ladder",
        source=SIMULATED,
    )


def limits(ride: Ride) -> Limits:
    """What this module judges by, for the bike of a ride."""
    return values(ride, ID, Limits)


FACTORS = {
    "in miles per hour": 1 / KM_PER_MILE,
    "in metres per second": 1 / 3.6,
    "in knots": 1 / KM_PER_NAUTICAL_MILE,
    "as if miles per hour had been converted twice": KM_PER_MILE,
    "with twice the pulses": 2.0,
    "with half the pulses": 0.5,
    "as if metres per second had been converted twice": 3.6,
}
"""Wrong readings of a speed channel, by the factor they put on it."""


UNIT_WITHIN = 0.03
"""Wear of a tyre and the steps of both signals move a factor no further than this; the nearest
two units, mile and knot, differ by 15 % (arithmetic)."""


def misreading(factor: float) -> str:
    """Which wrong reading puts this factor on a speed; "" where none is near.

    >>> misreading(0.62), misreading(3.59), misreading(0.9)
    ('in miles per hour', 'as if metres per second had been converted twice', '')
    """
    near = [n for n, known in FACTORS.items() if abs(factor / known - 1.0) < UNIT_WITHIN]
    return near[0] if near else ""


@once
def gear_changed(ride: Ride) -> Flags:
    """Rows that show another gear than the last one known in their stretch, (n,).

    Blanks between two values are no change and hide none: a gear that is another after a
    blank changed there. None where no gear is logged.
    """
    gear = ride.numbers("gear")
    changed = np.zeros(len(gear), dtype=bool)
    known = np.flatnonzero(~np.isnan(gear))
    another = np.diff(gear[known]) != 0
    changed[known[1:]] = another & (np.diff(ride.segment[known]) == 0)
    return changed


@once
def ratio(ride: Ride) -> Floats:
    """rpm per km/h, (n,); NaN where either is blank or speed is under the slowest."""
    v, rpm = ride.numbers("wheel_speed"), ride.numbers("engine_speed")
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where((v >= limits(ride).slowest_kmh) & (rpm > 0), rpm / v, np.nan)


@once
def _log_ratio(ride: Ride) -> Floats:
    """Log of the ratio, (n,); on calm rows the median over three refreshes, which takes out
    the scatter of a needle without moving an edge. Wheel speed is taken as
    much earlier, as engine speed shows it.
    """
    raw = np.log(ratio(ride)) + np.log(ride.numbers("wheel_speed") / _earlier(ride))
    over_s = max(0.5, 3.0 * max(_finite(ride.interval_s("engine_speed")), ride.row_interval_s))
    rows = max(1, round(over_s / ride.row_interval_s)) | 1
    wanted = calm(ride) & ~np.isnan(raw)
    return np.where(wanted, motion.running_median(raw, rows, wanted), raw)


def _earlier(ride: Ride) -> Floats:
    """Wheel speed as long before each row as engine speed lags, (n,).

    The row's own at a segment's start.
    """
    speed = ride.numbers("wheel_speed")
    earlier = speed.copy()
    for rows in motion.segment_slices(ride):
        t_s, v = ride.t_s[rows], speed[rows]
        known = ~np.isnan(v)
        if known.any():
            earlier[rows] = np.interp(t_s - limits(ride).lag_middle_s, t_s[known], v[known])
    return np.where((earlier > 0) & (speed > 0), earlier, np.nan)


@once
def tolerance(ride: Ride) -> Floats:
    """Largest relative error of the ratio that the signals' making explains, (n,).

    steps/2 of both signals, acceleration times (engine speed lag + one refresh of each),
    slip where speed comes from an undriven wheel, and what is left beside.
    """
    v, rpm = ride.numbers("wheel_speed"), ride.numbers("engine_speed")
    a = np.abs(motion.acceleration(ride))
    stale_s = sum(_finite(ride.interval_s(n)) for n in ("wheel_speed", "engine_speed"))
    undriven = ride.settings.speed_signal.taken_from in ("front_wheel", "unknown")
    with np.errstate(invalid="ignore", divide="ignore"):
        quantised = motion.step_kmh(ride, "wheel_speed") / (2 * v) + _step(ride) / (2 * rpm)
        lagging = motion.KMH_PER_MS * a * (limits(ride).lag_s + stale_s) / v
    total: Floats = (
        limits(ride).base + quantised + lagging + (limits(ride).drive_slip if undriven else 0.0)
    )
    return total


@once
def locked(ride: Ride) -> Flags:
    """Rows on which the ratio stands still: moving, hardly accelerating, clutch out.

    One second and a half either side of a clutch pull or neutral is left out, and so are
    rows whose tolerance is too wide. The logged gear plays no part.
    """
    a = motion.acceleration(ride)
    fast = ride.numbers("wheel_speed") >= limits(ride).steady_kmh
    fast &= (
        ride.numbers("engine_speed") > limits(ride).above_idle * ride.settings.drivetrain.idle_rpm
    )
    usable = (
        fast
        & ~np.isnan(ratio(ride))
        & (np.abs(a) <= limits(ride).steady_ms2)
        & (tolerance(ride) <= limits(ride).widest)
    )
    for name in ("clutch", "neutral_switch"):
        if ride.has(name):
            usable &= ~motion.widened(ride, ride.numbers(name) == 1, limits(ride).clear_s)
    return np.asarray(usable & calm(ride))


@once
def steady(ride: Ride) -> Flags:
    """Locked rows that are also a second and a half away from any change of logged gear."""
    usable = locked(ride)
    return usable & ~motion.widened(ride, gear_changed(ride), limits(ride).clear_s)


@once
def calm(ride: Ride) -> Flags:
    """Rows around which the ratio itself stands still (no shift, no slipping clutch)."""
    log_ratio = np.log(ratio(ride))
    over_s = max(1.0, 2.0 * _finite(ride.interval_s("engine_speed")))
    drift = np.abs(motion.slope(ride, log_ratio, over_s)) * over_s
    return drift <= 1.5 * tolerance(ride)


@once
def scale(ride: Ride) -> float:
    """Common factor of measured over modelled speed, from the steady rows on a rung; else 1.

    Found by trying small factors and keeping the one that puts most time within reach of
    a rung, then taking the median. A constant error of the speedometer (or a worn tyre)
    must not look like wrong gears.
    """
    log_ratio, weight_s = _steady_logs(ride)
    if weight_s.sum() < limits(ride).scaled_s:
        return 1.0
    ladder = _ladder(ride.settings.drivetrain)
    tries = np.linspace(math.log(0.9), math.log(1.12), 45)
    shares = [
        _share(log_ratio + shift, weight_s, ladder, limits(ride).ladder_within / 2)
        for shift in tries
    ]
    best = max(range(len(tries)), key=lambda i: (round(shares[i], 2), -abs(tries[i])))
    off = log_ratio + tries[best] - ladder[_nearest(log_ratio + tries[best], ladder)]
    near = np.abs(off) <= limits(ride).ladder_within
    if not near.any():
        return 1.0
    return float(math.exp(tries[best] - _median(off[near], weight_s[near])))


@once
def rungs(ride: Ride) -> Ints:
    """Gear that the ratio means on each row, (n,), 1 to n; 0 where it means none.

    Works on moving rows in general, within the tolerance of each row and never more than
    half the way to the next rung.
    """
    ladder = _ladder(ride.settings.drivetrain)
    log_ratio = _log_ratio(ride) + math.log(scale(ride))
    known = ~np.isnan(log_ratio)
    gears = np.zeros(len(log_ratio), dtype=np.int64)
    if known.any():
        nearest = _nearest(log_ratio[known], ladder)
        off = np.abs(log_ratio[known] - ladder[nearest])
        reach = np.maximum(
            np.nan_to_num(tolerance(ride)[known], nan=limits(ride).widest), limits(ride).reach
        )
        within = off <= np.minimum(reach, half_step(ride))
        gears[known] = np.where(within, nearest + 1, 0)
    return gears


@once
def in_gear(ride: Ride) -> Flags:
    """Rows on which engine and wheel turn together in some gear, clutch out, (n,)."""
    locked = rungs(ride) > 0
    if ride.has("clutch"):
        locked &= ride.numbers("clutch") != 1
    if ride.has("gear"):
        locked &= ride.numbers("gear") != 0
    return locked


@once
def has_ladder(ride: Ride) -> bool:
    """Do the ride's steady ratios lie on the model's ladder? False with too little to say.

    Where no gear is logged, two rungs at least must be used, and most of the time next to
    each spent on it: a single ratio (a locked torque converter on a motorway) lies near some
    rung of any ladder, and what slips past the others lies on none.
    """
    log_ratio, weight_s = _steady_logs(ride)
    if weight_s.sum() < limits(ride).ladder_s:
        return False
    ladder = _ladder(ride.settings.drivetrain)
    shifted = log_ratio + math.log(scale(ride))
    if _share(shifted, weight_s, ladder, limits(ride).ladder_within) < limits(ride).ladder_share:
        return False
    nearest = _nearest(shifted, ladder)
    on = np.abs(shifted - ladder[nearest]) <= limits(ride).ladder_within
    by_s = np.bincount(nearest, weights=weight_s, minlength=len(ladder))
    on_s = np.bincount(nearest[on], weights=weight_s[on], minlength=len(ladder))
    used = (on_s >= limits(ride).used_s) & (on_s > 0.5 * by_s)
    return ride.has("gear") or int(used.sum()) >= 2


@once
def inferred_gear(ride: Ride) -> Floats:
    """The gear: as logged, else read off the ladder; NaN unknown, 0 never inferred."""
    if ride.has("gear"):
        return ride.numbers("gear")
    if not has_ladder(ride):
        return np.full(len(ride.t_s), np.nan)
    gears = rungs(ride)
    return _bridged(ride, np.where(gears > 0, gears.astype(float), np.nan))


def _bridged(ride: Ride, gears: Floats) -> Floats:
    """Unknowns of a second (or three rows) between two of the same gear take it."""
    known = np.flatnonzero(~np.isnan(gears))
    if not len(known):
        return gears
    filled = gears.copy()
    apart_s = max(1.0, 4.0 * ride.row_interval_s) + 1e-6
    for a, b in pairwise(known):
        same = gears[a] == gears[b] and ride.segment[a] == ride.segment[b]
        if b > a + 1 and same and ride.t_s[b] - ride.t_s[a] <= apart_s:
            filled[a:b] = gears[a]
    return filled


@dataclass(frozen=True, slots=True)
class Fit:
    """How well a drivetrain explains a ride.

    share: of steady seconds on a rung. bias: the common error that fits best, as a log.
    """

    share: float
    bias: float
    gears: int
    seconds: float


def fit(
    ride: Ride, drivetrain: Drivetrain, *, factor: float = 1.0, reads_high_percent: float = 0.0
) -> Fit:
    """Fit of a drivetrain, its speed read with a factor; a common error of 7 % is allowed.

    reads_high_percent: what its model states of its speed signal; the error is beside that.
    """
    log_ratio, weight_s = _steady_logs(ride)
    if not weight_s.sum():
        return Fit(0.0, 0.0, 0, 0.0)
    ladder = _ladder(drivetrain)
    biases = sorted(np.linspace(math.log(0.93), math.log(1.07), 29).tolist(), key=abs)
    within = limits(ride).ladder_within
    stated = math.log(factor * (1.0 + reads_high_percent / 100.0))
    shifts = [stated + bias for bias in biases]
    shares = [round(_share(log_ratio + shift, weight_s, ladder, within), 2) for shift in shifts]
    found = int(np.argmax(shares))
    best = shifts[found]
    nearest = _nearest(log_ratio + best, ladder)
    near = np.abs(log_ratio + best - ladder[nearest]) <= within
    used = sum(
        float(weight_s[near & (nearest == g)].sum()) >= limits(ride).used_s
        for g in range(len(ladder))
    )
    return Fit(shares[found], biases[found], used, float(weight_s.sum()))


@once
def fitting_models(ride: Ride) -> tuple[str, ...]:
    """The fleet's other models that explain the ride much better than its own, best first.

    None where another speed shows that it is the wheel speed that is misread.
    """
    if _speed_misread(ride):
        return ()
    stated = ride.settings.speed_signal.reads_high_percent
    own = fit(ride, ride.settings.drivetrain, reads_high_percent=stated)
    own_off = _labelled(ride, ride.settings.drivetrain, stated)
    far = bool(own_off) and min(abs(off) for off in own_off.values()) > limits(ride).too_far
    better = []
    for name, other in ride.settings.other_models.items():
        high = ride.settings.other_reads_high.get(name, 0.0)
        found = fit(ride, other, reads_high_percent=high)
        off = _labelled(ride, other, high)
        exact = len(off) >= 2 and max(abs(o) for o in off.values()) <= 2 * limits(ride).exact
        by_ladder = (
            found.share >= limits(ride).ladder_share
            and found.gears >= 2
            and _much_better(found, own, limits(ride).exact)
        )
        if by_ladder or (far and exact):
            better.append((found.share, name))
    return tuple(name for _, name in sorted(better, key=lambda b: (-b[0], b[1])))


def _much_better(other: Fit, own: Fit, exact_bias: float) -> bool:
    """Twice the share; a tenth more of it, near exact; or as good a share, exact where own is not.

    A manual gearbox spends all steady riding but stray seconds on its own ladder, so a
    tenth that lies off it, and on another's, shows.
    """
    if other.share >= 2 * own.share:
        return True
    near = abs(other.bias) <= 2 * exact_bias
    if near and other.share >= max(0.9, own.share + 0.1):
        return True
    exact = abs(other.bias) <= exact_bias and abs(own.bias) >= 0.035
    return exact and other.gears >= 3 and other.share >= own.share


def _labelled(ride: Ride, drivetrain: Drivetrain, reads_high_percent: float) -> dict[int, float]:
    """By logged gear: log of the ratio over a drivetrain's own, on steady rows.

    Empty where no gear is logged, or too little steady riding under one.
    """
    if not ride.has("gear"):
        return {}
    flags, gear, seconds = steady(ride), ride.numbers("gear"), motion.row_seconds(ride)
    high = math.log(1.0 + reads_high_percent / 100.0)
    found: dict[int, float] = {}
    seen_s = 0.0
    for g in range(1, len(drivetrain.overall_ratios) + 1):
        rows = flags & (gear == g)
        if seconds[rows].sum() < limits(ride).used_s / 2:
            continue
        seen_s += float(seconds[rows].sum())
        found[g] = float(np.log(np.median(ratio(ride)[rows]) / drivetrain.rpm_per_kmh(g)) + high)
    return found if seen_s >= limits(ride).labelled_s else {}


def _speed_misread(ride: Ride) -> bool:
    """Does another logged speed, over a minute of steady riding, contradict wheel speed?"""
    v, seconds = ride.numbers("wheel_speed"), motion.row_seconds(ride)
    for name in ("gps_speed", "front_wheel_speed"):
        if not ride.has(name):
            continue
        other = ride.numbers(name)
        rows = steady(ride) & (v > 30.0) & (other > 10.0)
        if seconds[rows].sum() >= 60.0:
            return bool(abs(np.median(np.log(v[rows] / other[rows]))) > limits(ride).misread)
    return False


@once
def fitting_factor(ride: Ride) -> str:
    """In which wrong unit the speed would fit the named model; "" where in none."""
    own = fit(ride, ride.settings.drivetrain)
    tried = {
        name: fit(ride, ride.settings.drivetrain, factor=factor) for name, factor in FACTORS.items()
    }
    name, best = max(tried.items(), key=lambda item: item[1].share)
    clear = (
        best.share >= limits(ride).ladder_share and best.share >= 2 * own.share and best.gears >= 3
    )
    return name if clear else ""


@once
def half_step(ride: Ride) -> float:
    """Half the smallest step between neighbouring gears, as a log ratio."""
    ladder = _ladder(ride.settings.drivetrain)
    return float(np.abs(np.diff(ladder)).min() / 2) if len(ladder) > 1 else limits(ride).widest


APART = 0.10
"""Speed and engine speed further from one another than this contradict one another: wear of a
tyre makes 2 %, a tooth of the sprocket 6 % (arithmetic), and what an instrument reads high is
stated in the model."""


@once
def apart(ride: Ride) -> Mapping[str, float]:
    """How long, and how far, speed and engine speed disagree in the gears that are logged.

    steady_s: steady seconds under a logged gear; apart_s: those of them on which speed is off
    by more than APART; apart_factor: there, measured over modelled speed (median). Empty where
    no gear is logged: then the ladder alone cannot show which gear a wrong speed belongs to.
    """
    if not ride.has("gear"):
        return {}
    ladder = _ladder(ride.settings.drivetrain)
    gear = ride.numbers("gear")
    rows = steady(ride) & (gear >= 1) & (gear <= len(ladder)) & np.isfinite(_log_ratio(ride))
    if not rows.any():
        return {}
    high = math.log(1.0 + ride.settings.speed_signal.reads_high_percent / 100.0)
    off = ladder[gear[rows].astype(int) - 1] - _log_ratio(ride)[rows] - high
    seconds, far = motion.row_seconds(ride)[rows], np.abs(off) > math.log(1.0 + APART)
    found = {"steady_s": float(seconds.sum()), "apart_s": float(seconds[far].sum())}
    if far.any():
        found["apart_factor"] = math.exp(_median(off[far], seconds[far]))
    return found


def measures(ride: Ride) -> Mapping[str, float]:
    """Per gear: median of measured over modelled speed, minus one, and the seconds behind it;
    and how long the two disagree."""
    if not has_ladder(ride):
        return apart(ride)
    return dict(apart(ride)) | {
        name: value
        for gear, bias in gear_biases(ride).items()
        for name, value in (
            (f"bias_gear_{gear}", bias.bias),
            (f"seconds_gear_{gear}", bias.seconds),
        )
    }


@dataclass(frozen=True, slots=True)
class GearBias:
    """Measured over modelled speed, minus one, in one gear, and the steady seconds behind it."""

    bias: float
    seconds: float


@once
def gear_biases(ride: Ride) -> Mapping[int, GearBias]:
    """The bias of each gear that the logged gear (or the ladder) names, on steady rows."""
    flags = steady(ride)
    gear = ride.numbers("gear") if ride.has("gear") else rungs(ride).astype(float)
    seconds = motion.row_seconds(ride)
    found = {}
    for g in range(1, len(ride.settings.drivetrain.overall_ratios) + 1):
        rows = flags & (gear == g)
        if not rows.any():
            continue
        modelled = ride.settings.drivetrain.rpm_per_kmh(g)
        found[g] = GearBias(
            float(modelled / np.median(ratio(ride)[rows]) - 1.0), float(seconds[rows].sum())
        )
    return found


MISCOUNTS = (0.5, 2.0)
"""A sensor that misses every other pulse, or counts each twice."""


@once
def miscount(ride: Ride) -> float | None:
    """Factor on the speed channel alone, known by the logged gear; None where there is none.

    In every logged gear speed must be off by the same factor: half or twice in two gears,
    or any factor far from one in three. Then the steps from gear to gear are this
    model's. No factor is given where another model's gears, number by number, explain
    the ride, or where the factor is that of a unit.
    """
    if not ride.has("gear"):
        return None
    biases = {g: b for g, b in gear_biases(ride).items() if b.seconds >= limits(ride).alike_s}
    if len(biases) < 2 or sum(b.seconds for b in biases.values()) < limits(ride).miscount_s:
        return None
    offs = np.log([1.0 + b.bias for b in biases.values()])
    middle = _median(offs, np.array([b.seconds for b in biases.values()]))
    if np.abs(offs - middle).max() > limits(ride).alike or abs(middle) < limits(ride).miscounted:
        return None
    factor = math.exp(middle) / (1.0 + ride.settings.speed_signal.reads_high_percent / 100.0)
    if any(abs(factor / known - 1.0) < 2 * limits(ride).alike for known in MISCOUNTS):
        return factor
    a_unit = any(
        abs(factor / known - 1.0) < 2 * limits(ride).alike
        for known in FACTORS.values()
        if known not in MISCOUNTS
    )
    others = ride.settings.other_models.values()
    if a_unit or len(biases) < 3 or any(_explains(other, ride, biases) for other in others):
        return None
    return factor


def _explains(other: Drivetrain, ride: Ride, biases: Mapping[int, "GearBias"]) -> bool:
    """Do another model's gears, by their numbers, make the ride's ratios within some per cent?"""
    own = ride.settings.drivetrain
    if max(biases) > len(other.overall_ratios):
        return False
    offs = [
        math.log(other.rpm_per_kmh(g) * (1.0 + b.bias) / own.rpm_per_kmh(g))
        for g, b in biases.items()
    ]
    return (
        max(offs) - min(offs) <= 2 * limits(ride).alike + limits(ride).ladder_within
        and max(map(abs, offs)) < 0.1
    )


BIN = 0.001
"""Width of the bins log ratios are counted in: a tenth of a percent."""


@once
def _steady_logs(ride: Ride) -> tuple[Floats, Floats]:
    """Log ratios of the steady rows, binned, and the seconds in each bin."""
    rows = steady(ride)
    if not rows.any():
        return np.empty(0), np.empty(0)
    bins = np.round(_log_ratio(ride)[rows] / BIN).astype(np.int64)
    values, at = np.unique(bins, return_inverse=True)
    seconds = np.bincount(at, weights=motion.row_seconds(ride)[rows]).astype(np.float64)
    return values * BIN, seconds


def _ladder(drivetrain: Drivetrain) -> Floats:
    gears = range(1, len(drivetrain.overall_ratios) + 1)
    return np.log([drivetrain.rpm_per_kmh(g) for g in gears])


def _nearest(log_ratio: Floats, ladder: Floats) -> Ints:
    order = np.argsort(ladder)
    rising = ladder[order]
    return order[((rising[1:] + rising[:-1]) / 2.0).searchsorted(log_ratio)]


def _share(log_ratio: Floats, weight_s: Floats, ladder: Floats, within: float) -> float:
    """Share of time within reach of a rung."""
    off = np.abs(log_ratio - ladder[_nearest(log_ratio, ladder)])
    return float(weight_s[off <= within].sum() / max(weight_s.sum(), 1e-9))


def _median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def _step(ride: Ride) -> float:
    return ride.channels["engine_speed"].step if ride.has("engine_speed") else 0.0


def _finite(interval_s: float) -> float:
    return interval_s if math.isfinite(interval_s) else 0.0


def clutched(ride: Ride, t_s: float, *, after_s: float = 0.5) -> bool:
    """Is the clutch shown on, or a gear changing for good, near an instant, up to after_s later?"""
    near = Span(t_s - 1.0, t_s + after_s)
    if ride.has("clutch") and ride.runs("clutch").any_on(near) is not False:
        return True
    if not ride.has("gear"):
        return not ride.has("clutch")
    return bool(gear_changed(ride)[ride.slice(near)].any())
