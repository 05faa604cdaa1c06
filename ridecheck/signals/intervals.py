"""Stretches of time as a set: sorted, disjoint, combined with ``&``, ``|`` and ``-``."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Span

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

EPSILON_S = 0.5e-6
"""Times are whole microseconds: half of one is the rounding of a difference of two."""


@dataclass(frozen=True, slots=True)
class Intervals:
    """Half-open stretches [start, end) in seconds, in order; none touches the next."""

    start_s: Floats
    end_s: Floats

    @classmethod
    def of(cls, spans: Iterable[Span], *, joined_s: float = 0.0) -> "Intervals":
        """From spans in any order; those no further apart than joined_s become one.

        A span of no length holds no time and is left out.
        """
        pairs = np.array(sorted((s.start_s, s.end_s) for s in spans if s.length_s > 0))
        return _merged(*pairs.reshape(-1, 2).T, joined_s=joined_s)

    def __len__(self) -> int:
        return len(self.start_s)

    def __iter__(self) -> Iterator[Span]:
        return map(Span, self.start_s.tolist(), self.end_s.tolist())

    def __and__(self, other: "Intervals | Span") -> "Intervals":
        """The time that is in both."""
        if isinstance(other, Span):
            other = Intervals.of([other])
        first = other.end_s.searchsorted(self.start_s, side="right")
        count = np.maximum(other.start_s.searchsorted(self.end_s) - first, 0)
        mine = np.repeat(np.arange(len(self)), count)
        theirs = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count - first, count)
        return Intervals(
            np.maximum(self.start_s[mine], other.start_s[theirs]),
            np.minimum(self.end_s[mine], other.end_s[theirs]),
        )

    def __or__(self, other: "Intervals | Span") -> "Intervals":
        """The time that is in either."""
        if isinstance(other, Span):
            other = Intervals.of([other])
        start_s = np.concatenate([self.start_s, other.start_s])
        order = np.argsort(start_s, kind="stable")
        return _merged(start_s[order], np.concatenate([self.end_s, other.end_s])[order])

    def __sub__(self, other: "Intervals | Span") -> "Intervals":
        """The time that is in this set and not in the other."""
        if isinstance(other, Span):
            other = Intervals.of([other])
        return self & Intervals(np.append(-np.inf, other.end_s), np.append(other.start_s, np.inf))

    @property
    def length_s(self) -> Floats:
        """Seconds of each."""
        return self.end_s - self.start_s

    @property
    def seconds(self) -> float:
        """Seconds of all of them."""
        return float(self.length_s.sum())

    @property
    def longest(self) -> Span | None:
        """The longest of them, the first of those as long; None where there is none."""
        return max(self, key=lambda span: span.length_s, default=None)

    def joined(self, gap_s: float) -> "Intervals":
        """Those no further apart than gap_s as one."""
        return _merged(self.start_s, self.end_s, joined_s=gap_s)

    def widened(self, by_s: float, after_s: float | None = None) -> "Intervals":
        """Each longer by so many seconds at both ends (or by after_s at its end), then joined."""
        return _merged(self.start_s - by_s, self.end_s + (by_s if after_s is None else after_s))

    def where(self, keep: Flags | Callable[[Span], bool]) -> "Intervals":
        """Those for which something holds."""
        flags = np.array([keep(s) for s in self], dtype=bool) if callable(keep) else keep
        return Intervals(self.start_s[flags], self.end_s[flags])

    def longer_than(self, seconds: float) -> "Intervals":
        """Those longer than so many seconds."""
        return self.where(self.length_s > seconds + EPSILON_S)

    def at_least(self, seconds: float) -> "Intervals":
        """Those so many seconds long, or longer."""
        return self.where(self.length_s >= seconds - EPSILON_S)

    def touching(self, other: "Intervals | Span") -> "Intervals":
        """Those of which some time is in the other set."""
        return self.where(self._touches(other))

    def apart_from(self, other: "Intervals | Span") -> "Intervals":
        """Those of which no time is in the other set."""
        return self.where(~self._touches(other))

    def _touches(self, other: "Intervals | Span") -> Flags:
        if isinstance(other, Span):
            return (self.start_s < other.end_s) & (self.end_s > other.start_s)
        first = other.end_s.searchsorted(self.start_s, side="right")
        return np.asarray(other.start_s.searchsorted(self.end_s) > first)

    def holds(self, t_s: float) -> bool:
        """Whether an instant is in one of them, ends included."""
        i = int(self.end_s.searchsorted(t_s - EPSILON_S))
        return i < len(self) and bool(self.start_s[i] <= t_s + EPSILON_S)


NOTHING = Intervals(np.empty(0), np.empty(0))
"""No time at all."""


def _merged(start_s: Floats, end_s: Floats, *, joined_s: float = 0.0) -> Intervals:
    """Stretches in order of their starts, those that meet (or nearly, by joined_s) as one."""
    if not len(start_s):
        return NOTHING
    reach_s = np.maximum.accumulate(end_s)
    first = np.append(True, start_s[1:] - reach_s[:-1] > joined_s + EPSILON_S)
    return Intervals(start_s[first], reach_s[np.append(first[1:], True)])
