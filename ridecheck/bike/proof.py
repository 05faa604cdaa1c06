"""Has it become less: the rides before a repair against those after it.

Uncommanded cancels are counted over engaged kilometres, short pulses and signal dropouts over
all kilometres. Events come in bursts (a wet stretch, a rough road), so those within 15 minutes
or 10 km of one another count as one; what is compared is bursts. Only dated rides that fit the
model count, as for release.

A repair ends what went before it: "before" begins at the repair before, "after" ends at the next.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from ridecheck.bike.counting import may_count
from ridecheck.core.model import BeforeAfter, MetAgain, Outcome, Repair, RideResult, Severity
from ridecheck.core.sequential import (
    SETTLED,
    clean_exposure_needed,
    evidence_of_fewer,
)
from ridecheck.core.statistics import conditional_test
from ridecheck.fleet.events import Event

BURST_S, BURST_KM = 900.0, 10.0
"""Events no further apart than this are one burst: one shower, one bad road (common practice)."""
DROPOUT_RULES = ("speed/signal-lost", "drivetrain/engine-speed-lost")
FEWEST_BURSTS = 2
"""One event can hardly ever be shown to be gone: it takes 23 times the kilometres before it."""
CONDITION = "occasion."
"""Measures of a ride that say how long cruise was held in an occasion, and what ended there."""


@dataclass(frozen=True, slots=True)
class Moment:
    """When and where an event came: seconds since 1970, kilometres since the first ride."""

    at_s: float
    at_km: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """Rides of one side of a repair, in time order."""

    rides: tuple[RideResult, ...]

    @property
    def engaged_km(self) -> float:
        """Kilometres with cruise held."""
        return math.fsum(r.engaged_km for r in self.rides)

    @property
    def km(self) -> float:
        """All kilometres."""
        return math.fsum(r.distance_km for r in self.rides)

    @property
    def engaged_h(self) -> float:
        """Hours with cruise held."""
        return math.fsum(r.engaged_s for r in self.rides) / 3600.0

    def hold_kmh(self) -> float | None:
        """Unsteadiness of speed while cruise held, weighed by time; None where none was."""
        known = [
            (r.measures["hold.unsteady_kmh"], r.measures["hold.seconds"])
            for r in self.rides
            if r.measures.get("hold.seconds", 0.0) > 0.0
        ]
        seconds = math.fsum(s for _, s in known)
        return math.fsum(v * s for v, s in known) / seconds if seconds else None


def repairs(
    results: Iterable[RideResult],
    events: Sequence[Event],
    *,
    zone: str,
    closed: frozenset[str] = frozenset(),
) -> tuple[Repair, ...]:
    """One record for each repair event, in time order. closed: ids of closed findings."""
    rides = sorted((r for r in results if may_count(r)), key=lambda r: (str(r.start), r.ride))
    done = sorted((e for e in events if e.kind == "repair"), key=lambda e: e.instant(zone))
    return tuple(
        _compared(
            event,
            Stretch(tuple(_between(rides, done[i - 1] if i else None, event, zone))),
            Stretch(
                tuple(_between(rides, event, done[i + 1] if i + 1 < len(done) else None, zone))
            ),
            rides=rides,
            zone=zone,
            closed=closed,
        )
        for i, event in enumerate(done)
    )


def _between(
    rides: Sequence[RideResult], since: Event | None, until: Event | None, zone: str
) -> Iterator[RideResult]:
    """Rides that lie wholly after one repair and before the next."""
    for ride in rides:
        if ride.start is None or ride.end is None:
            continue  # undated rides never count
        later = since is None or ride.start >= _ends(since, zone)
        if later and (until is None or ride.end <= until.instant(zone)):
            yield ride


def _ends(event: Event, zone: str) -> datetime:
    """When a repair was over: a day alone may have been any time of that day."""
    if isinstance(event.when, datetime):
        return event.instant(zone)
    day = event.when + timedelta(days=1)
    return datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone))


def _compared(
    event: Event,
    before: Stretch,
    after: Stretch,
    *,
    rides: Sequence[RideResult],
    zone: str,
    closed: frozenset[str],
) -> Repair:
    counts = tuple(_counts(before, after))
    decides = _deciding(counts)
    dangers = {
        f.rule
        for r in rides
        for f in r.findings
        if f.severity is Severity.DANGER and f.id not in closed
    }
    return Repair(
        when=event.instant(zone),
        day_alone=not isinstance(event.when, datetime),
        part=event.part,
        note=event.note,
        by=event.by,
        rides_before=len(before.rides),
        rides_after=len(after.rides),
        engaged_km_before=before.engaged_km,
        engaged_km_after=after.engaged_km,
        engaged_h_before=before.engaged_h,
        engaged_h_after=after.engaged_h,
        counts=counts,
        decides=decides.what if decides else None,
        hold_before_kmh=before.hold_kmh(),
        hold_after_kmh=after.hold_kmh(),
        met_again=tuple(_met_again(before, after)),
        dangers=tuple(sorted(dangers)),
        outcome="danger" if dangers else _outcome(decides),
    )


# ------------------------------------------------------------------ counting


def _counts(before: Stretch, after: Stretch) -> Iterator[BeforeAfter]:
    """What both sides can be counted for: cancels, then short pulses, then dropouts."""
    yield _count("uncommanded_cancels", "engaged_km", before, after)
    if any(_pulse_measures(r) for r in (*before.rides, *after.rides)):
        yield _count("short_pulses", "km", before, after)
    if any(_moments("signal_dropouts", side.rides) for side in (before, after)):
        yield _count("signal_dropouts", "km", before, after)


def _count(what: str, per: str, before: Stretch, after: Stretch) -> BeforeAfter:
    sides = [(s.engaged_km if per == "engaged_km" else s.km) for s in (before, after)]
    events, bursts = zip(*(_events_and_bursts(what, s.rides) for s in (before, after)), strict=True)
    then, now = (bursts[0], sides[0]), (bursts[1], sides[1])
    more = clean_exposure_needed(then, now)
    compared = then[1] > 0.0 and now[1] > 0.0
    return BeforeAfter(
        what=what,  # type: ignore[arg-type]
        per=per,  # type: ignore[arg-type]
        km_before=sides[0],
        km_after=sides[1],
        events_before=events[0],
        events_after=events[1],
        bursts_before=bursts[0],
        bursts_after=bursts[1],
        evidence=evidence_of_fewer(then, now),
        one_look=conditional_test(then, now, alternative="greater") if compared else 1.0,
        more_km=more if math.isfinite(more) else None,
    )


def _events_and_bursts(what: str, rides: Sequence[RideResult]) -> tuple[int, int]:
    if what == "short_pulses":  # counted in the RIDE stage, bursts too
        found = [_pulse_measures(r) for r in rides]
        return sum(n for n, _ in found), sum(b for _, b in found)
    moments = _moments(what, rides)
    return len(moments), bursts(moments)


def _pulse_measures(ride: RideResult) -> tuple[int, int]:
    """Short pulses of all switches in a ride, and their bursts."""
    values = [
        (int(v), int(ride.measures.get(f"short_pulse_bursts.{name.partition('.')[2]}", v)))
        for name, v in ride.measures.items()
        if name.startswith("short_pulses.")
    ]
    return sum(n for n, _ in values), sum(b for _, b in values)


def _moments(what: str, rides: Sequence[RideResult]) -> list[Moment]:
    """When and where events came, in order; kilometres are spread evenly over a ride."""
    found, km = [], 0.0
    for ride in rides:
        if what == "uncommanded_cancels":
            at_s = sorted(c.t_s for c in ride.cancels if c.commanded is False)
        else:
            at_s = sorted(f.start_s for f in ride.findings if f.rule in DROPOUT_RULES)
        offset_s = ride.start.timestamp() if ride.start else 0.0
        pace = ride.distance_km / ride.duration_s if ride.duration_s > 0.0 else 0.0
        found += [Moment(offset_s + t_s, km + pace * t_s) for t_s in at_s]
        km += ride.distance_km
    return found


def bursts(moments: Sequence[Moment]) -> int:
    """How many bursts events make: one within 15 minutes or 10 km of the one before joins it."""
    count, last = 0, None
    for moment in moments:
        near = last is not None and (
            moment.at_s - last.at_s <= BURST_S or moment.at_km - last.at_km <= BURST_KM
        )
        count += not near
        last = moment
    return count


# ------------------------------------------------------------------ what it comes to


def _deciding(counts: Sequence[BeforeAfter]) -> BeforeAfter | None:
    """What the outcome rests on, chosen by the rides before alone: what settles it soonest."""
    shown = [c for c in counts if c.bursts_before]
    if not shown:
        return None

    def share(c: BeforeAfter) -> float:
        return clean_exposure_needed((c.bursts_before, 1.0))

    return min(shown, key=lambda c: (share(c), counts.index(c)))


def _outcome(decides: BeforeAfter | None) -> Outcome:
    """Cured, less, again, clean so far, or not to be shown by riding."""
    if decides is None:
        return "nothing_before"
    settled = decides.evidence >= SETTLED
    if decides.bursts_after:
        return "less" if settled else "again"
    if settled:
        return "fixed"
    return "too_few" if decides.bursts_before < FEWEST_BURSTS else "clean_so_far"


def _met_again(before: Stretch, after: Stretch) -> Iterator[MetAgain]:
    """Occasions in which uncommanded cancels came before, and how long they were met since."""
    names = sorted(
        {
            name.removeprefix(CONDITION).rpartition(".")[0]
            for ride in before.rides
            for name, value in ride.measures.items()
            if name.startswith(CONDITION) and name.endswith(".uncommanded") and value > 0
        }
    )
    for occasion in names:
        key = f"{CONDITION}{occasion}"
        cancels = sum(int(r.measures.get(f"{key}.uncommanded", 0.0)) for r in before.rides)
        known = [
            r.measures[f"{key}.seconds"] for r in after.rides if f"{key}.seconds" in r.measures
        ]
        yield MetAgain(occasion, cancels, math.fsum(known) / 3600.0 if known else None)
