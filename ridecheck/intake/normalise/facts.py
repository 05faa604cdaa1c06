"""What is measured of each channel of a part: refresh interval, step, presence."""

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
"""Fewer changes than this tell nothing about how often a channel is refreshed."""
WINDOW_ROWS = 8_000
"""Facts are measured on up to three stretches of this many rows: enough, and cheap."""
_STEP_SAMPLE = 4_000


def row_interval_s(t_s: Floats) -> float:
    """Usual time between rows in seconds; 0 for a single row."""
    steps = np.diff(t_s)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 0.0


def measure(samples: pl.DataFrame, layout: "Layout") -> dict[str, ChannelFacts]:
    """Facts of every mapped channel of a part."""
    t_s = samples["time"].dt.epoch("us").to_numpy() / 1e6
    rows_s = row_interval_s(t_s)
    windows = _windows(samples, t_s)
    known = catalog()
    facts: dict[str, ChannelFacts] = {}
    for name, column in layout.channels.items():
        if name not in samples.columns:
            continue
        series = samples[name]
        present = 1.0 - series.null_count() / max(1, len(series))
        number = known[name].kind == "number"
        if column.refresh_s is not None:
            interval_s = max(column.refresh_s, rows_s)
        elif present == 0:
            interval_s = rows_s
        elif number:
            interval_s = _number_refresh_s(series, t_s, windows, rows_s)
        else:
            interval_s = _spacing_s(series, t_s, rows_s)
        facts[name] = ChannelFacts(
            interval_s=round(interval_s, 6),
            present=round(present, 6),
            step=step_of(series.to_numpy()) if number and present else 0.0,
            skew_s=column.skew_s,
            latched=bool(getattr(column, "latched", False)),
        )
    return facts


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
    median of those distances. Where it does so too seldom to tell, the shortest distances
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
    """The smallest regular step between values; 0.0 where none can be told.

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
