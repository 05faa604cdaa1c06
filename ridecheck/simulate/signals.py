"""A number on its way from where it is sensed to the unit and the logger, and what disturbs it."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Disturbance:
    """A number is not what it should be from start_s to end_s.

    how: "is" value, "times" value, "plus" value, or "frozen" at what it was at start_s.
    """

    start_s: float
    end_s: float
    how: Literal["is", "times", "plus", "frozen"]
    value: float = 0.0


class Disturbed:
    """The disturbances of one signal, in order of their start."""

    def __init__(self) -> None:
        self.all: list[Disturbance] = []
        self._at = 0
        self._last = 0.0

    def add(self, disturbance: Disturbance) -> None:
        """One more; it must not start before the last one ended."""
        self.all.append(disturbance)

    def now(self, t_s: float, value: float) -> float:
        """The signal at an instant, asked in rising order."""
        if not self.all:
            return value
        while self._at < len(self.all) and self.all[self._at].end_s <= t_s:
            self._at += 1
        if self._at >= len(self.all) or self.all[self._at].start_s > t_s:
            self._last = value
            return value
        one = self.all[self._at]
        if one.how == "is":
            return one.value
        if one.how == "times":
            return value * one.value
        if one.how == "plus":
            return max(0.0, value + one.value)
        return self._last

    def over(self, t_s: Floats, values: Floats) -> Floats:
        """The signal at many instants."""
        out = values.copy()
        for one in self.all:
            first, last = np.searchsorted(t_s, (one.start_s, one.end_s))
            if one.how == "is":
                out[first:last] = one.value
            elif one.how == "times":
                out[first:last] *= one.value
            elif one.how == "plus":
                out[first:last] = np.maximum(0.0, out[first:last] + one.value)
            elif first < len(out):
                out[first:last] = out[max(first - 1, 0)]
        return out
