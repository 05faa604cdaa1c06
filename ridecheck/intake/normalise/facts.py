"""What is measured of each channel of a part: refresh interval, step, presence."""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import ChannelFacts

if TYPE_CHECKING:
    from ridecheck.fleet import Layout

Floats = NDArray[np.float64]

SPEEDS = ("wheel_speed", "front_wheel_speed", "gps_speed")
MOVING_KMH = 3.0
FEW_CHANGES = 20
"""Fewer changes than this show nothing about how often a channel is refreshed."""
WINDOW_ROWS = 8_000
"""Facts are measured on up to three stretches of this many rows: enough, and cheap."""
_STEP_SAMPLE = 4_000
ROUND_GRIDS_S = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0)
"""Intervals that loggers are set to ask at."""
COARSER = 5.0
"""A grid is reported only where it is this many rows wide: a finer one differs too little."""
FAR_GRIDS = 50
"""Edges further apart than this many grids show nothing: the two clocks drift."""
CHANCE = 1e-3
"""A grid that edges fit by chance this often is none."""


def row_interval_s(t_s: Floats) -> float:
    """Usual time between rows in seconds; 0 for a single row."""
    steps = np.diff(t_s)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 0.0


def measure(
    samples: pl.DataFrame, layout: "Layout", behind: Mapping[str, pl.Series] | None = None
) -> dict[str, ChannelFacts]:
    """Facts of every mapped channel of a part.

    behind: the numbers that switches were worked out from, row by row: a switch is no
    fresher than what stands behind it.
    """
    t_s = samples["time"].dt.epoch("us").to_numpy() / 1e6
    rows_s = row_interval_s(t_s)
    windows = _windows(samples, t_s)
    known = catalog()
    names = [name for name in layout.channels if name in samples.columns]
    intervals_s: dict[str, float] = {}
    for name in names:
        if known[name].kind == "number":
            intervals_s[name] = _number_refresh_s(samples[name], t_s, windows, rows_s)
    for name in names:
        if known[name].kind != "number":
            raw = (behind or {}).get(name)
            of_raw_s = rows_s if raw is None else _number_refresh_s(raw, t_s, windows, rows_s)
            grid_s = edge_grid_s(samples[name], t_s, rows_s, intervals_s.values())
            intervals_s[name] = max(_spacing_s(samples[name], t_s, rows_s), of_raw_s, grid_s)
    facts: dict[str, ChannelFacts] = {}
    for name in names:
        column, series = layout.channels[name], samples[name]
        present = 1.0 - series.null_count() / max(1, len(series))
        interval_s = intervals_s[name] if present else rows_s
        if column.refresh_s is not None:
            interval_s = max(column.refresh_s, rows_s)
        number = known[name].kind == "number"
        facts[name] = ChannelFacts(
            interval_s=round(interval_s, 6),
            present=round(present, 6),
            step=step_of(series.to_numpy()) if number and present else 0.0,
            skew_s=column.skew_s,
            latched=bool(getattr(column, "latched", False)),
        )
    return facts


def edge_grid_s(series: pl.Series, t_s: Floats, rows_s: float, others_s: Iterable[float]) -> float:
    """The coarser grid that all edges of a switch lie on; 0.0 where that may be chance.

    A logger that asks for a switch every half second and writes rows every 12 ms repeats it
    in between: its edges are then whole halves of a second apart. Tried are the intervals
    others are refreshed at, round ones, and a few whole rows. The distances between edges
    must all fit to a row; by chance they would do so in less than one of CHANCE cases.
    """
    there = ~series.is_null().to_numpy()
    if rows_s <= 0 or there.sum() < 3:
        return 0.0
    state, at_s = series.filter(pl.Series(there)).cast(pl.Int8).to_numpy(), t_s[there]
    edges_s = at_s[np.flatnonzero(np.diff(state)) + 1]
    apart_s = np.diff(edges_s)
    tried = {round(g, 6) for g in (*others_s, *ROUND_GRIDS_S, *(k * rows_s for k in range(5, 11)))}
    grids = sorted((g for g in tried if g >= COARSER * rows_s), reverse=True)
    for grid_s in grids:
        near = apart_s[apart_s <= FAR_GRIDS * grid_s]  # clocks drift over longer ones
        off_s = np.abs(near - np.rint(near / grid_s) * grid_s)
        chance = (2.0 * rows_s / grid_s) ** len(near) * len(grids)
        if (off_s <= 1.02 * rows_s).all() and chance < CHANCE:
            return grid_s
    return 0.0


def _windows(samples: pl.DataFrame, t_s: Floats) -> list[slice]:
    """Up to three stretches of rows, where the bike moves if that is logged."""
    count = len(t_s)
    if count <= 3 * WINDOW_ROWS:
        return [slice(0, count)]
    speed = next((samples[n].to_numpy() for n in SPEEDS if n in samples.columns), None)
    starts = [0, (count - WINDOW_ROWS) // 2, count - WINDOW_ROWS]
    if speed is not None:
        moving = np.flatnonzero(speed > MOVING_KMH)
        if len(moving):
            marks = moving[[0, len(moving) // 2, -1]]
            starts = [int(np.clip(m - WINDOW_ROWS // 2, 0, count - WINDOW_ROWS)) for m in marks]
    return [slice(a, a + WINDOW_ROWS) for a in sorted(set(starts))]


def _spacing_s(series: pl.Series, t_s: Floats, rows_s: float) -> float:
    """Usual time between values that are there."""
    if not series.null_count():
        return rows_s
    there = t_s[~series.is_null().to_numpy()]
    return max(rows_s, row_interval_s(there)) if len(there) > 1 else rows_s


def _number_refresh_s(series: pl.Series, t_s: Floats, windows: list[slice], rows_s: float) -> float:
    """How long a number takes to show a change, from its changes while it moves.

    Where it changes by more than its step at a time, it changes at every refresh: the
    median of those distances. Where it does so too seldom to say, the shortest distances
    between changes (their 5th percentile): that can only be too long. Where it hardly
    changes, the spacing of its values.
    """
    spacing_s = _spacing_s(series, t_s, rows_s)
    values = series.to_numpy()
    apart: list[Floats] = []
    sizes: list[Floats] = []
    for window in windows:
        part, at = values[window], t_s[window]
        there = ~np.isnan(part)
        part, at = part[there], at[there]
        if len(part) < 3:
            continue
        change = np.diff(part)
        changed = np.flatnonzero(change) + 1
        if len(changed) > 1:
            apart.append(np.diff(at[changed]))
            sizes.append(np.minimum(abs(change[changed[1:] - 1]), abs(change[changed[:-1] - 1])))
    if not apart:
        return spacing_s
    apart_s, size = np.concatenate(apart), np.concatenate(sizes)
    if len(apart_s) < FEW_CHANGES:
        return spacing_s
    fast = apart_s[size > 1.5 * float(np.min(size))]
    if len(fast) >= FEW_CHANGES:
        return max(spacing_s, float(np.median(fast)))
    return max(spacing_s, float(np.percentile(apart_s, 5)))


def step_of(values: Floats) -> float:
    """The smallest regular step between values; 0.0 where none can be known.

    A step is regular where nearly all distances between neighbouring values are whole
    multiples of it, as in whole km/h, or whole mph that were turned into km/h.
    """
    if len(values) > _STEP_SAMPLE:
        values = values[:: len(values) // _STEP_SAMPLE]
    distinct = np.unique(values[np.isfinite(values)])
    if len(distinct) < 4:
        return 0.0
    gaps = np.diff(distinct)
    scale = float(max(abs(distinct[0]), abs(distinct[-1]), 1e-9))
    gaps = gaps[gaps > 1e-9 * scale]
    if len(gaps) < 3:
        return 0.0
    for guess in (float(np.percentile(gaps, 10)), float(gaps.min())):
        counts = np.rint(gaps / guess)
        if counts.sum() == 0 or (counts == 0).mean() > 0.02:
            continue
        step = float(gaps[counts > 0].sum() / counts.sum())
        off = np.abs(gaps - counts * step)
        if np.percentile(off, 95) <= 0.12 * step and (counts <= 3).mean() > 0.3:
            return float(f"{step:.4g}")
    return 0.0
