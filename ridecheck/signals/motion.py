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
from ridecheck.signals.definitions import definitions
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


STEEPEST_MS2 = 11.0
"""Tyres on a dry road slow a motorcycle no harder than this."""


@dataclass(frozen=True, slots=True)
class Changes:
    """A speed channel at its known rows, and how it changes from each to the next.

    rows: int (n,), the rows; t_s, kmh: Floats (n,). up, down: Flags (n - 1,), where the
    change to the next known row is a leap: more than a bike gains, or than tyres lose.
    """

    rows: NDArray[np.int64]
    t_s: Floats
    kmh: Floats
    up: Flags
    down: Flags


@once
def changes(ride: Ride, name: str = "wheel_speed") -> Changes:
    """Where a speed channel leaps: changes faster than a bike can, over the two rows or one
    refresh, two steps of the signal allowed; never across a gap.
    """
    speed, limits = ride.numbers(name), definitions(ride)
    rows = np.flatnonzero(~np.isnan(speed))
    kmh, t_s = speed[rows], ride.t_s[rows]
    over_s = np.maximum(np.diff(t_s), ride.interval_s(name))
    rise = np.where(np.diff(ride.segment[rows]) == 0, np.diff(kmh), 0.0)
    steps = 2.0 * step_kmh(ride, name)
    return Changes(
        rows,
        t_s,
        kmh,
        up=rise > limits.gains_ms2 * KMH_PER_MS * over_s + steps,
        down=-rise > limits.hardest_ms2 * KMH_PER_MS * over_s + steps,
    )


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


def _interval_s(ride: Ride, name: str) -> float:
    interval_s = ride.interval_s(name)
    return interval_s if np.isfinite(interval_s) else ride.row_interval_s
