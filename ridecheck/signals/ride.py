"""A ride as rules see it: parts joined, slow channels held, everything measured once."""

from collections.abc import Callable, Mapping, Sequence
from functools import cached_property, wraps
from types import MappingProxyType
from typing import Concatenate, ParamSpec, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import ChannelFacts, Dating, Part, Settings, Span
from ridecheck.signals.intervals import EPSILON_S, NOTHING, Intervals
from ridecheck.signals.switches import Runs, runs_of

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
P = ParamSpec("P")
T = TypeVar("T")

GAP_ROWS = 3.0
"""A step in time longer than this many row intervals is a gap, not jitter."""
GAP_FLOOR_S = 0.5
"""... but never a shorter step than this: loggers pause to write their card."""
HOLD_REFRESHES = 1.5
"""A held value is trusted this many refresh intervals, within the channel's max_hold_s."""


def once(
    measure: Callable[Concatenate["Ride", P], T],
) -> Callable[Concatenate["Ride", P], T]:
    """Keep what a function measures of a ride: asked by many rules, worked out once."""

    @wraps(measure)
    def kept(ride: "Ride", /, *args: P.args, **kwargs: P.kwargs) -> T:
        key = (measure, args, tuple(sorted(kwargs.items()))) if kwargs else (measure, args)
        try:
            value: T = ride.kept[key]  # type: ignore[assignment]
        except KeyError:
            ride.kept[key] = value = measure(ride, *args, **kwargs)
        return value

    return kept


SHARP_S = 0.105
"""Refresh up to which a channel counts as logged at 10 Hz or faster."""

SLOWEST_S = 0.205
"""Slower than 5 Hz one row on may be any touch: nothing is made of its length."""


class Ride:
    """One ride. Read-only by convention; what is measured is kept after first use.

    t_s: Floats (n,), seconds from the ride's start, rising. segment: int (n,), which
    uninterrupted stretch a row belongs to; it steps where the log has a gap (a part that
    was merely cut off an overlong one continues its segment). Numbers are Floats (n,)
    with NaN for blank; switches come as run lists.
    """

    def __init__(self, ride_id: str, bike: str, parts: Sequence[Part], settings: Settings) -> None:
        self.id = ride_id
        self.kept: dict[object, object] = {}
        self.bike = bike
        self.settings = settings
        self.parts = tuple(p.info for p in parts)
        self.start = parts[0].info.start
        self.dating: Dating = parts[0].info.dating
        frames = [
            p.samples.with_columns(pl.lit(i, pl.Int32).alias("part")) for i, p in enumerate(parts)
        ]
        self.samples = pl.concat(frames, how="diagonal")
        micros = self.samples["time"].dt.epoch("us").to_numpy()
        self.t_s: Floats = (micros - micros[0]) / 1e6 if len(micros) else np.empty(0)
        self.row_interval_s = float(np.median([p.row_interval_s for p in self.parts]))
        self.channels: Mapping[str, ChannelFacts] = MappingProxyType(_joined_facts(parts))

    @cached_property
    def segment(self) -> NDArray[np.int64]:
        """Number of the uninterrupted stretch each row belongs to, from 0."""
        step_s = np.diff(self.t_s, prepend=self.t_s[:1])
        part = self.samples["part"].to_numpy()
        new_part = np.diff(part, prepend=part[:1]) != 0
        joins = np.array([p.cut_before for p in self.parts])[part] & new_part
        limit_s = max(GAP_FLOOR_S, GAP_ROWS * self.row_interval_s)
        return np.cumsum((step_s > limit_s) & ~joins)

    @cached_property
    def segments(self) -> tuple[Span, ...]:
        """The uninterrupted stretches, in order."""
        if not len(self.t_s):
            return ()
        first = np.flatnonzero(np.diff(self.segment, prepend=-1))
        last = np.append(first[1:], len(self.t_s)) - 1
        return tuple(
            Span(float(self.t_s[a]), float(self.t_s[b])) for a, b in zip(first, last, strict=True)
        )

    @property
    def duration_s(self) -> float:
        """Seconds from first to last row, gaps included."""
        return float(self.t_s[-1]) if len(self.t_s) else 0.0

    def has(self, *names: str) -> bool:
        """True where every named channel is in the log and not blank throughout."""
        return self._filled.issuperset(names)

    @cached_property
    def _filled(self) -> frozenset[str]:
        return frozenset(n for n, facts in self.channels.items() if facts.present > 0)

    def interval_s(self, name: str) -> float:
        """Refresh interval of a channel in seconds; inf where it is not logged."""
        return self.channels[name].interval_s if self.has(name) else float("inf")

    def skew_s(self, name: str) -> float:
        """By how much a channel may be written late, as its layout states; 0 where not logged."""
        return self.channels[name].skew_s if name in self.channels else 0.0

    def numbers(self, name: str) -> Floats:
        """A number channel, held for its refresh; NaN is blank. All NaN if not logged."""
        return _numbers(self, name)

    def runs(self, name: str) -> Runs:
        """A switch (or the gear) as runs of equal value; blank is a value of its own."""
        return _runs(self, name)

    def at(self, name: str, t_s: float) -> float:
        """Value of a channel at the last row not after t_s; NaN if blank or before the start."""
        i = int(self.t_s.searchsorted(t_s + 1e-9, "right")) - 1
        return float(self.numbers(name)[i]) if i >= 0 else float("nan")

    def index(self, t_s: float) -> int:
        """Index of the first row at or after t_s (n where there is none)."""
        return int(self.t_s.searchsorted(t_s - 1e-9))

    def rows(self, span: Span) -> slice:
        """Rows within a span, its end left out."""
        return slice(self.index(span.start_s), self.index(span.end_s))

    def slice(self, span: Span) -> slice:
        """Rows within a span, both ends included."""
        t_s = self.t_s
        return slice(
            int(t_s.searchsorted(span.start_s - 1e-9)),
            int(t_s.searchsorted(span.end_s + 1e-9, "right")),
        )

    def when(self, name: str, value: int = 1) -> Intervals:
        """When a switch (or the gear) shows a value; nothing where it is not logged."""
        return self.runs(name).when(value)

    def where(self, flags: Flags, *, begin: int = 0, bridge_s: float = 0.0) -> Intervals:
        """Stretches of rows with a flag set, each ending at the first row without it.

        flags: of the rows from ``begin`` on; the rows around them have none. Stretches no
        more than bridge_s apart become one; none crosses a gap of the log.
        """
        on = np.flatnonzero(flags) + begin
        if not len(on):
            return NOTHING
        segment, t_s = self.segment[on], self.t_s
        begins = np.flatnonzero(
            (np.diff(on, prepend=-2) != 1) | (np.diff(segment, prepend=-1) != 0)
        )
        first, last = on[begins], on[np.append(begins[1:], len(on)) - 1]
        after = np.minimum(last + 1, len(t_s) - 1)
        within = (after > last) & (self.segment[after] == self.segment[last])
        start_s, end_s = t_s[first], np.where(within, t_s[after], t_s[last] + self.row_interval_s)
        apart = np.diff(self.segment[first], prepend=-1) != 0
        apart[1:] |= start_s[1:] - end_s[:-1] > bridge_s + EPSILON_S
        joined = np.flatnonzero(apart)
        return Intervals(start_s[joined], end_s[np.append(joined[1:], len(apart)) - 1])

    def blur_s(self, *names: str) -> float:
        """How far apart changes of these channels made at one instant may stand in the log.

        The slowest refresh of them and the largest skew their layout states.
        """
        facts = [self.channels[name] for name in names]
        return max(f.interval_s for f in facts) + max(f.skew_s for f in facts)

    def carried_forward(self, name: str, values: Floats) -> Floats:
        """Carry the last value over blanks for its refresh, never across a gap."""
        blank = np.isnan(values)
        if not blank.any() or blank.all():
            return values
        refresh_s = max(self.channels[name].interval_s, self.row_interval_s)
        hold_s = min(catalog()[name].max_hold_s, HOLD_REFRESHES * refresh_s)
        known = np.where(blank, -1, np.arange(len(values)))
        last = np.maximum.accumulate(known)
        fresh = (
            (last >= 0)
            & (self.t_s - self.t_s[np.maximum(last, 0)] <= hold_s + 1e-9)
            & (self.segment == self.segment[np.maximum(last, 0)])
        )
        return np.where(fresh, values[np.maximum(last, 0)], np.nan)


@once
def _numbers(ride: Ride, name: str) -> Floats:
    if name not in ride.samples.columns:
        return np.full(len(ride.t_s), np.nan)
    series = ride.samples[name]
    if series.dtype == pl.Boolean and not series.null_count():
        return series.to_numpy().astype(np.float64)
    return ride.carried_forward(name, series.cast(pl.Float64).to_numpy().astype(float))


@once
def _runs(ride: Ride, name: str) -> Runs:
    values: Floats | NDArray[np.bool_] = ride.numbers(name)
    series = ride.samples[name] if name in ride.samples.columns else None
    if series is not None and series.dtype == pl.Boolean and not series.null_count():
        values = series.to_numpy()
    return runs_of(ride.t_s, values, ride.segment, interval_s=ride.row_interval_s)


def _joined_facts(parts: Sequence[Part]) -> dict[str, ChannelFacts]:
    """Facts of a whole ride: slowest refresh, coarsest step, presence weighed by rows."""
    rows = sum(p.info.rows for p in parts) or 1
    names = dict.fromkeys(n for p in parts for n in p.info.channels)
    joined = {}
    for name in names:
        facts = [(p.info.rows, p.info.channels[name]) for p in parts if name in p.info.channels]
        joined[name] = ChannelFacts(
            interval_s=max(f.interval_s for _, f in facts),
            present=sum(n * f.present for n, f in facts) / rows,
            step=max(f.step for _, f in facts),
            skew_s=max(f.skew_s for _, f in facts),
            latched=any(f.latched for _, f in facts),
        )
    return joined
