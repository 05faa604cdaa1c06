"""A block of rows is in the log twice.

What it checks
    Rows in a row that repeat an earlier block to the last digit in every channel, while
    riding. Only changes that stand nowhere else in the log count, so that held values,
    standstill and steady riding in coarse steps are no repeats.
Why it matters
    What is judged there happened once or never, and later rows are late by the block.
What else looks like this
    A slow logger that writes each value several times; standing still; a steady hold in
    a log of whole km/h and few channels, too short to repeat for long.
Next step
    The logger's card and firmware; how the log was joined or exported.
References
    A buffer written twice, or two overlapping exports joined (common practice).
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Floats, Ride

HELD_S = 2.0
"""A value held longer than this is no more of a mark than one held so long."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    rows: float = threshold(
        10.0, "rows", "that stand nowhere else; chance does not bring ten back in the same order"
    )
    copies: float = threshold(
        3.0, "times", "a row met more often than this is what this log usually holds"
    )


@rule(
    needs=("wheel_speed",),
    severity=Severity.NOTE,
    clear_s=30.0,
    asks="riding with values that stand nowhere else",
    raise_when=RaiseWhen(events=1_000_000),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each repeated block, from its first to its last row."""
    names = [n for n in ride.channels if ride.has(n) and n in catalog()]
    speed = ride.numbers("wheel_speed")
    changed, hashes = _changed_rows(ride.samples.select(names))
    rare = _rare(hashes, limits.copies) & (speed[changed] > 5.0)
    upto = np.append(changed[1:], len(ride.t_s))
    seconds = np.minimum(_sums(motion.row_seconds(ride), changed, upto), HELD_S)
    yield Exposure(seconds=float(seconds[rare].sum()))
    need = int(limits.rows)
    for first, last, earlier in _repeats(hashes, need):
        if rare[first : last + 1].sum() < need:
            continue
        rows = changed[first : last + 1]
        yield Finding(
            span=Span(float(ride.t_s[rows[0]]), float(ride.t_s[rows[-1]])),
            message=f"{len(rows)} rows repeat those from "
            f"{ride.t_s[changed[earlier]]:.1f} s on to the last digit",
            measured=float(len(rows)),
            limit=limits.rows,
            unit="rows",
        )


def _sums(values: Floats, begin: NDArray[np.int64], end: NDArray[np.int64]) -> Floats:
    """Sum of the values of each stretch of rows begin..end-1."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray(sums[end] - sums[begin])


def _rare(hashes: NDArray[np.uint64], copies: float) -> NDArray[np.bool_]:
    """Rows whose content stands hardly anywhere else in the log, (n,)."""
    ordered = np.sort(hashes)
    starts = np.flatnonzero(np.concatenate(([True], ordered[1:] != ordered[:-1])))
    counts = np.diff(np.append(starts, len(ordered)))
    often = ordered[starts[counts > copies]]
    if not len(often):
        return np.ones(len(hashes), dtype=bool)
    at = np.minimum(often.searchsorted(hashes), len(often) - 1)
    return np.asarray(often[at] != hashes)


def _changed_rows(values: pl.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
    """Rows that differ from the row before, and a hash of what each holds."""
    hashes = np.zeros(len(values), dtype=np.uint64)
    for series in values:
        if series.dtype == pl.Float64:
            number = series.to_numpy() + 0.0
            if np.isnan(number).any():
                number[np.isnan(number)] = np.nan  # one NaN; a blank is one too
            hashes ^= number.view(np.uint64)
        else:
            hashes ^= series.cast(pl.Int8).fill_null(-1).to_numpy().astype(np.uint64)
        hashes *= np.uint64(0xBF58476D1CE4E5B9)  # unsigned, so it wraps
        hashes ^= hashes >> np.uint64(29)
    changed = np.flatnonzero(np.concatenate(([True], hashes[1:] != hashes[:-1])))
    return changed, hashes[changed]


ODD = np.uint64(6364136223846793005)


def _repeats(hashes: NDArray[np.uint64], at_least: int) -> list[tuple[int, int, int]]:
    """Blocks that stand earlier too: first and last index, and where they stand first.

    Every at_least rows in a row get one hash; those met before, by the same distance one
    after the other, are a block.
    """
    windows = len(hashes) - at_least + 1
    if windows < 2:
        return []
    # The same polynomial of every window from sums so far; unsigned, so it all wraps.
    factor = np.full(len(hashes), ODD, dtype=np.uint64)
    back = np.full(len(hashes), pow(int(ODD), -1, 2**64), dtype=np.uint64)
    sums = np.concatenate(([np.uint64(0)], np.cumsum(hashes * np.cumprod(back))))
    of_window = (sums[at_least:] - sums[:windows]) * np.cumprod(factor)[at_least - 1 :]
    ordered = np.sort(of_window)
    if not (ordered[1:] == ordered[:-1]).any():
        return []
    order = np.argsort(of_window, kind="stable")
    same = of_window[order][1:] == of_window[order][:-1]
    lag = np.zeros(windows, dtype=np.int64)
    lag[order[1:][same]] = order[1:][same] - order[:-1][same]
    starts = np.flatnonzero(np.diff(lag, prepend=-1) != 0)
    ends = np.append(starts[1:], windows) - 1
    return [
        (int(a), int(b) + at_least - 1, int(a - lag[a]))
        for a, b in zip(starts, ends, strict=True)
        if lag[a] >= at_least
    ]
