"""The BIKE stage of a run: each bike's report, worked out anew or as it stands."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from ridecheck.batch.facts import BikeFacts
from ridecheck.batch.judging import Judged
from ridecheck.batch.registering import Registers
from ridecheck.bike.closed import closed_findings
from ridecheck.bike.counting import stands_for
from ridecheck.bike.diagnose import diagnose
from ridecheck.bike.page_facts import with_page_facts
from ridecheck.bike.verdict import assess
from ridecheck.core.model import BikeReport, RideResult, State
from ridecheck.rules import all_rules
from ridecheck.store.index import BikeRow, BikeRows, Known
from ridecheck.store.parts import list_parts
from ridecheck.store.results import read_results


def settled_as_of(
    asked: datetime | None,
    judged: Judged,
    known: Known,
    untouched: Collection[str],
) -> datetime | None:
    """The instant by which age counts: as asked, else the end of the newest dated ride."""
    ends = [end for end in judged.ends.values() if end is not None]
    for bike, row in known.bikes.items():
        if bike in untouched and row.report.last_data:
            ends.append(row.report.last_data)
    return asked or max(ends, default=None)


@dataclass(slots=True)
class Weighing:
    """Bikes weighed by one instant, results of one bike at a time: memory does not grow.

    errors: rules that ended in one. damaged: kept files that could not be read.
    """

    facts: BikeFacts
    judged: Judged
    registers: Registers
    as_of: datetime | None
    errors: set[str] = field(default_factory=set)
    damaged: set[str] = field(default_factory=set)

    def report(self, bike: str) -> BikeRows:
        """One bike's report, and for which instants it stands; not stamped yet."""
        facts, root = self.facts, self.facts.fleet.root
        results = self._results(bike)
        parts, damaged = list_parts(root, bike)
        self.damaged |= {f"rides/{bike}/{n}" for n in damaged}
        unjudged = [*self.judged.unjudged.get(bike, ()), *self._unreadable(bike)]
        context = facts.context(bike, unjudged, self.registers.of(bike))
        rules = all_rules()
        report = assess(results.values(), context, as_of=self.as_of, rules=rules)
        if facts.is_usable(bike):
            found = diagnose(
                results.values(),
                settings=facts.fleet.settings(bike),
                events=context.events,
                closed=closed_findings(list(results.values()), context),
                rules=rules,
            )
            report = replace(report, suspects=found.suspects, next_checks=found.next_checks)
        report = with_page_facts(
            report,
            results.values(),
            events=context.events,
            rules=rules,
            time_zone=context.time_zone,
        )
        since, until = stands_for(results.values(), context, self.as_of)
        self._note_errors(bike, results)
        rides_of = {p.part: r.ride for r in results.values() for p in r.parts}
        return BikeRows(
            row=BikeRow(report, "", since, until),
            results=list(results.values()),
            parts=parts,
            rides_of=rides_of | self.judged.rides_of,
        )

    def stamped(self, bike: str, rows: BikeRows) -> BikeRows:
        """Say that the report stands as long as nothing of what lies on the disk changes."""
        whole = bike not in self.judged.unjudged and not self._unreadable(bike)
        stamp = self.facts.stamp(bike) if whole else ""
        return replace(rows, row=replace(rows.row, stamp=stamp))

    def all_judged(self, bike: str) -> bool:
        """Whether every ride of this bike has its result."""
        whole = bike not in self.judged.unjudged and bike not in self.judged.missing
        return self.facts.is_usable(bike) and whole

    def rides_moved_from(self, bike: str) -> list[RideResult]:
        """Rides of other bikes that are made of parts filed under this one."""
        moves = self.facts.moves
        stems = {stem for (one, stem) in moves if one == bike}
        others = {b for b in moves.values() if b is not None and b != bike}
        return [
            ride
            for other in (sorted(others) if stems else ())
            for ride in self._results(other).values()
            if any(p.part in stems for p in ride.parts)
        ]

    def _results(self, bike: str) -> Mapping[str, RideResult]:
        results, damaged = read_results(self.facts.fleet.root, bike)
        self.damaged |= {f"results/{bike}/{n}" for n in damaged}
        return results

    def _unreadable(self, bike: str) -> list[str]:
        """Kept files of a bike that cannot be read, or are gone, a sentence each."""
        own = (f"rides/{bike}/", f"results/{bike}/")
        damaged = [f"{n} cannot be read" for n in sorted(self.damaged) if n.startswith(own)]
        return damaged + [f"{n} is missing" for n in sorted(self.judged.missing.get(bike, ()))]

    def _note_errors(self, bike: str, results: Mapping[str, RideResult]) -> None:
        """Where a rule ended in an error in a ride judged now."""
        for plan in self.judged.rides:
            result = results.get(plan.ride) if plan.bike == bike else None
            for outcome in result.rules if result else ():
                if outcome.state is State.ERROR:
                    self.errors.add(f"{bike}: {outcome.rule}: {outcome.reason}")


def standing(known: Known, bike: str, as_of: datetime | None) -> BikeReport | None:
    """The report of an untouched bike as worked out before, where it would come out the same."""
    kept = known.bikes.get(bike)
    return kept.report if kept is not None and kept.stands(as_of) else None
