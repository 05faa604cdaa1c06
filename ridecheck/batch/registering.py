"""The registers of dangers in a run: read, made again where lost, entered into, kept.

What lies on the disk is entered before anything is judged or removed, what is judged now
before the results it takes the place of go: a run that is killed at any instant loses none.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from ridecheck.batch.facts import BikeFacts
from ridecheck.bike.dangers import (
    gone_to,
    not_found_now,
    with_dangers,
)
from ridecheck.bike.signed import Entering, rule_named, with_signatures
from ridecheck.core.dangers import Entry, Found, Hold, Lost, Moved, Register
from ridecheck.core.model import BikeReport, Dating, RideResult, Severity, StoredFinding
from ridecheck.fleet.events import Event
from ridecheck.rules import all_rules
from ridecheck.store.index import Known
from ridecheck.store.parts import KeptPart
from ridecheck.store.register import KeptRegister, put_aside, read_register, write_register

NOT_KEPT = "a danger was found here; what was found is not kept any more"
"""What is said of an open danger of which the list of heads alone has its id."""


@dataclass(slots=True)
class Registers:
    """The registers of the bikes that a run touches. now: when entries are made."""

    facts: BikeFacts
    known: Known
    now: datetime
    by_bike: dict[str, Register] = field(default_factory=dict)

    def begin(
        self, bike: str, results: Sequence[RideResult], parts: Iterable[KeptPart] = ()
    ) -> Register:
        """Read a bike's register and enter what was signed and what its results hold.

        Where it is lost or was never there, it is made again: from what can be read of it,
        from results, from the last report, and from the ids that were open in it.
        """
        kept = read_register(self.facts.fleet.root, bike)
        restoring = bool(kept.wrong) or not kept.register.entries
        register = kept.register
        if restoring:
            since = {p.info.stem: p.first_seen for p in parts}
            register = self._with(bike, register, results, since)
            register = self._with_witnesses(bike, register, kept)
        signed = [e for e in self._events(bike) if e.kind != "misread"]
        register = with_signatures(
            register, signed, self._entering(bike, results, register, restoring=restoring)
        )
        register = self._with(bike, register, results)
        register = self._with_hold(bike, register)
        if kept.wrong:
            put_aside(self.facts.fleet.root, bike)
        self._keep(bike, register, kept)
        return register

    def enter(self, results: Iterable[RideResult]) -> None:
        """Enter the dangers of rides that were judged now."""
        for result in results:
            register = self.of(result.bike)
            self._put(result.bike, self._with(result.bike, register, [result]))

    def follow(self, homes: Mapping[str, str]) -> None:
        """Open dangers go with their rides; they stay open where they were.

        homes: stem -> the bike it belongs to now.
        """
        by_log: dict[str, set[str]] = {}
        for stem, bike in homes.items():
            by_log.setdefault(stem.split("-")[0], set()).add(bike)
        for bike in sorted(self.by_bike):
            for number, entry in self.of(bike).open.items():
                now = {homes[p] for p in entry.parts if p in homes} or {
                    b for log in entry.logs for b in by_log.get(log, ())
                }
                for other in sorted(now if bike not in now else ()):
                    self._move(bike, number, entry, other)

    def misread(self, bike: str, results: Sequence[RideResult]) -> None:
        """Enter what a person signed as never having been the bike's, once all is judged."""
        register = self.of(bike)
        events = [e for e in self._events(bike) if e.kind == "misread"]
        self._put(bike, with_signatures(register, events, self._entering(bike, results, register)))

    def of(self, bike: str) -> Register:
        """The register of a bike as it is now."""
        if bike not in self.by_bike:
            self.by_bike[bike] = read_register(self.facts.fleet.root, bike).register
        return self.by_bike[bike]

    # ---------------------------------------------------------------- inside

    def _with(
        self,
        bike: str,
        register: Register,
        results: Iterable[RideResult],
        since: Mapping[str, datetime] | None = None,
    ) -> Register:
        keys = self.facts.keys(bike)
        return with_dangers(register, results, at=self.now, keys=keys, known_since=since)

    def _with_witnesses(self, bike: str, register: Register, kept: KeptRegister) -> Register:
        """What was open by the last report and the list of heads, where nothing else has it."""
        row = self.known.bikes.get(bike)
        have = {e.finding for _, e in register.numbered() if isinstance(e, Found)}
        entries: list[Entry] = []
        for finding, report in _open_in(row.report if row else None):
            if finding.id not in have:
                have.add(finding.id)
                entries.append(_reported(finding, report, self.now))
        for ident in kept.head.open if kept.head else ():
            if ident not in have:
                entries.append(_named_alone(ident, bike, self.now))
        if kept.unread and kept.head is None and row is None:
            what = f"{kept.wrong}: {kept.unread} of its lines cannot be made again"
            entries.append(Lost(self.now, what))
        return register.with_entries(*entries)

    def _with_hold(self, bike: str, register: Register) -> Register:
        one = self.facts.fleet.bikes.get(bike)
        if one is None or self.facts.fleet.wrong(bike) or one.hold == register.hold:
            return register
        return register.with_entries(Hold(self.now, one.hold))

    def _move(self, bike: str, number: int, entry: Found, other: str) -> None:
        alone = Register((entry,))
        gone = gone_to(alone, self.of(other), other, logs=entry.logs, at=self.now)
        self._put(other, self.of(other).with_entries(*gone))
        register = self.of(bike)
        if register.moved_to(number) == other:
            return
        said = [
            e
            for e in self._events(bike)
            if e.kind == "assigned" and e.to == other and set(e.parts) & set(entry.parts)
        ]
        by, reason = (said[-1].by, said[-1].reason) if said else ("", "")
        self._put(
            bike, register.with_entries(Moved(self.now, (number,), other, by=by, reason=reason))
        )

    def _entering(
        self,
        bike: str,
        results: Sequence[RideResult],
        register: Register,
        *,
        restoring: bool = False,
    ) -> Entering:
        return Entering(
            bike=bike,
            now=self.now,
            zone=self.facts.fleet.time_zone,
            rules=all_rules(),
            keys=self.facts.keys(bike),
            gone=frozenset(not_found_now(register, results)),
            restoring=restoring,
        )

    def _events(self, bike: str) -> tuple[Event, ...]:
        one = self.facts.fleet.bikes.get(bike)
        return one.events if one else ()

    def _put(self, bike: str, register: Register) -> None:
        if register != self.of(bike):
            write_register(self.facts.fleet.root, bike, register)
            self.by_bike[bike] = register

    def _keep(self, bike: str, register: Register, kept: KeptRegister) -> None:
        lost_head = kept.head is None and register.entries
        if kept.wrong or lost_head or register != kept.register:
            write_register(self.facts.fleet.root, bike, register)
        self.by_bike[bike] = register


def _open_in(report: BikeReport | None) -> list[tuple[StoredFinding, BikeReport]]:
    """The open dangers of a report."""
    if report is None:
        return []
    danger = Severity.DANGER
    return [(f.finding, report) for f in report.findings if f.open and f.finding.severity is danger]


def _reported(finding: StoredFinding, report: BikeReport, now: datetime) -> Found:
    """An open danger of the last report, whose result is gone."""
    ride = next((r for r in report.rides if r.ride == finding.ride), None)
    dating: Dating = "none" if finding.start is None else "date"
    if ride is not None and ride.start_from != "name_date" and finding.start is not None:
        dating = "time"
    return Found(
        at=now,
        finding=finding.id,
        rule=finding.rule,
        ride=finding.ride,
        parts=tuple(p.part for p in ride.parts) if ride else (),
        dating=dating,
        start=finding.start,
        end=finding.end,
        start_s=finding.start_s,
        end_s=finding.end_s,
        message=finding.message,
        measured=finding.measured,
        limit=finding.limit,
        unit=finding.unit,
        channels=finding.channels,
        doubt=finding.doubt,
        restored=True,
    )


def _named_alone(ident: str, bike: str, now: datetime) -> Found:
    """An open danger of which nothing but its id is left."""
    rule = rule_named(ident, bike)
    start, place = None, ident.removeprefix(f"{bike}/{rule}/")
    try:
        start = datetime.fromisoformat(place)
    except ValueError:
        start = None
    return Found(
        at=now,
        finding=ident,
        rule=rule,
        ride="",
        parts=(),
        dating="none" if start is None else "time",
        start=start,
        end=start,
        start_s=0.0,
        end_s=0.0,
        message=NOT_KEPT,
        restored=True,
    )
