"""Where one log falls into parts, and where an overlong part is cut."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.core.model import Note
from ridecheck.intake.normalise.facts import SPEEDS

GAP_US = 600_000_000
"""A longer pause ends a part; shorter gaps stay inside."""
LONGEST_PART_US = 12 * 3600 * 1_000_000
MOST_ROWS = 3_000_000
STANDING_KMH = 1.0
CARRIED_ON_KMH = 20.0
"""A bike this fast on both sides of a pause was not parked in it."""
CARRIED_ON_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows begin..end-1 of a log as a part; cut_before: it continues the one before."""

    begin: int
    end: int
    cut_before: bool = False


def pieces_of(samples: pl.DataFrame, breaks: Iterable[int]) -> tuple[list[Piece], list[Note]]:
    """Pieces of a log: at clock breaks, at pauses of more than 10 min, overlong ones cut.

    samples: every row, with ``time`` as Int64 microseconds.
    """
    t_us = samples["time"].to_numpy()
    speeds = [samples[n].to_numpy() for n in SPEEDS if n in samples.columns]
    edges = set(breaks)
    notes: list[Note] = []
    carried = 0
    for at in np.flatnonzero(np.diff(t_us) > GAP_US) + 1:
        if int(at) not in edges and _speed_carried_on(speeds, int(at)):
            carried += 1
        else:
            edges.add(int(at))
    if carried:
        notes.append(
            Note("clock", "the clock stepped forward while riding; this is no pause", carried)
        )
    marks = [0, *sorted(e for e in edges if 0 < e < len(t_us)), len(t_us)]
    pieces: list[Piece] = []
    for begin, end in pairwise(marks):
        if end > begin:
            pieces += _cut(Piece(begin, end), t_us, speeds)
    return pieces, notes


def _speed_carried_on(speeds: list[NDArray[np.float64]], at: int) -> bool:
    """The same speed on both sides of a pause, and far from standing."""
    for speed in speeds:
        before, after = speed[max(0, at - 20) : at], speed[at : at + 20]
        before, after = before[~np.isnan(before)], after[~np.isnan(after)]
        if len(before) and len(after):
            slower, faster = sorted((float(before[-1]), float(after[0])))
            return slower > CARRIED_ON_KMH and faster - slower < CARRIED_ON_SHARE * faster
    return False


def _cut(piece: Piece, t_us: NDArray[np.int64], speeds: list[NDArray[np.float64]]) -> list[Piece]:
    """An overlong piece in two or more, each cut in its longest standstill, else at the limit."""
    done: list[Piece] = []
    begin, cut_before = piece.begin, piece.cut_before
    while True:
        limit = min(
            begin + MOST_ROWS,
            int(np.searchsorted(t_us[begin : piece.end], t_us[begin] + LONGEST_PART_US, "right"))
            + begin,
        )
        if limit >= piece.end:
            done.append(Piece(begin, piece.end, cut_before))
            return done
        at = _longest_standstill(t_us, speeds, begin, limit)
        done.append(Piece(begin, at, cut_before))
        begin, cut_before = at, True


def _longest_standstill(
    t_us: NDArray[np.int64], speeds: list[NDArray[np.float64]], begin: int, limit: int
) -> int:
    """The middle row of the longest standstill in the later nine tenths, else the limit."""
    first = begin + max(1, (limit - begin) // 10)
    if not speeds or first >= limit:
        return limit
    standing = speeds[0][first:limit] < STANDING_KMH
    edges = np.flatnonzero(np.diff(np.concatenate(([False], standing, [False])).astype(int)))
    if not len(edges):
        return limit
    starts, ends = edges[::2] + first, edges[1::2] + first
    longest = int(np.argmax(t_us[ends - 1] - t_us[starts]))
    return int((starts[longest] + ends[longest]) // 2) or limit
