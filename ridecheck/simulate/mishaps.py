"""What goes wrong between a good bike and a good log: clocks, lost and repeated rows, freezes."""

from collections.abc import Callable

import numpy as np
import polars as pl
from numpy.random import Generator

Mishap = Callable[[pl.DataFrame, Generator], pl.DataFrame]


def clock_set_back(frame: pl.DataFrame, rng: Generator) -> pl.DataFrame:
    """The clock is set back by 2 to 8 s in the middle of the ride."""
    return _stepped(frame, rng, -float(rng.uniform(2.0, 8.0)))


def clock_set_forward(frame: pl.DataFrame, rng: Generator) -> pl.DataFrame:
    """The clock is set forward by an hour: a gap that never was."""
    return _stepped(frame, rng, 3600.0)


def _stepped(frame: pl.DataFrame, rng: Generator, step_s: float) -> pl.DataFrame:
    at = int(len(frame) * rng.uniform(0.3, 0.7))
    late = pl.int_range(pl.len()) >= at
    moved = pl.col("time") + pl.duration(microseconds=round(step_s * 1e6))
    return frame.with_columns(time=pl.when(late).then(moved).otherwise(pl.col("time")))


def rows_lost(frame: pl.DataFrame, rng: Generator) -> pl.DataFrame:
    """The card was too slow: rows are missing, singly and in stretches of up to two seconds."""
    keep = rng.random(len(frame)) > 0.01
    span = (frame["time"].max() - frame["time"].min()).total_seconds()  # type: ignore[operator,union-attr]
    rows_of_two_s = max(1, round(2.0 * len(frame) / max(1.0, span)))
    for start in rng.integers(0, len(frame), 6):
        keep[start : start + int(rng.integers(1, rows_of_two_s + 1))] = False
    return frame.filter(pl.Series(keep))


def rows_repeated(frame: pl.DataFrame, rng: Generator) -> pl.DataFrame:
    """A buffer written twice: some stretches of rows come again, with their stamps."""
    pieces = []
    at = 0
    for start in np.sort(rng.integers(0, len(frame), 4)):
        end = min(len(frame), int(start) + 12)
        pieces += [frame[at:end], frame[int(start) : end]]
        at = end
    return pl.concat([*pieces, frame[at:]])


def whole_seconds(frame: pl.DataFrame, rng: Generator) -> pl.DataFrame:
    """A clock that knows whole seconds only: stamps repeat."""
    del rng
    return frame.with_columns(pl.col("time").dt.truncate("1s"))


def clock_from_1980(frame: pl.DataFrame, rng: Generator) -> pl.DataFrame:
    """A clock that was never set: the log begins in 1980."""
    del rng
    start = pl.datetime(1980, 1, 6, time_unit="us", time_zone="UTC")
    return frame.with_columns(time=start + (pl.col("time") - pl.col("time").first()))


MISHAPS: dict[str, Mishap] = {
    "clock-set-back": clock_set_back,
    "clock-set-forward": clock_set_forward,
    "rows-lost": rows_lost,
    "rows-repeated": rows_repeated,
    "whole-seconds": whole_seconds,
    "clock-from-1980": clock_from_1980,
}
