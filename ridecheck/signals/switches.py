"""Switches as run lists: when each value began and ended, and how sharply that is known."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Span
from ridecheck.signals.intervals import Intervals

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

BLANK = -1
"""Value of a run whose rows are blank. Blank is not off."""


@dataclass(frozen=True, slots=True)
class Run:
    """Rows of one value in a row.

    start_s is the first row with the value, end_s the first row after it (so that runs
    of one segment touch); at a gap end_s is one row interval past the last row. value
    is 0/1 for a switch, the number for a gear, BLANK for blank. sharp_start and
    sharp_end show whether that edge was seen between two adjacent rows of known value,
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
    _made: dict[object, tuple[Run, ...]] = field(default_factory=dict, repr=False, compare=False)

    def __len__(self) -> int:
        return len(self.start_s)

    @property
    def _all(self) -> tuple[Run, ...]:
        """Every run as a record, made once."""
        if "all" not in self._made:
            columns = (self.start_s, self.end_s, self.value, self.sharp_start, self.sharp_end)
            self._made["all"] = tuple(map(Run, *(c.tolist() for c in columns)))
        return self._made["all"]

    def __iter__(self) -> Iterator[Run]:
        return iter(self._all)

    def __getitem__(self, i: int) -> Run:
        return self._all[i]

    def of(self, value: int) -> tuple[Run, ...]:
        """The runs of one value."""
        if value not in self._made:
            self._made[value] = tuple(r for r in self._all if r.value == value)
        return self._made[value]

    def on(self) -> tuple[Run, ...]:
        """The runs in which a switch was on."""
        return self.of(1)

    def when(self, value: int) -> Intervals:
        """The time spent at a value."""
        return self.where(self.value == value)

    def where(self, runs: Flags) -> Intervals:
        """The time of some of the runs."""
        return Intervals(self.start_s[runs], self.end_s[runs])

    def overlapping(self, span: Span) -> Iterator[Run]:
        """The runs that share more than an instant with a span."""
        first = int(self.end_s.searchsorted(span.start_s + 1e-9, "right"))
        for run in self._all[first:]:
            if run.start_s >= span.end_s - 1e-9:
                return
            yield run

    def seconds(self, value: int) -> float:
        """Time spent at a value."""
        at = self.value == value
        return float((self.end_s[at] - self.start_s[at]).sum())

    def value_at(self, t_s: float) -> int:
        """Value at an instant; BLANK in a gap and outside the ride."""
        i = int(self.start_s.searchsorted(t_s + 1e-9, "right")) - 1
        if i < 0 or t_s > self.end_s[i] + 1e-9:
            return BLANK
        return int(self.value[i])

    def any_on(self, span: Span) -> bool | None:
        """Was it on at any instant of a span? None where it never shows on but has blanks."""
        first = int(self.end_s.searchsorted(span.start_s - 1e-9))
        last = int(self.start_s.searchsorted(span.end_s + 1e-9, "right"))
        within = self._all[first:last]
        if any(r.value == 1 for r in within):
            return True
        if any(r.value == BLANK for r in within):
            return None
        covered = sum(
            max(min(r.end_s, span.end_s) - max(r.start_s, span.start_s), 0.0) for r in within
        )
        return False if covered >= 0.95 * span.length_s - 1e-9 else None


def runs_of(
    t_s: Floats, values: Floats | Flags, segment: NDArray[np.int64], *, interval_s: float
) -> Runs:
    """Reduce a channel (NaN is blank) to runs; runs never cross a gap."""
    if not len(t_s):
        empty = np.empty(0)
        flags = np.empty(0, dtype=bool)
        return Runs(empty, empty, np.empty(0, dtype=np.int64), flags, flags)
    if values.dtype == np.bool_:
        codes = values.view(np.int8)
    else:
        codes = np.where(np.isnan(values), BLANK, values).astype(np.int8)
    new_segment = np.ones(len(codes), dtype=bool)
    np.not_equal(segment[1:], segment[:-1], out=new_segment[1:])
    changes = new_segment.copy()
    changes[1:] |= codes[1:] != codes[:-1]
    starts = np.flatnonzero(changes)
    following = np.append(starts[1:], len(t_s))
    last_of_segment = np.append(new_segment[starts[1:]], True)
    ends_s = np.where(
        last_of_segment, t_s[following - 1] + interval_s, t_s[np.minimum(following, len(t_s) - 1)]
    )
    value = codes[starts].astype(np.int64)
    known = value != BLANK
    sharp_start = np.append(False, known[:-1]) & known & ~new_segment[starts]
    sharp_end = np.append(known[1:], False) & known & ~last_of_segment
    return Runs(t_s[starts], ends_s, value, sharp_start, sharp_end)
