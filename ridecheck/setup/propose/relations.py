"""What columns of an unknown file are to one another: what names cannot show.

Everything is measured on the values: a pair that locks in a ladder of ratios is engine
and road speed, a switch that is on while the bike slows is a brake, whatever they are called.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

RUNG_WIDTH = 0.02
"""A rung is as wide as this share of its ratio."""
BRAKING_MS2 = 1.3


@dataclass(frozen=True, slots=True)
class Ladder:
    """How two columns lock: share of riding rows on a rung, the rungs (ratio y per x)."""

    locked: float
    rungs: tuple[float, ...]
    idles: bool


def ladder(x: Floats, y: Floats) -> Ladder | None:
    """Does y (engine speed?) lock to x (road speed?) in a ladder of fixed ratios?

    None where the two do not move together at all.
    """
    known = np.isfinite(x) & np.isfinite(y)
    x, y = x[known], y[known]
    if len(x) < 200 or np.percentile(x, 2) < -1e-9 or np.percentile(y, 2) < -1e-9:
        return None
    top_x, top_y = np.percentile(x, 99.5), np.percentile(y, 99.5)
    if top_x <= 0 or top_y <= 0:
        return None
    riding = (x > 0.15 * top_x) & (y > 0.02 * top_y)
    if riding.sum() < 150:
        return None
    ratio = np.log(y[riding] / x[riding])
    low, high = np.percentile(ratio, [0.5, 99.5])
    if high - low > 3.5 or high - low < 1e-6:
        return None
    bins = np.arange(low - 0.05, high + 0.05, RUNG_WIDTH / 4)
    counts, edges = np.histogram(ratio, bins)
    smooth = np.convolve(counts, np.ones(8), "same")
    rungs: list[float] = []
    on_rung = np.zeros(len(ratio), dtype=bool)
    left = smooth.astype(float).copy()
    for _ in range(8):
        at = int(np.argmax(left))
        if left[at] < 0.02 * len(ratio):
            break
        centre = float(edges[at])
        on_rung |= np.abs(ratio - centre) < 1.25 * RUNG_WIDTH
        rungs.append(float(np.exp(centre)))
        left[max(0, at - 14) : at + 15] = 0
    standing = x <= 0.005 * top_x
    idles = standing.sum() >= 5 and float(np.median(y[standing])) > 0.04 * top_y
    return Ladder(float(on_rung.mean()), tuple(sorted(rungs)), bool(idles))


def gear_fit(gear: Floats, x: Floats, y: Floats) -> float:
    """How well whole numbers show the ratio y per x: 0 not at all, 1 fully.

    Each number has a ratio of its own, falling from gear to gear.
    """
    known = np.isfinite(gear) & np.isfinite(x) & np.isfinite(y)
    known &= (x > 0.15 * np.nanpercentile(x, 99.5)) & (gear >= 1) & (y > 0)
    if known.sum() < 100:
        return 0.0
    g, ratio = gear[known], np.log(y[known] / x[known])
    values = [v for v in np.unique(g) if (g == v).sum() >= 20]
    if len(values) < 2 or len(values) > 8:
        return 0.0
    centres = [float(np.median(ratio[g == v])) for v in values]
    if any(b > a + 0.02 for a, b in pairwise(centres)) or centres[-1] > centres[0] - 0.1:
        return 0.0
    near = [
        float((np.abs(ratio[g == v] - c) < 0.05).mean())
        for v, c in zip(values, centres, strict=True)
    ]
    shares = [float((g == v).mean()) for v in values]
    return float(np.average(near, weights=shares))


@dataclass(frozen=True, slots=True)
class Motion:
    """The ride as far as it is known: speed in any unit, its slope in units/s, smooth."""

    t_s: Floats
    speed: Floats
    slope: Floats
    per_ms2: float

    @property
    def accel(self) -> Floats:
        """Acceleration in m/s2, by the unit assumed."""
        return self.slope * self.per_ms2


def motion(t_s: Floats, speed: Floats, *, kmh_per_unit: float) -> Motion:
    """Speed and its slope over about one second, blanks bridged."""
    known = np.isfinite(speed) & np.isfinite(t_s)
    filled = np.interp(t_s, t_s[known], speed[known]) if known.sum() > 2 else np.zeros(len(t_s))
    half_s = 0.5 * max(1.0, 2.2 * float(np.median(np.diff(t_s))) if len(t_s) > 2 else 1.0)
    ahead = np.interp(t_s + half_s, t_s, filled)
    behind = np.interp(t_s - half_s, t_s, filled)
    return Motion(t_s, filled, (ahead - behind) / (2 * half_s), kmh_per_unit / 3.6)


@dataclass(frozen=True, slots=True)
class Pulses:
    """Runs of a switch's "on": begin and end in seconds, and the rows."""

    on: Flags
    start_s: Floats
    end_s: Floats
    start_i: NDArray[np.int64]
    end_i: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.start_s)

    @property
    def lengths_s(self) -> Floats:
        """How long each run lasts."""
        return self.end_s - self.start_s


def pulses(t_s: Floats, on: Flags) -> Pulses:
    """The runs in which a switch is on."""
    edges = np.diff(np.concatenate(([0], on.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    last = np.minimum(ends, len(t_s) - 1)
    return Pulses(on, t_s[starts], t_s[last], starts, ends)


def near(times_s: Floats, events_s: Floats, *, before_s: float, after_s: float) -> Flags:
    """For each time: does an event fall within [time - before_s, time + after_s]?"""
    if not len(events_s) or not len(times_s):
        return np.zeros(len(times_s), dtype=bool)
    low = np.searchsorted(events_s, times_s - before_s, "left")
    high = np.searchsorted(events_s, times_s + after_s, "right")
    return high > low


@dataclass(frozen=True, slots=True)
class BrakeLook:
    """precision: share of a switch's runs that go with braking; recall: brakings covered."""

    precision: float
    recall: float
    runs: int


def brake_look(move: Motion, switch: Pulses) -> BrakeLook:
    """How far a switch goes with braking."""
    riding = move.speed * move.per_ms2 * 3.6 > 8.0
    hard = (move.accel < -BRAKING_MS2) & riding
    brakings = pulses(move.t_s, hard)
    long = brakings.lengths_s >= 0.6
    covered = [
        bool(switch.on[a : max(a + 1, b)].mean() > 0.4)
        for a, b in zip(brakings.start_i[long], brakings.end_i[long], strict=True)
    ]
    hits, runs = 0, 0
    for a, b in zip(switch.start_i, switch.end_i, strict=True):
        if not riding[a] or move.t_s[min(b, len(move.t_s) - 1)] - move.t_s[a] < 0.25:
            continue
        runs += 1
        ahead = int(np.searchsorted(move.t_s, move.t_s[a] + 2.5))
        stretch = move.accel[a : max(a + 2, min(ahead, max(b, a + 2)))]
        hits += bool(len(stretch) and stretch.min() < -BRAKING_MS2)
    return BrakeLook(
        precision=hits / runs if runs else 0.0,
        recall=float(np.mean(covered)) if covered else 0.0,
        runs=runs,
    )


def shift_times(x: Floats, y: Floats, t_s: Floats, rungs: Sequence[float]) -> Floats:
    """When the drivetrain changes from one rung of the ladder to another."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.log(y / x)
    moving = np.isfinite(ratio) & (x > 0.1 * np.nanmax(x))
    centres = np.log(np.array(sorted(rungs))) if len(rungs) else np.zeros(0)
    if len(centres) < 2:
        return np.zeros(0)
    which = np.full(len(x), -1)
    apart = np.abs(ratio[:, None] - centres[None, :])
    best = np.argmin(np.where(np.isfinite(apart), apart, 9.0), axis=1)
    fits = moving & (np.min(np.where(np.isfinite(apart), apart, 9.0), axis=1) < 0.04)
    which[fits] = best[fits]
    at = np.flatnonzero(which >= 0)
    changed = np.flatnonzero(np.diff(which[at]) != 0)
    begin, end = t_s[at[changed]], t_s[at[changed + 1]]
    close = end - begin < 4.0
    return np.asarray((begin[close] + end[close]) / 2)


def share_within(inner: Flags, outer: Flags) -> float:
    """Share of inner's on-rows in which outer is on too."""
    return float(outer[inner].mean()) if inner.any() else 0.0


def holds_speed(move: Motion, switch: Pulses) -> float:
    """Share of a switch's time spent in runs that keep the speed level, at speed."""
    total = held = 0.0
    for a, b in zip(switch.start_i, switch.end_i, strict=True):
        length = float(move.t_s[min(b, len(move.t_s) - 1)] - move.t_s[a])
        if length < 4.0:
            continue
        speed = move.speed[a:b] * move.per_ms2 * 3.6
        total += length
        level = np.abs(move.accel[a:b]) < 0.5
        held += length * bool(level.mean() > 0.8 and np.median(speed) > 35.0)
    return held / total if total else 0.0
