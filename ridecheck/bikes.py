"""The bikes of a run: which are touched, what rides they have, what is said of them."""

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from ridecheck import intake, rides, run, store, verdict
from ridecheck.diagnose import diagnose
from ridecheck.fleet import Fleet
from ridecheck.index import BikeRow, BikeRows, Known
from ridecheck.model import BikeReport, RideResult, State
from ridecheck.results import canonical, read_results, remove_result, result_path
from ridecheck.rides import RidePlan
from ridecheck.rules import all_rules
from ridecheck.store import KeptPart
from ridecheck.tasks import Crew, RideTask
from ridecheck.versions import code_version, layouts_key


class Bikes:
    """The bikes of a run. Stages in order: judge, then weigh.

    touched: bikes whose parts were changed by logs; those whose settings or events
    changed are found here. faults: errors of ridecheck itself; damaged: files kept that
    could not be read. results: of the bikes that were worked out anew.
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
        self.damaged: list[str] = []
        self.as_of: datetime | None = None
        folders = [self.root / n for n in ("rides", "results")]
        on_disk = {p.name for f in folders for p in f.iterdir() if p.is_dir() and any(p.iterdir())}
        self.bikes = sorted({*fleet.bikes, *on_disk})
        self.moves = _moves(fleet)
        self.models = _bikes_by_model(fleet)
        self.unjudged: dict[str, list[str]] = {}
        self.parts: dict[str, tuple[KeptPart, ...]] = {}
        self.plans: dict[str, tuple[RidePlan, ...]] = {}
        self.placed: dict[str, list[KeptPart]] = {}
        self.results: dict[str, Mapping[str, RideResult]] = {}
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
        settings = run.settings_json(self.fleet.settings(bike)) if known and not wrong else None
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

    def _context(self, bike: str) -> verdict.Context:
        one = self.fleet.bikes.get(bike)
        wrong = [f"a file of this bike is wrong: {m}" for m in self.fleet.wrong(bike)]
        if one is None:
            wrong = [f"there is no file bikes/{bike}.toml any more"]
        wrong += [f"not judged: {reason}" for reason in self.unjudged.get(bike, ())]
        model = self.fleet.models.get(one.model) if one else None
        limits = self.fleet.verdict
        return verdict.Context(
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

    def judge(self) -> list[RidePlan]:
        """Plan the rides of touched bikes and judge those whose key has changed."""
        old = {b: self._without_signed_off(b, self._results(b)) for b in self.touched}
        self._plan(old)
        by_stem: dict[str, list[RideResult]] = {}
        for results in old.values():
            for result in self._open_dangers_only(results):
                for part in result.parts:
                    by_stem.setdefault(part.part, []).append(result)
        tasks: list[RideTask] = []
        for bike in sorted(self.touched):
            older = frozenset(
                p.info.stem for p in self._placed(bike) if not intake.is_fresh(self.fleet, p)
            )
            for plan in self.plans[bike]:
                tasks += self._tasks(plan, old[bike], by_stem, older)
        judged = []
        for done in self.crew.rides(tasks):
            if done.fault:
                self.faults.append(done.fault)
                self.unjudged.setdefault(done.plan.bike, []).append(done.fault)
            else:
                judged.append(done.plan)
        self._remove_stale(old)
        return judged

    def _without_signed_off(
        self, bike: str, results: Mapping[str, RideResult]
    ) -> Mapping[str, RideResult]:
        """What was kept of a forgotten ride for its danger goes once that is signed off."""
        if not any(verdict.is_forgotten(r) for r in results.values()):
            return results
        closed = verdict.closed_findings(list(results.values()), self._context(bike), all_rules())
        left = {}
        for name, ride in results.items():
            if verdict.is_forgotten(ride) and all(f.id in closed for f in ride.findings):
                for part in ride.parts:
                    store.remove_part(self.root, bike, part.part)
                remove_result(self.root, bike, name)
            else:
                left[name] = ride
        return left

    def _results(self, bike: str) -> Mapping[str, RideResult]:
        results, damaged = read_results(self.root, bike)
        self.damaged += damaged
        return results

    def _plan(self, old: Mapping[str, Mapping[str, RideResult]]) -> None:
        for bike in self.touched:
            self.parts[bike], damaged = store.list_parts(self.root, bike)
            self.damaged += damaged
        self.placed = rides.placements(
            (p for b in sorted(self.touched) for p in self.parts[b]), self.moves
        )
        for bike in self.touched:
            placed = self._placed(bike)
            thinned = {p.info.stem for p in placed if p.info.thinned}
            standing = {
                part.part: r.ride
                for r in old[bike].values()
                for part in r.parts
                if part.part in thinned
            }
            self.plans[bike] = rides.plan_rides(bike, placed, thinned_rides=standing)

    def _placed(self, bike: str) -> Sequence[KeptPart]:
        return self.placed.get(bike, ())

    def _open_dangers_only(self, results: Mapping[str, RideResult]) -> Iterator[RideResult]:
        """Results with the findings alone that must not be lost by judging again."""
        if not results:
            return
        context = self._context(next(iter(results.values())).bike)
        closed = verdict.closed_findings(list(results.values()), context, all_rules())
        for result in results.values():
            kept = tuple(f for f in result.findings if f.id not in closed)
            yield replace(result, findings=kept, cancels=(), rules=())

    def _tasks(
        self,
        plan: RidePlan,
        old: Mapping[str, RideResult],
        by_stem: Mapping[str, Sequence[RideResult]],
        older: frozenset[str],
    ) -> Iterator[RideTask]:
        """The task of judging a ride, if its result is not there or stale."""
        if plan.bike not in self.fleet.bikes or self.fleet.wrong(plan.bike) or plan.frozen:
            return
        key = run.judge_key(
            plan,
            self.fleet.settings(plan.bike),
            older_layout=older,
            comfort_rules=self.comfort_rules,
        )
        if plan.ride in old and old[plan.ride].judge_key == key:
            return
        earlier = {(r.bike, r.ride): r for s in plan.stems for r in by_stem.get(s, ())}
        shared = tuple(earlier[k] for k in sorted(earlier))
        yield RideTask(self.root, plan, key, older, shared, self.comfort_rules)

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

    def rules_in_error(self, judged: Iterable[RidePlan]) -> tuple[str, ...]:
        """Where a rule ended in an error in a ride judged now."""
        found = set()
        for plan in judged:
            result = self.results[plan.bike].get(plan.ride)
            for outcome in result.rules if result else ():
                if outcome.state is State.ERROR:
                    found.add(f"{plan.bike}: {outcome.rule}: {outcome.reason}")
        return tuple(sorted(found))

    # ---------------------------------------------------------------- BIKE stage

    def weigh(self, as_of: datetime | None) -> tuple[list[BikeReport], dict[str, BikeRows | None]]:
        """Every bike's report, and what the index must take up."""
        self.results = {b: self._results(b) for b in self.touched}
        ends = [r.end for results in self.results.values() for r in results.values() if r.end]
        ends += [
            row.report.last_data
            for b, row in self.known.bikes.items()
            if b not in self.touched and b in self.bikes and row.report.last_data
        ]
        self.as_of = as_of or max(ends, default=None)
        reports: list[BikeReport] = []
        rows: dict[str, BikeRows | None] = {
            b: None for b in self.known.bikes if b not in self.bikes
        }
        for bike in self.bikes:
            kept = self.known.bikes.get(bike)
            if bike not in self.touched and kept is not None and kept.stands(self.as_of):
                reports.append(kept.report)
                continue
            rows[bike] = self.weighed(bike)
            reports.append(rows[bike].row.report)  # type: ignore[union-attr]
        return reports, rows

    def weighed(self, bike: str) -> BikeRows:
        """One bike's report, and for which instants it stands, with all it rests on."""
        results = self.results[bike] if bike in self.touched else self._results(bike)
        if bike not in self.parts:
            self.parts[bike], _ = store.list_parts(self.root, bike)
        context = self._context(bike)
        report = verdict.assess(results.values(), context, as_of=self.as_of, rules=all_rules())
        if bike in self.fleet.bikes and not self.fleet.wrong(bike):
            found = diagnose(
                results.values(),
                settings=self.fleet.settings(bike),
                events=context.events,
                closed=verdict.closed_findings(list(results.values()), context, all_rules()),
                rules=all_rules(),
            )
            report = replace(report, suspects=found.suspects, next_checks=found.next_checks)
        since, until = verdict.stands_for(results.values(), context, self.as_of)
        stamp = "" if bike in self.unjudged else self._stamp(bike)
        every = [r for results in self.results.values() for r in results.values()]
        rides_of = {p.part: r.ride for r in (*every, *results.values()) for p in r.parts}
        return BikeRows(
            row=BikeRow(report, stamp, since, until),
            results=list(results.values()),
            parts=self.parts[bike],
            rides_of=rides_of,
        )


def _listing(root: Path, bike: str) -> list[list[object]]:
    """What is kept of a bike: results with their sizes, and the names of parts."""
    results = sorted((root / "results" / bike).glob("*.json"))
    parts = sorted((root / "rides" / bike).glob("*.parquet"))
    sizes: list[list[object]] = [[p.name, p.stat().st_size] for p in results]
    return sizes + [[p.name] for p in parts]


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
