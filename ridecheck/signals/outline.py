"""What a drawing of a curve needs: the points that can be seen, and no more.

A drawing is WIDTH pixels wide. A point that moves the line by less than a third of a pixel is
left out; where rows are finer than pixels, first, least, greatest and last of each column stay,
so that a spike of one row is never lost.
"""

import math

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import Curve, Span
from ridecheck.core.packed import packed
from ridecheck.signals.ride import Floats, Ride
from ridecheck.signals.switches import BLANK, Run

WIDTH = 720
"""Pixels of the widest drawing."""
HEIGHT = 96
"""Pixels of the highest lane."""
SEEN_PX = 1.0 / 3.0
"""What moves a line by less is not seen."""
LEAST_SPAN = {
    "km/h": 4.0,
    "rpm": 200.0,
    "%": 10.0,
    "V": 1.0,
    "kPa": 100.0,
    "m/s2": 2.0,
    "degrees": 10.0,
    "degrees/s": 10.0,
}
"""The least that a lane's scale spans, by unit, so that noise never fills a lane."""
MOST_EDGES = WIDTH
"""A switch that changes more often within a drawing is drawn by columns."""


def number_curve(ride: Ride, name: str, window: Span, *, zero_s: float = 0.0) -> Curve:
    """A number channel over a window; blanks and gaps break the line."""
    rows = ride.slice(window)
    t_s, values = ride.t_s[rows], ride.numbers(name)[rows]
    known = ~np.isnan(values)
    blocks = np.flatnonzero(
        np.diff(known, prepend=False) | (np.diff(ride.segment[rows], prepend=-1) != 0)
    )
    low, high = (np.min(values[known]), np.max(values[known])) if known.any() else (0.0, 1.0)
    spans = max(float(high - low), LEAST_SPAN.get(catalog()[name].unit, 0.0)) or 1.0
    unit_s, unit_v = window.length_s / WIDTH or 1.0, spans / HEIGHT
    decimals = min(max(math.ceil(-math.log10(unit_v * SEEN_PX)), 0), 3)
    points: list[tuple[float, float | None]] = []
    for first, last in zip(blocks.tolist(), [*blocks[1:].tolist(), len(t_s)], strict=True):
        if not known[first]:
            continue
        if points:
            points.append((points[-1][0], None))
        x, y = t_s[first:last] / unit_s, values[first:last] / unit_v
        for i in (first + seen(x, y)).tolist():
            value = round(float(values[i]), decimals) + 0.0
            points.append((round(float(t_s[i]) - zero_s, 3), value))
    return Curve(name, packed(points))


def step_curve(ride: Ride, name: str, window: Span, *, zero_s: float = 0.0) -> Curve:
    """A switch or the gear over a window: its value at each change, None where it is blank."""
    runs = list(ride.runs(name).overlapping(window))
    if len(runs) > MOST_EDGES:
        runs = _by_columns(runs, window)
    points: list[tuple[float, float | None]] = []
    for i, run in enumerate(runs):
        value = None if run.value == BLANK else float(run.value)
        points.append((round(max(run.start_s, window.start_s) - zero_s, 3), value))
        following = runs[i + 1].start_s if i + 1 < len(runs) else window.end_s
        if following > run.end_s + 1e-9:
            points.append((round(min(run.end_s, window.end_s) - zero_s, 3), None))
    return Curve(name, packed(points))


def seen(x: Floats, y: Floats) -> NDArray[np.int64]:
    """Indices of the points of a line, in pixels, that its drawing needs."""
    kept = _columns(x, y)
    if len(kept) < 3:
        return kept
    x, y = x[kept], y[kept]
    needed = np.zeros(len(kept), dtype=bool)
    needed[[0, -1]] = True
    todo = [(0, len(kept) - 1)]
    while todo:
        first, last = todo.pop()
        if last - first < 2:
            continue
        inner = slice(first + 1, last)
        run_px = x[last] - x[first]
        slope = (y[last] - y[first]) / run_px if run_px > 0 else 0.0
        off = np.abs(y[inner] - (y[first] + slope * (x[inner] - x[first])))
        worst = int(np.argmax(off))
        if off[worst] > SEEN_PX:
            split = first + 1 + worst
            needed[split] = True
            todo += [(first, split), (split, last)]
    return kept[needed]


def _columns(x: Floats, y: Floats) -> NDArray[np.int64]:
    """First, least, greatest and last point of each pixel column; all where they are few."""
    everything = np.arange(len(x), dtype=np.int64)
    if len(x) <= 4 * WIDTH:
        return everything
    column = np.floor(x).astype(np.int64)
    starts = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
    by_height = np.lexsort((y, column))
    ends = np.append(starts[1:], len(x)) - 1
    return np.unique(np.concatenate([starts, ends, by_height[starts], by_height[ends]]))


def _by_columns(runs: list[Run], window: Span) -> list[Run]:
    """Runs of a switch that flickers: on wherever it was on within a pixel column."""
    width_s = window.length_s / WIDTH
    columns: dict[int, int] = {}
    for run in runs:
        first = int((max(run.start_s, window.start_s) - window.start_s) / width_s)
        last = int((min(run.end_s, window.end_s) - window.start_s) / width_s)
        for i in range(first, min(last, WIDTH - 1) + 1):
            columns[i] = max(run.value, columns.get(i, BLANK))
    joined: list[Run] = []
    for i, value in sorted(columns.items()):
        start_s, end_s = window.start_s + i * width_s, window.start_s + (i + 1) * width_s
        if joined and joined[-1].value == value and start_s - joined[-1].end_s < width_s / 2:
            start_s = joined.pop().start_s
        joined.append(Run(start_s, end_s, value, sharp_start=False, sharp_end=False))
    return joined
