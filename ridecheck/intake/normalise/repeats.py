"""Rows that a log holds twice: a buffer written again, two overlapping exports joined."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.intake.normalise.stamps import UNREADABLE, Stamps

BUFFER_US = 60_000_000
"""A counter that falls by more is a logger started anew: its first rows may look the same."""


def repeated_rows(
    frame: pl.DataFrame, stamps: Stamps, restarts: tuple[int, ...]
) -> NDArray[np.bool_]:
    """True for rows that were there before, stamp and every cell, after a step back in time.

    Rows that merely look alike are no repeats: a clock of whole seconds at a standstill
    writes the same row many times, but never steps back.
    """
    t = stamps.micros
    nothing = np.zeros(len(t), dtype=bool)
    known = t != UNREADABLE
    filled = np.where(known, t, np.iinfo(np.int64).min)
    highest = np.maximum.accumulate(filled)
    before = np.concatenate(([np.iinfo(np.int64).min], highest[:-1]))
    behind = known & (filled <= before)
    if not (behind & (filled < before)).any():
        return nothing
    edges = np.flatnonzero(np.diff(np.concatenate(([False], behind, [False])).astype(int)))
    in_step = nothing.copy()
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        fall_us = int(before[begin] - filled[begin])
        started_anew = stamps.kind == "elapsed" and fall_us > BUFFER_US
        merged = any(begin <= at < end for at in restarts)
        if fall_us > 0 and not started_anew and not (merged and stamps.kind == "elapsed"):
            in_step[begin:end] = True
    if not in_step.any():
        return nothing
    cells = [c for c in frame.columns if c != "row"]
    seen = ~frame.select(pl.struct(cells).is_first_distinct()).to_series().to_numpy()
    return np.asarray(in_step & seen)
