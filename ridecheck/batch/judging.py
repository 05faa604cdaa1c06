"""The rides of touched bikes: planned from their parts, judged where stale, old results gone."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from ridecheck.batch.facts import BikeFacts
from ridecheck.batch.registering import Registers
from ridecheck.batch.tasks import Crew, RideTask, slim
from ridecheck.core.model import RideResult
from ridecheck.intake.keep import is_fresh
from ridecheck.ride.judge import as_ride_of, judge_key
from ridecheck.ride.plan import RidePlan, placements, plan_rides, without_fingerprints
from ridecheck.store.parts import KeptPart, list_parts, part_path
from ridecheck.store.results import (
    read_result,
    read_results,
    remove_result,
    result_path,
    write_result,
)

Earlier = Mapping[str, Mapping[str, RideResult]]
"""Bike -> ride -> its stored result without the bulk."""


@dataclass(slots=True)
class Judged:
    """What became of the rides of a run.

    rides: those judged now. ends: (bike, ride) -> its end. rides_of: part -> ride. unjudged:
    bike -> why rides of it could not be judged; faults: those of them that are errors of
    ridecheck itself. damaged: kept files that could not be read; missing: bike -> kept files
    that are gone and that nothing can be made of.
    """

    rides: list[RidePlan] = field(default_factory=list)
    ends: dict[tuple[str, str], datetime | None] = field(default_factory=dict)
    rides_of: dict[str, str] = field(default_factory=dict)
    unjudged: dict[str, list[str]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    damaged: set[str] = field(default_factory=set)
    missing: dict[str, list[str]] = field(default_factory=dict)


def judge(facts: BikeFacts, touched: Collection[str], crew: Crew, registers: Registers) -> Judged:
    """Plan the rides of touched bikes and judge those whose key has changed.

    Dangers are entered in the registers before a result they lie in is written over or goes.
    """
    judged = Judged()
    parts = {b: _listed(facts, b, judged) for b in sorted(touched)}
    earlier = {b: _earlier(facts, b, parts[b], judged, registers) for b in parts}
    plans = _planned(facts, earlier, parts, judged)
    found = []
    for done in crew.rides(list(plans.tasks(earlier, judged, registers))):
        bike = done.plan.bike
        if done.slim is not None:
            judged.rides.append(done.plan)
            judged.ends[bike, done.plan.ride] = done.slim.end
            found.append(done.slim)
        elif done.damaged:
            judged.damaged.add(done.damaged)
            judged.unjudged.setdefault(bike, []).append(f"{done.damaged} cannot be read")
        else:
            judged.faults.append(done.fault)
            judged.unjudged.setdefault(bike, []).append(done.fault)
    registers.enter(found)
    registers.follow(plans.homes)
    plans.remove_stale(earlier, judged)
    for bike in earlier:
        registers.misread(bike, list(read_results(facts.fleet.root, bike)[0].values()))
    return judged


def on_disk(root: Path, bikes: Collection[str]) -> Judged:
    """What is known of rides where nothing is planned or judged."""
    judged = Judged()
    for bike in bikes:
        results, damaged = read_results(root, bike)
        judged.ends |= {(bike, r.ride): r.end for r in results.values()}
        judged.damaged |= {f"results/{bike}/{n}" for n in damaged}
    return judged


def _listed(facts: BikeFacts, bike: str, judged: Judged) -> tuple[KeptPart, ...]:
    """The parts kept in a bike's folder."""
    parts, damaged = list_parts(facts.fleet.root, bike)
    judged.damaged |= {f"rides/{bike}/{n}" for n in damaged}
    return parts


def _earlier(
    facts: BikeFacts,
    bike: str,
    parts: Sequence[KeptPart],
    judged: Judged,
    registers: Registers,
) -> dict[str, RideResult]:
    """Stored results without the bulk; what lies in them is entered in the bike's register."""
    results, damaged = read_results(facts.fleet.root, bike)
    judged.damaged |= {f"results/{bike}/{n}" for n in damaged}
    slims = {name: slim(ride) for name, ride in results.items()}
    registers.begin(bike, list(slims.values()), parts)
    judged.ends |= {(bike, name): ride.end for name, ride in slims.items()}
    return slims


def _planned(
    facts: BikeFacts,
    earlier: Earlier,
    parts: Mapping[str, Sequence[KeptPart]],
    judged: Judged,
) -> "_Plans":
    """The rides that the parts of the touched bikes make."""
    every = [p for own in parts.values() for p in own]
    placed = placements(every, facts.moves)
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
    return _Plans(
        facts,
        by_bike,
        older=frozenset(p.info.stem for p in every if not is_fresh(facts.fleet, p)),
        homes={p.info.stem: bike for bike, own in placed.items() for p in own},
        logs=frozenset(n for p in every for n in (*p.names, p.info.stem.split("-")[0])),
    )


@dataclass(frozen=True, slots=True)
class _Plans:
    """The rides to be.

    older: stems of parts read with an older layout than today's. homes: stem -> its bike.
    logs: names and first twelve hash digits of all logs that gave a part.
    """

    facts: BikeFacts
    by_bike: Mapping[str, tuple[RidePlan, ...]]
    older: frozenset[str]
    homes: Mapping[str, str]
    logs: frozenset[str]

    def tasks(self, earlier: Earlier, judged: Judged, registers: Registers) -> Iterator[RideTask]:
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
                    self._stands(plan, earlier[bike], shared, judged, registers)
                elif self.facts.is_usable(bike):
                    yield from self._task(plan, earlier[bike])

    def _task(self, plan: RidePlan, own: Mapping[str, RideResult]) -> Iterator[RideTask]:
        facts = self.facts
        key = judge_key(
            plan,
            facts.fleet.settings(plan.bike),
            older_layout=self.older,
            comfort_rules=facts.comfort_rules,
        )
        if plan.ride not in own or own[plan.ride].judge_key != key:
            older = self.older & set(plan.stems)
            yield RideTask(facts.fleet.root, plan, key, older, facts.comfort_rules)

    def _stands(
        self,
        plan: RidePlan,
        own: Mapping[str, RideResult],
        shared: Sequence[RideResult],
        judged: Judged,
        registers: Registers,
    ) -> None:
        """A ride whose samples are thinned keeps its result, on whichever bike it is now."""
        if plan.ride not in own and shared:
            root, first = self.facts.fleet.root, shared[0]
            whole = as_ride_of(read_result(result_path(root, first.bike, first.ride)), plan)
            write_result(root, whole)
            judged.ends[plan.bike, plan.ride] = whole.end
            registers.enter([slim(whole)])

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
                if ride in planned or not there:
                    continue
                if not heirs and (lost := self._lost(bike, result)):
                    gone = [f"rides/{bike}/{p.name}" for p in lost if not p.is_file()]
                    judged.missing.setdefault(bike, []).extend(gone)
                    continue
                remove_result(root, bike, ride)
                del judged.ends[bike, ride]
        for bike, plans in self.by_bike.items():
            if not self.facts.is_usable(bike):
                continue
            for plan in plans:
                path = result_path(root, bike, plan.ride)
                if not path.is_file() and bike not in judged.unjudged:
                    judged.missing.setdefault(bike, []).append(f"results/{bike}/{path.name}")

    def _lost(self, bike: str, result: RideResult) -> list[Path]:
        """Parts of a ride that nobody took away: neither dropped nor given by a log anew."""
        if any(
            (bike, p.part) in self.facts.moves
            or p.log in self.logs
            or p.part.split("-")[0] in self.logs
            for p in result.parts
        ):
            return []
        return [part_path(self.facts.fleet.root, bike, p.part) for p in result.parts]
