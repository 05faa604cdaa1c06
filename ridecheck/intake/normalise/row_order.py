"""Rows written in another order than they were ridden in, put right before anything else.

Newest first, or in blocks: a buffer written late. Only what can be nothing else is put in
order: a few rows that step back keep their place, and a clock that is set back is none.
"""

from dataclasses import replace

import numpy as np

from ridecheck.core.model import Note
from ridecheck.intake.normalise.stamps import JITTER_ROWS, RESTART_US, UNREADABLE, Micros, Stamps
from ridecheck.intake.readers.table import RawTable

NEARLY_ALL = 0.9
"""Of the steps between rows go back in a log that is written newest first."""
FEWEST = 10


def is_newest_first(stamps: Stamps) -> bool:
    """Whether nearly all steps go back, as no other mishap makes them."""
    step = np.diff(stamps.micros[stamps.micros != UNREADABLE])
    step = step[step != 0]
    return len(step) >= FEWEST and float((step < 0).mean()) >= NEARLY_ALL


def turned_round(raw: RawTable, stamps: Stamps) -> tuple[RawTable, Stamps]:
    """The rows in the order of time. Line numbers stay those of the file."""
    count = len(raw.frame)
    said = "the newest row comes first; the rows were turned round"
    table = replace(
        raw,
        frame=raw.frame.reverse(),
        notes=(*raw.notes, Note("clock", said, count)),
        restarts=tuple(sorted(count - at for at in raw.restarts)),
        starts=tuple((0, text) for at, text in raw.starts if at == 0),
    )
    turned_us = np.ascontiguousarray(stamps.micros[::-1])
    return table, replace(stamps, micros=turned_us, file_time=stamps.file_time.reverse())


def in_order(raw: RawTable, stamps: Stamps) -> tuple[RawTable, Stamps]:
    """Blocks of rows that the time had leapt over, or leaps on after, where they belong.

    Line numbers stay those of the file.
    """
    t = stamps.micros
    highest = np.maximum.accumulate(t)
    t = np.where(t == UNREADABLE, highest, t)
    behind = np.concatenate(([False], t < highest, [False]))
    edges = np.flatnonzero(np.diff(behind.astype(int)))
    order = np.arange(len(t))
    moved = 0
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if b - a <= JITTER_ROWS or t[a - 1] - t[a] >= RESTART_US:
            continue
        first = _leapt_over(t, a, b)
        if first is not None and not any(first <= at < b for at in raw.restarts):
            order[first:b] = first + np.argsort(t[first:b], kind="stable")
            moved += b - first
    if not moved:
        return raw, stamps
    note = Note("clock", "rows written in blocks out of order were put in order", moved)
    table = replace(raw, frame=raw.frame[order], notes=(*raw.notes, note))
    cells = stamps.file_time[order]
    return table, replace(stamps, micros=stamps.micros[order], file_time=cells)


def _leapt_over(t: Micros, a: int, b: int) -> int | None:
    """The row from which rows up to b-1 are blocks out of order; None where they are not."""
    behind = t[a:b]
    first = int(np.searchsorted(t[:a], behind.min(), side="right"))
    leapt = 0 < first < a and t[first] >= behind.max()
    leaps_on = b < len(t) and 2 * (t[b] - t[b - 1]) > t[a - 1] - t[a]
    return first if leapt or leaps_on else None
