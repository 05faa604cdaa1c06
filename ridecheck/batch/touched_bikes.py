"""The bikes of a run: which are touched, what rides they have, what is said of them."""

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from ridecheck.batch.freshness import code_version, layouts_key
from ridecheck.batch.tasks import Crew, RideTask
from ridecheck.bike.diagnose import diagnose
from ridecheck.bike.verdict import Context, assess, closed_findings, is_forgotten, stands_for
from ridecheck.core.model import BikeReport, RideResult, Severity, State
from ridecheck.fleet import Fleet
from ridecheck.intake.keep import is_fresh
from ridecheck.ride.judge import as_ride_of, judge_key, settings_json
from ridecheck.ride.plan import RidePlan, placements, plan_rides, without_fingerprints
from ridecheck.rules import all_rules
from ridecheck.store.index import BikeRow, BikeRows, Known
from ridecheck.store.parts import KeptPart, list_parts, remove_part
from ridecheck.store.results import (
    canonical,
    read_result,
    read_results,
    remove_result,
    result_path,
    write_result,
)


class Bikes:
    """The bikes of a run. In order: judge, settle_as_of, then each bike standing or weighed.

    touched: bikes whose parts were changed by logs; those whose settings or events
    changed are found here. faults: errors of ridecheck itself; errors: rules that ended
    in one; damaged: kept files that could not be read. Results are held for one bike at
    a time: memory does not grow with them.
    """

    def __init__(
        self,
        fleet: Fleet,
        known: Known,
        crew: Crew,
        *,
        touched: Iterable[str] = (),
        comfort_rules: bool = True,
    ) -> None:
        self.root, self.fleet, self.known, self.crew = fleet.root, fleet, known, crew
        self.comfort_rules = comfort_rules
        self.faults: list[str] = []
        self.damaged: set[str] = set()
        self.errors: set[str] = set()
        self.judged: list[RidePlan] = []
        self.unjudged: dict[str, list[str]] = {}
        self.as_of: datetime | None = None
        self.moves = _moves(fleet)
        self.models = _bikes_by_model(fleet)
        self.placed: dict[str, list[KeptPart]] = {}
        self.plans: dict[str, tuple[RidePlan, ...]] = {}
        self.older: frozenset[str] = frozenset()
        self._ends: dict[tuple[str, str], datetime | None] = {}
        self._rides_of: dict[str, str] = {}
        folders = [f for n in ("rides", "results") if (f := self.root / n).is_dir()]
        on_disk = {p.name for f in folders for p in f.iterdir() if p.is_dir() and any(p.iterdir())}
        self.bikes = sorted({*fleet.bikes, *on_disk})
        self.touched = self._touched(set(touched))

    def _touched(self, by_logs: set[str]) -> set[str]:
        """Bikes with new parts or other settings, and all that a moved ride links to them."""
        kept = self.known.bikes
        stale = {b for b in self.bikes if b not in kept or kept[b].stamp != self._stamp(b)}
        touched = (by_logs | stale) & set(self.bikes)
        linked = {b for (b, _) in self.moves} | {b for b in self.moves.values() if b}
        return touched | (linked & set(self.bikes) if touched & linked else set())

    def _stamp(self, bike: str) -> str:
        """Changes with everything, besides as_of, that a bike's report depends on."""
        wrong = [str(m) for m in self.fleet.wrong(bike)]
        known = bike in self.fleet.bikes
        settings = settings_json(self.fleet.settings(bike)) if known and not wrong else None
        context = self._context(bike)
        content = {
            "code": code_version(),
            "files": _listing(self.root, bike),
            "settings": settings,
            "comfort_rules": self.comfort_rules,
            "wrong": wrong,
            "moves": sorted([*k, v or ""] for k, v in self.moves.items()),
            "layouts": layouts_key(self.fleet),
            "events": [repr(e) for e in context.events],
            "context": [
                context.label,
                context.model,
                context.rides,
                context.days,
                context.data_max_age_days,
                list(context.must_assess),
                context.time_zone,
                {m: list(b) for m, b in context.bikes_by_model.items()},
            ],
        }
        return hashlib.sha256(canonical(content)).hexdigest()

    def _context(self, bike: str) -> Context:
        one = self.fleet.bikes.get(bike)
        wrong = [f"a file of this bike is wrong: {m}" for m in self.fleet.wrong(bike)]
        if one is None:
            wrong = [f"there is no file bikes/{bike}.toml any more"]
        wrong += [f"not judged: {reason}" for reason in self.unjudged.get(bike, ())]
        model = self.fleet.models.get(one.model) if one else None
        limits = self.fleet.verdict
        return Context(
            bike=bike,
            label=one.label if one else "",
            model=one.model if one else "",
            rides=limits.rides,
            days=limits.days,
            data_max_age_days=limits.data_max_age_days,
            must_assess=limits.must_assess,
            events=one.events if one else (),
            cruise_fitted=model.cruise.fitted if model else None,
            wrong=tuple(wrong),
            bikes_by_model=self.models,
            time_zone=self.fleet.time_zone,
        )

    # ---------------------------------------------------------------- RIDE stage

    def judge(self) -> int:
        """Plan the rides of touched bikes, judge those whose key has changed; how many."""
        old = {b: self._earlier(b) for b in sorted(self.touched)}
        self._plan(old)
        tasks = list(self._tasks(old))
        for done in self.crew.rides(tasks):
            if done.fault:
                self.faults.append(done.fault)
                self.unjudged.setdefault(done.plan.bike, []).append(done.fault)
            else:
                self.judged.append(done.plan)
                self._ends[done.plan.bike, done.plan.ride] = done.end
        self._remove_stale(old)
        return len(self.judged)

    def _earlier(self, bike: str) -> dict[str, RideResult]:
        """Stored results without the bulk: keys, parts, and findings that are open dangers.

        What was kept of a forgotten ride for its danger goes once that is signed off.
        """
        results = self._results(bike)
        context = self._context(bike)
        closed = closed_findings(list(results.values()), context, all_rules())
        earlier = {}
        for name, ride in results.items():
            dangers = tuple(
                f for f in ride.findings if f.id not in closed and f.severity is Severity.DANGER
            )
            if is_forgotten(ride) and not dangers:
                for part in ride.parts:
                    remove_part(self.root, bike, part.part)
                remove_result(self.root, bike, name)
                continue
            self._ends[bike, name] = ride.end
            earlier[name] = replace(
                ride, findings=dangers, cancels=(), rules=(), channels={}, measures={}, notes=()
            )
        return earlier

    def _results(self, bike: str) -> Mapping[str, RideResult]:
        results, damaged = read_results(self.root, bike)
        self.damaged |= set(damaged)
        return results

    def _plan(self, old: Mapping[str, Mapping[str, RideResult]]) -> None:
        parts: list[KeptPart] = []
        for bike in sorted(self.touched):
            listed, damaged = list_parts(self.root, bike)
            parts += listed
            self.damaged |= set(damaged)
        self.placed = placements(parts, self.moves)
        for bike in self.touched:
            placed = self.placed.get(bike, ())
            thinned = {p.info.stem for p in placed if p.info.thinned}
            standing = {
                part.part: r.ride
                for r in old[bike].values()
                for part in r.parts
                if part.part in thinned
            }
            plans = plan_rides(bike, placed, thinned_rides=standing)
            self.plans[bike] = tuple(without_fingerprints(p) for p in plans)
            self._rides_of |= {stem: p.ride for p in plans for stem in p.stems}
        self.older = frozenset(p.info.stem for p in parts if not is_fresh(self.fleet, p))
        self.placed.clear()

    def _tasks(self, old: Mapping[str, Mapping[str, RideResult]]) -> Iterator[RideTask]:
        """The tasks of judging rides whose result is not there or stale."""
        by_stem: dict[str, list[RideResult]] = {}
        for results in old.values():
            for result in results.values():
                for part in result.parts:
                    by_stem.setdefault(part.part, []).append(result)
        for bike in sorted(self.touched):
            for plan in self.plans[bike]:
                met = {(r.bike, r.ride): r for s in plan.stems for r in by_stem.get(s, ())}
                earlier = tuple(met[k] for k in sorted(met))
                if plan.frozen:
                    self._stands(plan, old[bike], earlier)
                elif bike in self.fleet.bikes and not self.fleet.wrong(bike):
                    yield from self._task(plan, old[bike], earlier)

    def _task(
        self,
        plan: RidePlan,
        old: Mapping[str, RideResult],
        earlier: tuple[RideResult, ...],
    ) -> Iterator[RideTask]:
        key = judge_key(
            plan,
            self.fleet.settings(plan.bike),
            older_layout=self.older,
            comfort_rules=self.comfort_rules,
        )
        if plan.ride not in old or old[plan.ride].judge_key != key:
            older = self.older & set(plan.stems)
            yield RideTask(self.root, plan, key, older, earlier, self.comfort_rules)

    def _stands(
        self, plan: RidePlan, old: Mapping[str, RideResult], earlier: Sequence[RideResult]
    ) -> None:
        """A ride whose samples are thinned keeps its result, on whichever bike it is now."""
        if plan.ride not in old and earlier:
            first = earlier[0]
            whole = read_result(result_path(self.root, first.bike, first.ride))
            write_result(self.root, as_ride_of(whole, plan))
            self._ends[plan.bike, plan.ride] = whole.end

    def _remove_stale(self, old: Mapping[str, Mapping[str, RideResult]]) -> None:
        """Results of rides that are no more go, once all that took their place are there."""
        taken_by: dict[str, list[RidePlan]] = {}
        for plans in self.plans.values():
            for plan in plans:
                for stem in plan.stems:
                    taken_by.setdefault(stem, []).append(plan)
        for bike, results in old.items():
            planned = {p.ride for p in self.plans[bike]}
            for ride, result in results.items():
                heirs = [p for part in result.parts for p in taken_by.get(part.part, ())]
                there = all(result_path(self.root, p.bike, p.ride).is_file() for p in heirs)
                if ride not in planned and there:
                    remove_result(self.root, bike, ride)
                    del self._ends[bike, ride]

    # ---------------------------------------------------------------- BIKE stage

    def read_ends(self) -> None:
        """Know when rides ended, where nothing is planned or judged."""
        for bike in self.bikes:
            self._ends |= {(bike, r.ride): r.end for r in self._results(bike).values()}

    def settle_as_of(self, as_of: datetime | None) -> None:
        """The instant by which age counts: as asked, else the end of the newest dated ride."""
        ends = [end for end in self._ends.values() if end is not None]
        for bike, row in self.known.bikes.items():
            if bike in self.bikes and bike not in self.touched and row.report.last_data:
                ends.append(row.report.last_data)
        self.as_of = as_of or max(ends, default=None)

    def standing(self, bike: str) -> BikeReport | None:
        """The report as it was worked out before, where it would come out the same."""
        kept = self.known.bikes.get(bike)
        stands = bike not in self.touched and kept is not None and kept.stands(self.as_of)
        return kept.report if kept is not None and stands else None

    def weighed(self, bike: str) -> BikeRows:
        """One bike's report, and for which instants it stands; not stamped yet."""
        results = self._results(bike)
        parts, damaged = list_parts(self.root, bike)
        self.damaged |= set(damaged)
        context, rules = self._context(bike), all_rules()
        report = assess(results.values(), context, as_of=self.as_of, rules=rules)
        if bike in self.fleet.bikes and not self.fleet.wrong(bike):
            found = diagnose(
                results.values(),
                settings=self.fleet.settings(bike),
                events=context.events,
                closed=closed_findings(list(results.values()), context, rules),
                rules=rules,
            )
            report = replace(report, suspects=found.suspects, next_checks=found.next_checks)
        since, until = stands_for(results.values(), context, self.as_of)
        self._note_errors(bike, results)
        return BikeRows(
            row=BikeRow(report, "", since, until),
            results=list(results.values()),
            parts=parts,
            rides_of={p.part: r.ride for r in results.values() for p in r.parts} | self._rides_of,
        )

    def all_judged(self, bike: str) -> bool:
        """Has every ride of this bike its result?"""
        known = bike in self.fleet.bikes and not self.fleet.wrong(bike)
        return known and bike not in self.unjudged

    def rides_moved_from(self, bike: str) -> list[RideResult]:
        """Rides of other bikes that are made of parts filed under this one."""
        stems = {stem for (one, stem) in self.moves if one == bike}
        others = {b for b in self.moves.values() if b is not None and b != bike}
        return [
            ride
            for other in (sorted(others) if stems else ())
            for ride in self._results(other).values()
            if any(p.part in stems for p in ride.parts)
        ]

    def stamped(self, bike: str, rows: BikeRows) -> BikeRows:
        """Say that the report stands as long as nothing of what lies on the disk changes."""
        stamp = "" if bike in self.unjudged else self._stamp(bike)
        return replace(rows, row=replace(rows.row, stamp=stamp))

    def _note_errors(self, bike: str, results: Mapping[str, RideResult]) -> None:
        """Where a rule ended in an error in a ride judged now."""
        for plan in self.judged:
            result = results.get(plan.ride) if plan.bike == bike else None
            for outcome in result.rules if result else ():
                if outcome.state is State.ERROR:
                    self.errors.add(f"{bike}: {outcome.rule}: {outcome.reason}")


def _listing(root: Path, bike: str) -> list[list[object]]:
    """What is kept of a bike: names and sizes; a run that was killed shows here."""
    results = sorted((root / "results" / bike).glob("*.json"))
    parts = sorted((root / "rides" / bike).glob("*.parquet"))
    return [[p.name, p.stat().st_size] for p in (*results, *parts)]


def _bikes_by_model(fleet: Fleet) -> dict[str, tuple[str, ...]]:
    models: dict[str, tuple[str, ...]] = {}
    for bike in sorted(fleet.bikes):
        model = fleet.bikes[bike].model
        models[model] = (*models.get(model, ()), bike)
    return models


def _moves(fleet: Fleet) -> dict[tuple[str, str], str | None]:
    """(bike, stem) -> the bike a person moved the part to, None where it was dropped."""
    moves: dict[tuple[str, str], str | None] = {}
    for bike in fleet.bikes.values():
        for event in bike.events:
            if event.kind in ("assigned", "dropped"):
                target = event.to if event.kind == "assigned" else None
                moves.update({(bike.id, stem): target for stem in event.parts})
    return moves
