"""How the bike moves: acceleration smoothed to the speed signal's resolution, and slowing.

Speed comes in steps (whole km/h, pulses per window) and at its own refresh, so a
difference of neighbours says nothing. Here speed is first reduced to the instants at
which it can have changed, then differenced over a window wide enough for its step.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ridecheck.core.model import Span
from ridecheck.signals.ride import Ride, once

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

KMH_PER_MS = 3.6

SHORTEST_WINDOW_S = 0.4
"""Shortest span acceleration is taken over: below it pulse noise outweighs the motion."""

RESOLUTION_MS2 = 0.35
"""The window is widened until one step of the signal amounts to no more than this ..."""

LONGEST_WINDOW_S = 1.2
"""... but never beyond this, or half a second of hard braking would be smeared out."""


def step_kmh(ride: Ride, name: str) -> float:
    """Step of a speed channel in km/h: measured, or what the model states if coarser."""
    measured = ride.channels[name].step if name in ride.channels else 0.0
    stated = ride.settings.speed_signal.resolution_kmh if name == "wheel_speed" else 0.0
    return max(measured, stated)


def window_s(ride: Ride, name: str) -> float:
    """Span over which the acceleration of a speed channel is taken."""
    for_step_s = step_kmh(ride, name) / KMH_PER_MS / RESOLUTION_MS2
    for_refresh_s = 2.0 * max(_interval_s(ride, name), ride.row_interval_s)
    return max(SHORTEST_WINDOW_S, min(for_step_s, LONGEST_WINDOW_S), for_refresh_s)


def uncertainty_ms2(ride: Ride, name: str, length_s: float) -> float:
    """How far one step of a speed channel shifts a mean acceleration over length_s."""
    return step_kmh(ride, name) / KMH_PER_MS / max(length_s, 1e-3)


@once
def acceleration(ride: Ride, name: str = "wheel_speed") -> Floats:
    """Rate of change of a speed channel in m/s2, (n,), NaN at blanks and segment ends."""
    return slope(ride, ride.numbers(name), window_s(ride, name)) / KMH_PER_MS


def slope(ride: Ride, values: Floats, over_s: float) -> Floats:
    """Centred rate of change per second over a window, (n,); never across a gap.

    The two ends are interpolated between rows, so an uneven clock does not matter.
    """
    result = np.full(len(values), np.nan)
    for stretch in segment_slices(ride):
        t_s, v = ride.t_s[stretch], values[stretch]
        known = ~np.isnan(v)
        count = int(np.count_nonzero(known))
        if count < 3 or t_s[-1] - t_s[0] < over_s:
            continue
        early, late = t_s - over_s / 2, t_s + over_s / 2
        if count == len(v):
            first, last = (
                int(early.searchsorted(t_s[0] - 1e-9)),
                int(late.searchsorted(t_s[-1] + 1e-9, "right")),
            )
            inside = slice(stretch.start + first, stretch.start + last)
            early, late = early[first:last], late[first:last]
            result[inside] = (np.interp(late, t_s, v) - np.interp(early, t_s, v)) / over_s
            continue
        rate = (
            np.interp(late, t_s[known], v[known]) - np.interp(early, t_s[known], v[known])
        ) / over_s
        inside = known & (early >= t_s[0] - 1e-9) & (late <= t_s[-1] + 1e-9)
        # A blank within the window leaves nothing to difference.
        blanks = np.cumsum(~known)
        low = np.searchsorted(t_s, early - 1e-9)
        high = np.searchsorted(t_s, late + 1e-9, "right") - 1
        clean = blanks[high] == np.where(low > 0, blanks[np.maximum(low - 1, 0)], 0)
        result[stretch] = np.where(inside & clean, rate, np.nan)
    return result


@once
def segment_slices(ride: Ride) -> tuple[slice, ...]:
    """The rows of each uninterrupted stretch."""
    if not len(ride.t_s):
        return ()
    first = np.flatnonzero(np.diff(ride.segment, prepend=-1))
    bounds = np.append(first, len(ride.t_s))
    return tuple(slice(int(a), int(b)) for a, b in pairwise(bounds))


def running_median(values: Floats, rows: int, wanted: Flags) -> Floats:
    """Median of the known values of ``rows`` (odd) around each wanted row, (n,); else NaN."""
    half, result = rows // 2, np.full(len(values), np.nan)
    blanks = np.concatenate(([0], np.cumsum(np.isnan(values))))
    inside = np.arange(half, len(values) - half)
    whole = inside[wanted[inside] & (blanks[inside + half + 1] == blanks[inside - half])]
    windows = sliding_window_view(values, rows) if len(whole) else values
    for some in np.array_split(whole, len(whole) // 20_000 + 1):
        around = windows[some - half] if len(some) else np.empty((0, rows))
        result[some] = np.partition(around, half, axis=1)[:, half]
    left = wanted & np.isnan(result)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], left.view(np.int8), [0]))))
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        begin = max(a - half, 0)
        near = pl.Series(values[begin : b + half]).fill_nan(None)
        middle = near.rolling_median(rows, min_samples=1, center=True).to_numpy().astype(float)
        result[a:b] = middle[a - begin : b - begin]
    return result


def spans_where(
    ride: Ride, flags: Flags, *, begin: int = 0, at_least_s: float = 0.0, bridge_s: float = 0.0
) -> tuple[Span, ...]:
    """Stretches of rows with a flag set, each ending at the first row without it.

    flags: of the rows from ``begin`` on; the rows around them have none. Stretches no more
    than bridge_s apart are joined; none crosses a gap.
    """
    on = np.flatnonzero(flags) + begin
    if not len(on):
        return ()
    segment, t_s = ride.segment[on], ride.t_s
    begins = np.flatnonzero((np.diff(on, prepend=-2) != 1) | (np.diff(segment, prepend=-1) != 0))
    first, last = on[begins], on[np.append(begins[1:], len(on)) - 1]
    after = np.minimum(last + 1, len(t_s) - 1)
    within = (after > last) & (ride.segment[after] == ride.segment[last])
    start_s, end_s = t_s[first], np.where(within, t_s[after], t_s[last] + ride.row_interval_s)
    apart = np.diff(ride.segment[first], prepend=-1) != 0
    apart[1:] |= start_s[1:] - end_s[:-1] > bridge_s
    joined = np.flatnonzero(apart)
    start_s, end_s = start_s[joined], end_s[np.append(joined[1:], len(apart)) - 1]
    long = end_s - start_s >= at_least_s - 1e-9
    return tuple(map(Span, start_s[long].tolist(), end_s[long].tolist()))


def moves(ride: Ride, span: Span, faster_than_kmh: float) -> bool:
    """Is the bike faster than a speed at some row of a span? True where no speed is logged."""
    speed = ride.numbers("wheel_speed")[ride.slice(span)]
    return not np.isfinite(speed).any() or bool(np.nanmax(speed) > faster_than_kmh)


def widened(ride: Ride, flags: Flags, by_s: float) -> Flags:
    """Flags spread to every row within by_s of a flagged one."""
    result = np.zeros(len(flags), dtype=bool)
    on = np.flatnonzero(flags)
    if not len(on):
        return result
    begins = np.flatnonzero(np.diff(on, prepend=-2) != 1)
    first, last = on[begins], on[np.append(begins[1:], len(on)) - 1]
    low = ride.t_s.searchsorted(ride.t_s[first] - by_s - 1e-9)
    high = ride.t_s.searchsorted(ride.t_s[last] + by_s + 1e-9, "right")
    for a, b in zip(low.tolist(), high.tolist(), strict=True):
        result[a:b] = True
    return result


@once
def row_seconds(ride: Ride) -> Floats:
    """Seconds each row stands for, (n,): the step to the next row, never across a gap."""
    if not len(ride.t_s):
        return np.empty(0)
    step_s = np.diff(ride.t_s, append=ride.t_s[-1] + ride.row_interval_s)
    last = np.append(np.diff(ride.segment) != 0, True)
    return np.where(last, ride.row_interval_s, step_s)


@dataclass(frozen=True, slots=True)
class Slowing:
    """A stretch of hard slowing. corroborated None: nothing else logged could tell."""

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
    spans = (s for s in spans_where(ride, falling) if s.length_s > longer_than_s)
    return tuple(one for span in spans if (one := slowing_over(ride, span)) is not None)


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


STEEPEST_MS2 = 11.0
"""Tyres on a dry road slow a motorcycle no harder than this."""

SAME_FALL = 0.5
"""Another speed must fall by at least this share of what wheel speed lost."""


def rebounds(ride: Ride, span: Span, *, within_s: float = 3.0, rate_ms2: float = 5.0) -> bool:
    """Does wheel speed jump back after a stretch, faster than a bike can accelerate?"""
    after = ride.slice(Span(span.start_s, span.end_s + within_s))
    rise = acceleration(ride)[after]
    return bool((np.nan_to_num(rise, nan=0.0) > rate_ms2).any())


LEAP_S = 0.5
"""A spinning wheel gains its slip within this."""

LEAP_MS2 = 3.0
"""A loaded tourer gains speed no faster than this above walking pace, save by spinning."""


def falls_back(ride: Ride, span: Span, *, within_s: float = 1.5) -> bool:
    """Does wheel speed in a stretch only lose what it had leapt up just before?

    That is a wheel that spun, or a spike: at its end the bike is as fast as before the
    leap. Told from the raw values; a step of the signal and 2 km/h are allowed.
    """
    speed = ride.numbers("wheel_speed")
    rows = ride.slice(Span(span.start_s - within_s - LEAP_S, span.end_s))
    t_s, v = ride.t_s[rows], speed[rows]
    known = ~np.isnan(v)
    t_s, v = t_s[known], v[known]
    if len(v) < 3:
        return False
    step = step_kmh(ride, "wheel_speed")
    reach_s = max(LEAP_S, 2.0 * ride.row_interval_s)
    end_kmh = float(v[-1])
    before = np.searchsorted(t_s, t_s - reach_s - 1e-9)
    lowest = np.array([v[a : i + 1].min() for i, a in enumerate(before)])
    leapt = v - lowest - step > LEAP_MS2 * KMH_PER_MS * reach_s
    return bool((leapt & (end_kmh >= lowest - step - 2.0)).any())


GRAVITY_MS2 = 9.81

STEEPEST_ROAD = 0.25
"""No road for touring is steeper: a sensor that says more is not believed."""

HILL_AROUND_S = 5.0
"""The slope is taken over the stretch and this much either side: altitude comes in metres."""


def without_hill_ms2(ride: Ride, span: Span, rate_ms2: float) -> float | None:
    """What is left of a slowing without what the hill does to it; None where nothing tells.

    From the measured acceleration, in which a slope does not show, else from altitude
    over distance. A descent is not added to it.
    """
    rows = ride.slice(span)
    if ride.has("acceleration") and ride.interval_s("acceleration") <= span.length_s / 3:
        felt = ride.numbers("acceleration")[rows]
        left_ms2 = -float(np.nanmedian(felt)) if np.isfinite(felt).sum() >= 3 else math.nan
        if rate_ms2 - left_ms2 < GRAVITY_MS2 * STEEPEST_ROAD:
            return min(rate_ms2, left_ms2)
    around = ride.slice(Span(span.start_s - HILL_AROUND_S, span.end_s + HILL_AROUND_S))
    height_m, speed = ride.numbers("altitude")[around], ride.numbers("wheel_speed")[around]
    seconds = row_seconds(ride)[around]
    known = np.flatnonzero(np.isfinite(height_m))
    if len(known) < 2:
        return None
    between = slice(int(known[0]), int(known[-1]))
    travelled_m = float(np.nansum(speed[between] * seconds[between])) / KMH_PER_MS
    if travelled_m < 50.0:
        return None
    slope = float(height_m[known[-1]] - height_m[known[0]]) / travelled_m
    if slope > STEEPEST_ROAD:
        return None
    return rate_ms2 - GRAVITY_MS2 * max(0.0, slope)


WIDE_OPEN = 2.0
"""Times the throttle usual at a speed: an engine that pulls so hard and gains nothing climbs."""

HARD_PULL = 20.0
"""Per cent above closed under which an engine does not pull hard."""

LOSES_MS2 = 0.3
"""A bike that loses this with the throttle clearly open climbs, or rides into a storm."""


GRIP_OPEN = 3.0
"""Per cent above its rest at which a grip counts as opened (free play, zero drift)."""


@once
def closed_reading(ride: Ride, name: str) -> float:
    """What a grip or plate reads closed: its lowest value but for a hundredth of the rows.

    0 where the ride holds no value of it.
    """
    values = ride.numbers(name)
    known = values[~np.isnan(values)]
    return float(np.quantile(known, 0.01)) if len(known) else 0.0


def mean(values: Floats) -> float:
    """Mean of the known values; NaN where none is known."""
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else math.nan


def median(values: Floats) -> float:
    """Middle of the known values; NaN where none is known."""
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else math.nan


def cell_means(
    ride: Ride, span: Span, cell_s: float, known: Flags, *values: Floats
) -> tuple[Floats, list[Floats]]:
    """Means over pieces of a stretch, each cell_s long; pieces with no known row left out.

    known and values: one for each row of the ride. The number of each piece, from 0, and
    the means of each of the values.
    """
    rows = ride.slice(Span(span.start_s, span.end_s - 1e-6))
    # A row at the start may lie before it by rounding: it belongs to the first piece.
    passed_s = np.maximum(ride.t_s[rows] - span.start_s, 0.0)
    cell = np.floor(passed_s / cell_s).astype(int)[known[rows]]
    count = np.bincount(cell, minlength=1)
    has = count > 0
    means = [np.bincount(cell, v[rows][known[rows]], 1)[has] / count[has] for v in values]
    return np.flatnonzero(has).astype(np.float64), means


def pulled_uphill(ride: Ride, span: Span) -> bool:
    """Did the engine pull hard just before, and the bike gain nothing, or lose speed?

    Hard: the throttle far wider open than usual at this speed, or clearly open while speed
    falls. Usual: the median of the ride's steady riding within a tenth of this speed. False
    where the throttle is not logged; where there is no such riding, the second alone is asked.
    """
    name = next((n for n in ("throttle", "throttle_grip") if ride.has(n)), "")
    if not name:
        return False
    throttle, speed, a = ride.numbers(name), ride.numbers("wheel_speed"), acceleration(ride)
    closed = closed_reading(ride, name)
    before = ride.slice(Span(span.start_s - 4.0, span.start_s - 1.0))
    if not np.isfinite(throttle[before]).any() or not np.isfinite(a[before]).any():
        return False
    open_now = float(np.nanmedian(throttle[before])) - closed
    gained_ms2 = float(np.nanmedian(a[before]))
    if open_now > HARD_PULL and gained_ms2 < -LOSES_MS2:
        return True
    at_kmh = float(np.nanmedian(speed[before]))
    alike = (np.abs(speed / at_kmh - 1.0) < 0.1) & (np.abs(a) < 0.2) & (throttle > closed + 2.0)
    if row_seconds(ride)[alike].sum() < 20.0:
        return False
    usual = float(np.median(throttle[alike])) - closed
    wide = open_now > max(WIDE_OPEN * usual, HARD_PULL)
    return wide and gained_ms2 < 0.2


OPEN = 5.0
"""Per cent above closed from which a throttle is open: idle control and dashpot move it less."""


def throttle_open(ride: Ride, span: Span) -> bool:
    """Was the throttle open through at least three quarters of a stretch, cruise not at work?

    Nobody brakes so: a hand that brakes shuts the grip, but for a blip at a downshift. Rows
    with cruise engaged, or blank, tell nothing; less than half of the stretch left is False,
    and so is a log without a throttle, or with a plate that cruise could have opened unseen.
    """
    name = next((n for n in ("throttle_grip", "throttle") if ride.has(n)), "")
    if not name or (name == "throttle" and not ride.has("cruise_engaged")):
        return False
    rows = ride.slice(span)
    tells = np.isfinite(ride.numbers(name)[rows])
    if ride.has("cruise_engaged"):
        tells &= ride.numbers("cruise_engaged")[rows] == 0
    if tells.sum() < 3 or tells.sum() < 0.5 * len(tells):
        return False
    opening = ride.numbers(name)[rows][tells] - closed_reading(ride, name)
    return bool((opening > OPEN).mean() >= 0.75)


def _corroborated(ride: Ride, span: Span) -> tuple[bool | None, str]:
    """Did engine speed in gear, or another speed, fall too? None where none could tell."""
    fall = _relative_fall(ride, "wheel_speed", span)
    can_tell: list[tuple[bool, str]] = []
    for name in ("front_wheel_speed", "gps_speed"):
        other = _relative_fall(ride, name, span)
        if other is not None and fall is not None and ride.interval_s(name) <= span.length_s:
            can_tell.append((other >= SAME_FALL * fall, name.replace("_", " ")))
    engine = _engine_falls(ride, span)
    if engine is not None:
        can_tell.append((engine, "engine speed in gear"))
    if not can_tell:
        return None, ""
    agreeing = [by for agrees, by in can_tell if agrees]
    return bool(agreeing), (agreeing or [by for _, by in can_tell])[0]


FREE_S = 0.5
"""Around a gear change the engine is not held by the wheel for about this long."""


def _engine_falls(ride: Ride, span: Span) -> bool | None:
    """Does engine speed fall with wheel speed on the rows where it is in gear?

    None where engine speed is not logged, or the clutch is pulled, the gear changing or
    the engine idling for all but a third of a second: then it cannot tell.
    """
    if not ride.has("engine_speed", "wheel_speed"):
        return None
    rows = ride.slice(span)
    tells, follows = (flags[rows] for flags in _engine_follows(ride))
    seconds = row_seconds(ride)[rows]
    if seconds[tells].sum() < 0.33:
        return None
    return bool(seconds[tells & follows].sum() >= 0.5 * seconds[tells].sum())


@once
def _engine_follows(ride: Ride) -> tuple[Flags, Flags]:
    """Rows on which engine speed can tell, and those on which it changes as speed does."""
    rpm = ride.numbers("engine_speed")
    with np.errstate(invalid="ignore", divide="ignore"):
        tells = rpm > 1.2 * ride.settings.drivetrain.idle_rpm
        log_rpm = np.log(np.where(rpm > 0, rpm, np.nan))
        rpm_rate = slope(ride, log_rpm, window_s(ride, "wheel_speed"))
        speed_rate = acceleration(ride) * KMH_PER_MS / ride.numbers("wheel_speed")
        follows = rpm_rate <= SAME_FALL * speed_rate
    if ride.has("clutch"):
        tells &= ~widened(ride, ride.numbers("clutch") == 1, FREE_S / 2)
    if ride.has("gear"):
        gear = ride.numbers("gear")
        changed = np.concatenate(([False], np.nan_to_num(gear[1:] - gear[:-1]) != 0))
        tells &= ~widened(ride, changed, FREE_S) & (gear != 0)
    return tells & np.isfinite(rpm_rate) & np.isfinite(speed_rate), follows


def _relative_fall(ride: Ride, name: str, span: Span) -> float | None:
    """Share of its value a channel loses over a span; None where blank."""
    values = ride.numbers(name)[ride.slice(span)]
    values = values[~np.isnan(values)]
    if len(values) < 2 or values[0] <= 0:
        return None
    return float(1.0 - values[-1] / values[0])


def _interval_s(ride: Ride, name: str) -> float:
    interval_s = ride.interval_s(name)
    return interval_s if np.isfinite(interval_s) else ride.row_interval_s
