"""Switches as run lists: when each value began and ended, and how sharply that is known."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.model import Span

Floats = NDArray[np.float64]

BLANK = -1
"""Value of a run whose rows are blank. Blank is not off."""


@dataclass(frozen=True, slots=True)
class Run:
    """Rows of one value in a row.

    start_s is the first row with the value, end_s the first row after it (so that runs
    of one segment touch); at a gap end_s is one row interval past the last row. value
    is 0/1 for a switch, the number for a gear, BLANK for blank. sharp_start and
    sharp_end tell whether that edge was seen between two adjacent rows of known value,
    and so is known to one refresh; else it lies somewhere in a gap or blank.
    """

    start_s: float
    end_s: float
    value: int
    sharp_start: bool
    sharp_end: bool

    @property
    def length_s(self) -> float:
        """Seconds from start to end."""
        return self.end_s - self.start_s

    @property
    def span(self) -> Span:
        """The run as a span."""
        return Span(self.start_s, self.end_s)


@dataclass(frozen=True, slots=True)
class Runs:
    """All runs of one channel over a ride, in order, as arrays of equal length."""

    start_s: Floats
    end_s: Floats
    value: NDArray[np.int64]
    sharp_start: NDArray[np.bool_]
    sharp_end: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.start_s)

    def __iter__(self) -> Iterator[Run]:
        for i in range(len(self)):
            yield self[i]

    def __getitem__(self, i: int) -> Run:
        return Run(
            float(self.start_s[i]),
            float(self.end_s[i]),
            int(self.value[i]),
            bool(self.sharp_start[i]),
            bool(self.sharp_end[i]),
        )

    def of(self, value: int) -> tuple[Run, ...]:
        """The runs of one value."""
        return tuple(self[int(i)] for i in np.flatnonzero(self.value == value))

    def on(self) -> tuple[Run, ...]:
        """The runs in which a switch was on."""
        return self.of(1)

    def overlapping(self, span: Span) -> Iterator[Run]:
        """The runs that share more than an instant with a span."""
        first = int(np.searchsorted(self.end_s, span.start_s + 1e-9, side="right"))
        for i in range(first, len(self)):
            if self.start_s[i] >= span.end_s - 1e-9:
                return
            yield self[i]

    def seconds(self, value: int) -> float:
        """Time spent at a value."""
        at = self.value == value
        return float((self.end_s[at] - self.start_s[at]).sum())

    def value_at(self, t_s: float) -> int:
        """Value at an instant; BLANK in a gap and outside the ride."""
        i = int(np.searchsorted(self.start_s, t_s + 1e-9, side="right")) - 1
        if i < 0 or t_s > self.end_s[i] + 1e-9:
            return BLANK
        return int(self.value[i])

    def any_on(self, span: Span) -> bool | None:
        """Was it on at any instant of a span? None where it never shows on but has blanks."""
        within = (self.start_s <= span.end_s + 1e-9) & (self.end_s >= span.start_s - 1e-9)
        values = self.value[within]
        if (values == 1).any():
            return True
        covered = np.clip(
            np.minimum(self.end_s[within], span.end_s)
            - np.maximum(self.start_s[within], span.start_s),
            0.0,
            None,
        )[values != BLANK].sum()
        return (
            False
            if covered >= 0.95 * span.length_s - 1e-9 and not (values == BLANK).any()
            else None
        )


def runs_of(t_s: Floats, values: Floats, segment: NDArray[np.int64], *, interval_s: float) -> Runs:
    """Reduce a channel (NaN is blank) to runs; runs never cross a gap."""
    if not len(t_s):
        empty = np.empty(0)
        flags = np.empty(0, dtype=bool)
        return Runs(empty, empty, np.empty(0, dtype=np.int64), flags, flags)
    codes = np.where(np.isnan(values), BLANK, np.nan_to_num(values)).astype(np.int64)
    new_segment = np.diff(segment, prepend=segment[0] - 1) != 0
    starts = np.flatnonzero((np.diff(codes, prepend=codes[0] - 1) != 0) | new_segment)
    following = np.append(starts[1:], len(t_s))
    last_of_segment = np.append(new_segment[starts[1:]], True)
    ends_s = np.where(
        last_of_segment, t_s[following - 1] + interval_s, t_s[np.minimum(following, len(t_s) - 1)]
    )
    value = codes[starts]
    known = value != BLANK
    sharp_start = np.append(False, known[:-1]) & known & ~new_segment[starts]
    sharp_end = np.append(known[1:], False) & known & ~last_of_segment
    return Runs(t_s[starts], ends_s, value, sharp_start, sharp_end)
