"""The rides of touched bikes: planned from their parts, judged where stale, old results gone."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from ridecheck.batch.facts import BikeFacts
from ridecheck.batch.tasks import Crew, RideTask
from ridecheck.bike.closed import closed_findings
from ridecheck.bike.counting import is_forgotten
from ridecheck.core.model import RideResult, Severity
from ridecheck.intake.keep import is_fresh
from ridecheck.ride.judge import as_ride_of, judge_key
from ridecheck.ride.plan import RidePlan, placements, plan_rides, without_fingerprints
from ridecheck.rules import all_rules
from ridecheck.store.parts import KeptPart, list_parts, remove_part
from ridecheck.store.results import (
    read_result,
    read_results,
    remove_result,
    result_path,
    write_result,
)

Earlier = Mapping[str, Mapping[str, RideResult]]
"""Bike -> ride -> what was found in it before, open dangers alone."""


@dataclass(slots=True)
class Judged:
    """What became of the rides of a run.

    rides: those judged now. ends: (bike, ride) -> its end. rides_of: part -> ride. unjudged:
    bike -> why rides of it could not be judged; faults: all such reasons. damaged: kept files
    that could not be read.
    """

    rides: list[RidePlan] = field(default_factory=list)
    ends: dict[tuple[str, str], datetime | None] = field(default_factory=dict)
    rides_of: dict[str, str] = field(default_factory=dict)
    unjudged: dict[str, list[str]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    damaged: set[str] = field(default_factory=set)


def judge(facts: BikeFacts, touched: Collection[str], crew: Crew) -> Judged:
    """Plan the rides of touched bikes and judge those whose key has changed."""
    judged = Judged()
    earlier = {b: _earlier(facts, b, judged) for b in sorted(touched)}
    plans = _planned(facts, earlier, judged)
    for done in crew.rides(list(plans.tasks(earlier, judged))):
        if done.fault:
            judged.faults.append(done.fault)
            judged.unjudged.setdefault(done.plan.bike, []).append(done.fault)
        else:
            judged.rides.append(done.plan)
            judged.ends[done.plan.bike, done.plan.ride] = done.end
    plans.remove_stale(earlier, judged)
    return judged


def on_disk(root: Path, bikes: Collection[str]) -> Judged:
    """What is known of rides where nothing is planned or judged."""
    judged = Judged()
    for bike in bikes:
        results, damaged = read_results(root, bike)
        judged.ends |= {(bike, r.ride): r.end for r in results.values()}
        judged.damaged |= set(damaged)
    return judged


def _earlier(facts: BikeFacts, bike: str, judged: Judged) -> dict[str, RideResult]:
    """Stored results without the bulk: keys, parts, and findings that are open dangers.

    What was kept of a forgotten ride for its danger goes once that is signed off.
    """
    root = facts.fleet.root
    results, damaged = read_results(root, bike)
    judged.damaged |= set(damaged)
    closed = closed_findings(list(results.values()), facts.context(bike), all_rules())
    earlier = {}
    for name, ride in results.items():
        dangers = tuple(
            f for f in ride.findings if f.id not in closed and f.severity is Severity.DANGER
        )
        if is_forgotten(ride) and not dangers:
            for part in ride.parts:
                remove_part(root, bike, part.part)
            remove_result(root, bike, name)
            continue
        judged.ends[bike, name] = ride.end
        earlier[name] = replace(
            ride, findings=dangers, cancels=(), rules=(), channels={}, measures={}, notes=()
        )
    return earlier


def _planned(facts: BikeFacts, earlier: Earlier, judged: Judged) -> "_Plans":
    """The rides that the parts of the touched bikes make."""
    parts: list[KeptPart] = []
    for bike in earlier:
        listed, damaged = list_parts(facts.fleet.root, bike)
        parts += listed
        judged.damaged |= set(damaged)
    placed = placements(parts, facts.moves)
    by_bike = {}
    for bike in earlier:
        own = placed.get(bike, ())
        thinned = {p.info.stem for p in own if p.info.thinned}
        standing = {
            part.part: r.ride
            for r in earlier[bike].values()
            for part in r.parts
            if part.part in thinned
        }
        plans = plan_rides(bike, own, thinned_rides=standing)
        by_bike[bike] = tuple(without_fingerprints(p) for p in plans)
        judged.rides_of |= {stem: p.ride for p in plans for stem in p.stems}
    older = frozenset(p.info.stem for p in parts if not is_fresh(facts.fleet, p))
    return _Plans(facts, by_bike, older)


@dataclass(frozen=True, slots=True)
class _Plans:
    """The rides to be. older: stems of parts read with an older layout than today's."""

    facts: BikeFacts
    by_bike: Mapping[str, tuple[RidePlan, ...]]
    older: frozenset[str]

    def tasks(self, earlier: Earlier, judged: Judged) -> Iterator[RideTask]:
        """The tasks of judging rides whose result is not there or stale."""
        by_stem: dict[str, list[RideResult]] = {}
        for results in earlier.values():
            for result in results.values():
                for part in result.parts:
                    by_stem.setdefault(part.part, []).append(result)
        for bike, plans in sorted(self.by_bike.items()):
            for plan in plans:
                met = {(r.bike, r.ride): r for s in plan.stems for r in by_stem.get(s, ())}
                shared = tuple(met[k] for k in sorted(met))
                if plan.frozen:
                    self._stands(plan, earlier[bike], shared, judged)
                elif self.facts.is_usable(bike):
                    yield from self._task(plan, earlier[bike], shared)

    def _task(
        self, plan: RidePlan, own: Mapping[str, RideResult], shared: tuple[RideResult, ...]
    ) -> Iterator[RideTask]:
        facts = self.facts
        key = judge_key(
            plan,
            facts.fleet.settings(plan.bike),
            older_layout=self.older,
            comfort_rules=facts.comfort_rules,
        )
        if plan.ride not in own or own[plan.ride].judge_key != key:
            older = self.older & set(plan.stems)
            yield RideTask(facts.fleet.root, plan, key, older, shared, facts.comfort_rules)

    def _stands(
        self,
        plan: RidePlan,
        own: Mapping[str, RideResult],
        shared: Sequence[RideResult],
        judged: Judged,
    ) -> None:
        """A ride whose samples are thinned keeps its result, on whichever bike it is now."""
        if plan.ride not in own and shared:
            root, first = self.facts.fleet.root, shared[0]
            whole = read_result(result_path(root, first.bike, first.ride))
            write_result(root, as_ride_of(whole, plan))
            judged.ends[plan.bike, plan.ride] = whole.end

    def remove_stale(self, earlier: Earlier, judged: Judged) -> None:
        """Results of rides that are no more go, once all that took their place are there."""
        root = self.facts.fleet.root
        taken_by: dict[str, list[RidePlan]] = {}
        for plans in self.by_bike.values():
            for plan in plans:
                for stem in plan.stems:
                    taken_by.setdefault(stem, []).append(plan)
        for bike, results in earlier.items():
            planned = {p.ride for p in self.by_bike[bike]}
            for ride, result in results.items():
                heirs = [p for part in result.parts for p in taken_by.get(part.part, ())]
                there = all(result_path(root, p.bike, p.ride).is_file() for p in heirs)
                if ride not in planned and there:
                    remove_result(root, bike, ride)
                    del judged.ends[bike, ride]
