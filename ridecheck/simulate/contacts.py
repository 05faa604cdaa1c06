"""Switch lines: what the hand does, what the contact makes of it, what the unit sees."""

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

Interval = tuple[float, float]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class Line:
    """One switch. Times are seconds from the ride's start and must come in order.

    dead: the contact never closes. dead_to_unit: the log sees it, the control unit does
    not. hang_s: it stays on that long after the hand releases it. pulses and gaps are
    closings and openings nobody made; unit_pulses reach the control unit alone.
    """

    __slots__ = (
        "_at",
        "_at_gap",
        "_at_unit",
        "_since_s",
        "dead",
        "dead_to_unit",
        "gaps",
        "hand",
        "hand_s",
        "hang_s",
        "name",
        "pulses",
        "unit_pulses",
    )  # fmt: skip

    def __init__(self, name: str) -> None:
        self.name = name
        self.hand = False
        self.hand_s: list[Interval] = []
        self.pulses: list[Interval] = []
        self.gaps: list[Interval] = []
        self.unit_pulses: list[Interval] = []
        self.dead = False
        self.dead_to_unit = False
        self.hang_s = 0.0
        self._since_s = 0.0
        self._at = 0
        self._at_gap = 0
        self._at_unit = 0

    def press(self, t_s: float) -> None:
        """The hand, or the foot, operates the control."""
        if not self.hand:
            self.hand = True
            self._since_s = t_s

    def release(self, t_s: float) -> None:
        """The control is released."""
        if self.hand:
            self.hand = False
            self.hand_s.append((self._since_s, t_s))
            if self.hang_s > 0.0 and not self.dead:
                self.pulse(t_s, t_s + self.hang_s)

    def pulse(self, start_s: float, end_s: float) -> None:
        """The contact is on although nobody operates it."""
        _append(self.pulses, start_s, end_s)

    def gap(self, start_s: float, end_s: float) -> None:
        """The contact is off although it is operated."""
        _append(self.gaps, start_s, end_s)

    def unit_pulse(self, start_s: float, end_s: float) -> None:
        """The control unit alone sees it on (its own contact, its own wire)."""
        _append(self.unit_pulses, start_s, end_s)

    def seen_by_unit(self, t_s: float, step_s: float, debounce_s: float) -> bool:
        """Does the control unit see it on within the step that begins at t_s?"""
        pressed = self.hand and self._since_s < t_s + step_s
        if pressed and not self.dead and not self.dead_to_unit:
            if not self.gaps:
                return True
            self._at_gap = _advance(self.gaps, self._at_gap, t_s)
            if self._at_gap >= len(self.gaps) or self.gaps[self._at_gap][0] > t_s:
                return True
        if self.pulses and not self.dead_to_unit:
            self._at = _advance(self.pulses, self._at, t_s)
            if _hits(self.pulses, self._at, t_s + step_s, debounce_s):
                return True
        if self.unit_pulses:
            self._at_unit = _advance(self.unit_pulses, self._at_unit, t_s)
            return _hits(self.unit_pulses, self._at_unit, t_s + step_s, debounce_s)
        return False

    def finish(self, t_s: float) -> None:
        """Close what is still operated when the ride ends."""
        if self.hand:
            self.hand = False
            self.hand_s.append((self._since_s, t_s))

    def on_s(self) -> list[Interval]:
        """When the line is electrically on, as the log could show it."""
        made = [] if self.dead else subtract(self.hand_s, self.gaps)
        return union(made + self.pulses)


def _append(intervals: list[Interval], start_s: float, end_s: float) -> None:
    if intervals and start_s <= intervals[-1][1]:
        start_s = intervals[-1][1] + 0.004
        end_s = max(end_s, start_s + 0.004)
    intervals.append((start_s, end_s))


def _advance(intervals: list[Interval], at: int, t_s: float) -> int:
    while at < len(intervals) and intervals[at][1] <= t_s:
        at += 1
    return at


def _hits(intervals: list[Interval], at: int, end_s: float, debounce_s: float) -> bool:
    if at >= len(intervals) or intervals[at][0] >= end_s:
        return False
    return intervals[at][1] - intervals[at][0] >= debounce_s


def union(intervals: Iterable[Interval]) -> list[Interval]:
    """Sorted intervals with overlapping and touching ones joined."""
    joined: list[Interval] = []
    for start_s, end_s in sorted(intervals):
        if joined and start_s <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end_s, joined[-1][1]))
        else:
            joined.append((start_s, end_s))
    return joined


def subtract(intervals: Iterable[Interval], holes: Iterable[Interval]) -> list[Interval]:
    """What is left of intervals outside the holes."""
    left: list[Interval] = []
    cuts = union(holes)
    for start_s, end_s in union(intervals):
        at_s = start_s
        for hole_start_s, hole_end_s in cuts:
            if hole_end_s <= at_s or hole_start_s >= end_s:
                continue
            if hole_start_s > at_s:
                left.append((at_s, hole_start_s))
            at_s = max(at_s, hole_end_s)
        if at_s < end_s:
            left.append((at_s, end_s))
    return left


def sample(intervals: list[Interval], t_s: Floats, *, latched: bool = False) -> Bools:
    """Is the line on at each instant? latched: at any time since the instant before."""
    if not intervals:
        return np.zeros(len(t_s), dtype=bool)
    starts_s = np.array([a for a, _ in intervals])
    ends_s = np.array([b for _, b in intervals])
    last = np.searchsorted(starts_s, t_s, side="right") - 1
    known = last >= 0
    end_s = np.where(known, ends_s[np.maximum(last, 0)], -math.inf)
    if not latched:
        return known & (t_s < end_s)
    before_s = np.concatenate([t_s[:1] - 1e-9, t_s[:-1]])
    return known & (end_s > before_s)
