"""What a bike's events say: priors that move, and results of the bench."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Protocol

from ridecheck.bike.checks import Check, checks
from ridecheck.bike.diagnose.causes import Cause, Knowledge, MovedBy
from ridecheck.bike.diagnose.posterior import moved_priors

REPAIRED = 0.3
"""A part that was repaired before the fault showed is suspected less (common practice)."""
OK_WORDS = frozenset({"ok", "good", "pass", "passed", "fine", "clean", "nothing found"})
FAULT_WORDS = frozenset({"fault", "faulty", "bad", "fail", "failed", "defect", "not ok"})


class EventLike(Protocol):
    """What is read of an event of the bike's file (ridecheck.fleet.events.Event has it)."""

    @property
    def when(self) -> datetime | date: ...  # noqa: D102
    @property
    def kind(self) -> str: ...  # noqa: D102
    @property
    def part(self) -> str: ...  # noqa: D102
    @property
    def note(self) -> str: ...  # noqa: D102
    @property
    def check(self) -> str: ...  # noqa: D102
    @property
    def result(self) -> str: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class Bench:
    """A check that was done since the fault showed. part "" where none was named."""

    check: Check
    found_fault: bool
    part: str

    def chance(self, cause: Cause) -> float:
        """Chance that the check shows a cause; only of the named part, if one was named."""
        if self.found_fault and self.part and cause.part != self.part:
            return 0.0
        return cause.found_chance(self.check.id)


@dataclass(frozen=True, slots=True)
class Moved:
    """Priors after the bike's events, and for each cause the events that moved it up."""

    priors: Mapping[str, float]
    reasons: Mapping[str, tuple[str, ...]]


class History:
    """The events of one bike, seen from its first open finding (None: undated)."""

    def __init__(
        self,
        events: Iterable[EventLike],
        *,
        first_open: datetime | None,
        throttle: str,
        known: Knowledge,
    ) -> None:
        self.events = sorted(events, key=lambda e: instant(e.when))
        self.first_open = first_open
        self.throttle = throttle
        self.known = known

    def moved(self) -> Moved:
        """Priors over the causes, summing to 1, with what moved them."""
        weights = {c.id: c.weight for c in self.known.causes.values()}
        times: list[Mapping[str, float]] = []
        share: dict[str, float] = {}
        reasons: dict[str, list[str]] = {}
        for event in self._before():
            if event.kind == "repair":
                times.append({c.id: REPAIRED for c in self.known.of_part(event.part)})
            for move in self.known.moved_by:
                if not self._applies(move, event):
                    continue
                times.append(move.times)
                share |= move.share
                for cause in [*move.times, *move.share]:
                    reasons.setdefault(cause, []).append(_told(event))
        once = _each_factor_once(times)
        return Moved(
            moved_priors(weights, times=[once], share=share),
            {cause: tuple(dict.fromkeys(worded)) for cause, worded in reasons.items()},
        )

    def _before(self) -> Sequence[EventLike]:
        if self.first_open is None:
            return self.events
        # An event with a date alone may have come at any hour of its day.
        return [e for e in self.events if instant(e.when) <= self.first_open]

    def _applies(self, move: MovedBy, event: EventLike) -> bool:
        if event.kind != move.kind or move.throttle not in ("", self.throttle):
            return False
        if self.first_open is not None:
            age = self.first_open - instant(event.when)
            if age > timedelta(days=move.within_days):
                return False
        said = set(re.findall(r"[a-z]+", f"{event.part} {event.note}".replace("_", " ").lower()))
        return not move.words or bool(said & set(move.words))

    def bench(self) -> tuple[Bench, ...]:
        """The last usable result of each check done since the fault first showed."""
        found: dict[str, Bench] = {}
        for event in self.events:
            if event.kind != "checked" or event.check not in checks():
                continue
            if self.first_open is not None and _end_of_day(event.when) < self.first_open:
                continue
            word = event.result.strip().lower().rstrip(".")
            if word in OK_WORDS | FAULT_WORDS:
                part = event.part if event.part in self.known.parts else ""
                found[event.check] = Bench(checks()[event.check], word in FAULT_WORDS, part)
        return tuple(found.values())


def instant(when: datetime | date) -> datetime:
    """An event's instant; a date alone counts from its first moment, UTC."""
    if isinstance(when, datetime):
        return when if when.tzinfo else when.replace(tzinfo=UTC)
    return datetime(when.year, when.month, when.day, tzinfo=UTC)


def _end_of_day(when: datetime | date) -> datetime:
    extra = timedelta(0) if isinstance(when, datetime) else timedelta(days=1)
    return instant(when) + extra


def _each_factor_once(times: Sequence[Mapping[str, float]]) -> dict[str, float]:
    """Three washes move a prior as one does: the strongest factor of a cause counts."""
    raised: dict[str, float] = {}
    lowered: dict[str, float] = {}
    for factors in times:
        for cause, factor in factors.items():
            if factor >= 1.0:
                raised[cause] = max(raised.get(cause, 1.0), factor)
            else:
                lowered[cause] = min(lowered.get(cause, 1.0), factor)
    return {c: raised.get(c, 1.0) * lowered.get(c, 1.0) for c in raised | lowered}


def _told(event: EventLike) -> str:
    day = instant(event.when).date().isoformat()
    note = event.note or event.part.replace("_", " ")
    return f"noted {day}: {event.kind}" + (f", {note}" if note else "")
