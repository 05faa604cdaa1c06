"""Many logs into one fleet folder: taken in, judged, weighed per bike, reported.

Never stops at one bad log. Everything is worked out from what lies on the disk, and the
index, which says what is known already, is written last: a run that is ended at any
instant is simply done again by the next.
"""

import contextlib
import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, Literal, TypeVar

from filelock import FileLock, Timeout

from ridecheck import __version__, aside, files, intake, rides, run, store, verdict
from ridecheck.crew import run_tasks
from ridecheck.diagnose import diagnose
from ridecheck.errors import BrokenOff, FleetBusy, LogError, UsageError
from ridecheck.fleet import Fleet, Mistake, load_fleet
from ridecheck.index import BikeRow, BikeRows, Known, LogRow, read_known, write_index
from ridecheck.intake import LogTaken
from ridecheck.model import BikeReport, FleetReport, RideResult, SetAside, State, Verdict
from ridecheck.normalise import read_key
from ridecheck.readers import FoundLog, find_logs, found_log
from ridecheck.report import fleet_report
from ridecheck.reporters import html
from ridecheck.resources import shipped
from ridecheck.results import (
    canonical,
    read_results,
    remove_result,
    result_path,
    write_result,
)
from ridecheck.rides import RidePlan
from ridecheck.rules import all_rules
from ridecheck.rules.engine import known_limits, rules_version
from ridecheck.store import KeptPart

FailOn = Literal["keep_in", "inspect", "no_opinion", "never"]
Result = TypeVar("Result")
Progress = Callable[[int, int], None]
"""Called with how many tasks are done, and how many there are."""

ALONE_BELOW_BYTES = 50 * 2**20
"""Under this much to read, starting processes costs more than it saves."""


@dataclass(frozen=True, slots=True)
class ScreenOutcome:
    """What a run did, besides its report.

    seen: logs looked at; new_seen: of those, logs not known before or changed; judged:
    of those, logs that were read and judged; known: left as they were. set_aside_first:
    records of logs set aside for the first time. rules_in_error: where a rule ended in an
    error; faults: errors of ridecheck itself, a sentence each. unreadable: folders of the
    inbox without rights; damaged: kept files that could not be read.
    """

    report: FleetReport
    seen: int = 0
    new_seen: int = 0
    judged: int = 0
    known: int = 0
    ignored: int = 0
    rides_judged: int = 0
    set_aside_first: tuple[SetAside, ...] = ()
    mistakes: tuple[Mistake, ...] = ()
    rules_in_error: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()
    damaged: tuple[str, ...] = ()
    written: bool = True


def screen_fleet(
    root: Path,
    *,
    logs: Sequence[Path] | None = None,
    bike: str | None = None,
    layout: str | None = None,
    as_of: datetime | None = None,
    report_dir: Path | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
    now: datetime | None = None,
) -> ScreenOutcome:
    """Take logs in (all of the inbox by default), judge what is new or stale, report.

    Raises FleetError and UsageError before anything is done, FleetBusy where another run
    holds the folder, BrokenOff where the disk cannot be written. now: the clock, for tests.
    """
    root = Path(root)
    fleet = load_fleet(root, known_limits=known_limits())
    _check_options(fleet, bike, layout)
    night = _Run(
        root,
        fleet,
        now=now or datetime.now(UTC),
        workers=workers or os.cpu_count() or 1,
        progress=progress,
        report_dir=report_dir or root / "reports",
    )
    with held(root):
        try:
            night.begin()
            night.choose(logs)
            night.take(layout=layout, bike=bike)
            return night.finish(as_of)
        except OSError as error:
            raise _broken_off(error) from error


def exit_code(outcome: ScreenOutcome, fail_on: FailOn = "keep_in") -> int:
    """The exit code of a run that came to its end; the first that applies."""
    if fail_on != "never":
        worst = min((b.verdict.rank for b in outcome.report.bikes), default=99)
        if worst <= Verdict(fail_on).rank:
            return 10
    if outcome.rules_in_error or outcome.faults:
        return 70
    if outcome.mistakes:
        return 2
    if outcome.set_aside_first or (outcome.new_seen and not outcome.judged):
        return 3
    return 0


@contextlib.contextmanager
def held(root: Path) -> Iterator[None]:
    """Hold the fleet folder; FleetBusy where another run does."""
    lock = FileLock(root / ".lock", mode=0o666 & ~_umask())
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise FleetBusy(
            "Another run holds this fleet folder",
            where=str(root),
            what_to_do="Wait until it has ended, then run again.",
        ) from None
    except OSError as error:
        raise _broken_off(error) from error
    try:
        yield
    finally:
        lock.release()


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _broken_off(error: OSError) -> BrokenOff:
    return BrokenOff(
        "The fleet folder cannot be written; the run was broken off",
        where=str(error.filename or "the fleet folder"),
        value=error.strerror or str(error),
        what_to_do="Free some space or grant the right to write, then run again; nothing is lost.",
    )


def _check_options(fleet: Fleet, bike: str | None, layout: str | None) -> None:
    for kind, name, known in (
        ("bike", bike, list(fleet.bikes)),
        ("layout", layout, list(fleet.layouts)),
    ):
        if name is not None and name not in known:
            raise UsageError(
                f"This fleet has no {kind} of that name",
                where=f"--{kind}",
                value=name,
                what_to_do=f"known: {', '.join(sorted(known)) or 'none'}",
            )


@cache
def code_version() -> str:
    """Changes with the program's version and with the code that rides and bikes are judged by."""
    package = Path(__file__).resolve().parent
    names = ("run", "rides", "verdict", "results", "report", "events", "checks", "statistics")
    paths = [package / f"{name}.py" for name in names]
    paths += sorted((package / "diagnose").glob("*.py"))
    paths += [shipped("schemas", "causes.toml"), shipped("schemas", "checks.toml")]
    digest = hashlib.sha256(f"{__version__}\0{rules_version()}".encode())
    for path in paths:
        digest.update(path.read_bytes())
    return digest.hexdigest()


def fleet_key(fleet: Fleet) -> str:
    """Changes with any fleet file and with the program."""
    digest = hashlib.sha256(code_version().encode())
    for folder in ("", "models", "bikes", "layouts"):
        for path in sorted((fleet.root / folder).glob("*.toml")):
            digest.update(f"\0{folder}/{path.name}\0".encode("utf-8", "surrogateescape"))
            digest.update(path.read_bytes())
    return digest.hexdigest()


# ------------------------------------------------------------------- in the workers

_FLEETS: dict[Path, Fleet] = {}


def _prepare(root: Path) -> None:
    _FLEETS[root] = load_fleet(root, known_limits=known_limits())


@dataclass(frozen=True, slots=True)
class _LogTask:
    root: Path
    found: FoundLog
    layout: str | None
    bike: str | None
    now: datetime

    def __call__(self) -> LogTaken:
        return intake.take_log(
            self.root,
            self.found,
            _FLEETS[self.root],
            layout=self.layout,
            bike=self.bike,
            now=self.now,
        )


@dataclass(frozen=True, slots=True)
class _RideTask:
    """A ride to judge; what is given back is a fault, "" where it was judged and kept."""

    root: Path
    plan: RidePlan
    judge_key: str
    older_layout: frozenset[str]
    earlier: tuple[RideResult, ...]

    def __call__(self) -> "tuple[_RideTask, str]":
        try:
            parts = [
                store.read_part(self.root, p.kept.info.bike, p.kept.info.stem)
                for p in self.plan.parts
            ]
            result = run.judge_plan(
                self.plan,
                parts,
                _FLEETS[self.root].settings(self.plan.bike),
                judge_key=self.judge_key,
                older_layout=self.older_layout,
                earlier=self.earlier,
            )
        except Exception as error:  # one ride must not end the night
            return self, f"ride {self.plan.ride}: {type(error).__name__}: {error}"
        write_result(self.root, result)
        return self, ""

    @property
    def rows(self) -> int:
        """Rows to judge."""
        return sum(p.kept.info.rows for p in self.plan.parts)


def _do(task: Callable[[], Result]) -> Result:
    return task()


def _log_killed(task: _LogTask) -> LogTaken:
    return intake.killed(task.found)


def _ride_killed(task: _RideTask) -> tuple[_RideTask, str]:
    return task, f"ride {task.plan.ride}: the process that judged it was ended by the system, twice"


# ------------------------------------------------------------------------- one run


class _Run:
    """One run over a fleet folder: begin, take, finish."""

    def __init__(
        self,
        root: Path,
        fleet: Fleet,
        *,
        now: datetime,
        workers: int,
        progress: Progress | None,
        report_dir: Path,
    ) -> None:
        self.root = root
        self.fleet = fleet
        self.now = now
        self.workers = workers
        self.progress = progress
        self.report_dir = report_dir
        self.known = Known.nothing()
        self.found: list[FoundLog] = []
        self.scanned = False
        self.ignored = 0
        self.unreadable: tuple[str, ...] = ()
        self.taken: list[LogTaken] = []
        self.rows: dict[str, tuple[LogRow, ...]] = {}
        self.touched: set[str] = set()
        self.first_aside: list[SetAside] = []
        self.new_seen = self.judged = 0
        self.faults: list[str] = []
        self.damaged: list[str] = []
        _FLEETS[root] = fleet

    def begin(self) -> None:
        """Clear what a killed run left half-written, and see what is known."""
        folders = [self.root, self.root / "set_aside", self.report_dir, self.report_dir / "bikes"]
        for name in ("rides", "results"):
            (self.root / name).mkdir(exist_ok=True)
            folders += [p for p in (self.root / name).iterdir() if p.is_dir()]
        for folder in folders:
            files.sweep(folder)
        self.known = read_known(self.root)

    # ---------------------------------------------------------------- taking in

    def choose(self, logs: Sequence[Path] | None) -> None:
        """All logs of the inbox, or the ones named; those outside it by their bare name."""
        inbox = self.root / "inbox"
        if logs is None:
            found = find_logs(inbox)
            self.found, self.ignored = list(found.logs), found.ignored
            self.unreadable, self.scanned = found.unreadable, True
            return
        self.rows = dict(self.known.logs)
        for path in logs:
            if not path.is_file():
                raise UsageError(
                    "There is no such log", where=str(path), what_to_do="See the spelling."
                )
            inside = path.resolve().is_relative_to(inbox.resolve())
            name = str(path.resolve().relative_to(inbox.resolve())) if inside else path.name
            self.found.append(found_log(path, name))

    def take(self, *, layout: str | None = None, bike: str | None = None) -> None:
        """Read what is new or changed, set aside what cannot be read."""
        key, layouts = fleet_key(self.fleet), self.layouts_stamp()
        tasks = []
        for found in self.found:
            rows = self.known.logs.get(found.name, ())
            named = layout is not None or bike is not None
            if not named and self._stands(found, rows, key, layouts):
                self.rows[found.name] = rows
            else:
                tasks.append(_LogTask(self.root, found, layout, bike, self.now))
        size = sum(t.found.size for t in tasks)
        self.taken += self.work(tasks, size, killed=_log_killed)
        self.taken.sort(key=lambda t: t.found.name)
        for taken in self.taken:
            self._note_taken(taken, key)
        self._set_aside()

    def _stands(self, found: FoundLog, rows: Sequence[LogRow], key: str, layouts: str) -> bool:
        """Is this the file seen before, and would trying it again change nothing?"""
        facts = (found.size, found.mtime_ns, found.inode)
        if not rows or any(r.facts != facts for r in rows):
            return False
        if any(r.state == "set_aside" and r.tried_with != key for r in rows):
            return False
        return self.known.stamps.get("layouts") == layouts

    def layouts_stamp(self) -> str:
        """Changes with any layout, and with the reader."""
        keys = {name: read_key("", one) for name, one in self.fleet.layouts.items()}
        return hashlib.sha256(canonical(keys)).hexdigest()

    def work(
        self,
        tasks: Sequence[Callable[[], Result]],
        size: int,
        *,
        killed: Callable[[Any], Result],
    ) -> Iterator[Result]:
        """Do the tasks, in this process or, where there is much to read, in several."""
        results: Iterator[Result]
        if size < ALONE_BELOW_BYTES or self.workers < 2 or len(tasks) < 2:
            results = (task() for task in tasks)
        else:
            results = run_tasks(
                _do,
                tasks,
                workers=min(self.workers, len(tasks)),
                prepare=_prepare,
                prepare_with=(self.root,),
                killed=killed,
            )
        for done, result in enumerate(results, start=1):
            if self.progress is not None:
                self.progress(done, len(tasks))
            yield result

    def _note_taken(self, taken: LogTaken, key: str) -> None:
        """Keep in mind what became of a log."""
        found = taken.found
        before = {(r.log, r.sha256) for r in self.known.logs.get(found.name, ())}
        before |= {(r.log, r.sha256) for r in aside.read_records(self.root)}
        self.touched |= taken.touched
        rows = []
        for member in taken.members:
            state = "set_aside" if member.problem else "kept"
            facts = (found.size, found.mtime_ns, found.inode)
            rows.append(LogRow(found.name, member.log, member.sha256, *facts, state, key))
            if (member.log, member.sha256) not in before:
                self.new_seen += 1
                self.judged += member.problem is None
            if member.fault:
                self.faults.append(f"log {member.log}: {member.fault}")
        if self.scanned or found.path.resolve().is_relative_to((self.root / "inbox").resolve()):
            self.rows[found.name] = tuple(rows)

    def _set_aside(self) -> None:
        """Write and remove records so that they tell what cannot be used now."""
        problems: dict[tuple[str, str], LogError] = {}
        for taken in self.taken:
            for member in taken.members:
                if member.problem is not None:
                    problems[member.log, member.sha256] = member.problem
        for (log, sha256), problem in problems.items():
            record = aside.record_of(problem, log=log, sha256=sha256, first_seen=self.now)
            record, first = aside.write_record(self.root, record)
            if first:
                self.first_aside.append(record)
        tried = {t.found.name for t in self.taken}
        there = {r.log for rows in self.rows.values() for r in rows} | {log for log, _ in problems}
        aside.remove_records(
            self.root,
            [
                r
                for r in aside.read_records(self.root)
                if (r.log, r.sha256) not in problems
                and (r.log.split("!")[0] in tried or (self.scanned and r.log not in there))
            ],
        )

    # ---------------------------------------------------------------- judging

    def finish(self, as_of: datetime | None) -> ScreenOutcome:
        """Judge what is stale, weigh each bike, write the pages and, last, the index."""
        bikes = _Bikes(self)
        judged = bikes.judge()
        report, rows = bikes.weigh(as_of)
        records = aside.read_records(self.root)
        told = fleet_report(
            report,
            records,
            fleet=self.fleet.name,
            time_zone=self.fleet.time_zone,
            as_of=bikes.as_of,
            generated_at=self.now,
        )
        html.write_pages(told, self.report_dir)
        self._write_index(rows, records)
        return ScreenOutcome(
            report=told,
            seen=len(self.found),
            new_seen=self.new_seen,
            judged=self.judged,
            known=len(self.found) - len(self.taken),
            ignored=self.ignored,
            rides_judged=len(judged),
            set_aside_first=tuple(self.first_aside),
            mistakes=self.fleet.mistakes,
            rules_in_error=bikes.rules_in_error(judged),
            faults=tuple(self.faults),
            unreadable=self.unreadable,
            damaged=tuple(self.damaged),
        )

    def _write_index(
        self, rows: Mapping[str, BikeRows | None], records: Sequence[SetAside]
    ) -> None:
        stamps = {
            "layouts": self.layouts_stamp(),
            "root": str(self.root.resolve()),
            "code": code_version(),
        }
        damaged = {name.split("-")[0] for name in self.damaged}
        logs = [
            row for rows_ in self.rows.values() for row in rows_ if row.sha256[:12] not in damaged
        ]
        before = [row for rows_ in self.known.logs.values() for row in rows_]
        key = _log_order
        same = sorted(logs, key=key) == sorted(before, key=key) and stamps == self.known.stamps
        if same and not rows and not self.taken and self.known.whole:
            return
        write_index(
            self.root,
            rows,
            logs=logs,
            set_aside=records,
            stamps=stamps,
            anew=not self.known.whole,
        )


def _log_order(row: LogRow) -> tuple[str, str]:
    return (row.file, row.log)


class _Bikes:
    """The bikes of a run: which are touched, what rides they have, what is said of them."""

    def __init__(self, night: _Run) -> None:
        self.night = night
        self.root, self.fleet, self.known = night.root, night.fleet, night.known
        folders = (self.root / n for n in ("rides", "results"))
        on_disk = {p.name for f in folders for p in f.iterdir() if p.is_dir() and any(p.iterdir())}
        self.bikes = sorted({*self.fleet.bikes, *on_disk})
        self.moves = _moves(self.fleet)
        self.models: dict[str, tuple[str, ...]] = {}
        for one in sorted(self.fleet.bikes):
            model = self.fleet.bikes[one].model
            self.models[model] = (*self.models.get(model, ()), one)
        self.unjudged: dict[str, list[str]] = {}
        self.stamps = {b: self._stamp(b) for b in self.bikes}
        known = self.known.bikes
        self.touched = {
            b
            for b in self.bikes
            if b in night.touched or b not in known or known[b].stamp != self.stamps[b]
        }
        linked = {b for (b, _) in self.moves} | {b for b in self.moves.values() if b}
        if self.touched & linked:
            self.touched |= linked & set(self.bikes)
        self.parts: dict[str, tuple[KeptPart, ...]] = {}
        self.plans: dict[str, tuple[RidePlan, ...]] = {}
        self.as_of: datetime | None = None

    def _stamp(self, bike: str) -> str:
        """Changes with everything, besides logs and as_of, that a bike's report depends on."""
        wrong = [str(m) for m in self.fleet.wrong(bike)]
        known = bike in self.fleet.bikes
        settings = run.settings_json(self.fleet.settings(bike)) if known and not wrong else None
        context = self._context(bike)
        content = {
            "code": code_version(),
            "settings": settings,
            "wrong": wrong,
            "moves": sorted([*k, v or ""] for k, v in self.moves.items()),
            "layouts": self.night.layouts_stamp(),
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
        old = {b: self._results(b) for b in self.touched}
        self._plan(old)
        by_stem: dict[str, list[RideResult]] = {}
        for results in old.values():
            for result in self._open_dangers_only(results):
                for part in result.parts:
                    by_stem.setdefault(part.part, []).append(result)
        tasks: list[_RideTask] = []
        for bike in sorted(self.touched):
            older = frozenset(
                p.info.stem for p in self._placed(bike) if not intake.is_fresh(self.fleet, p)
            )
            for plan in self.plans[bike]:
                tasks += self._tasks(plan, old[bike], by_stem, older)
        size = sum(task.rows for task in tasks) * _BYTES_A_ROW
        judged = []
        for task, fault in self.night.work(tasks, size, killed=_ride_killed):
            if fault:
                self.night.faults.append(fault)
                self.unjudged.setdefault(task.plan.bike, []).append(fault)
            else:
                judged.append(task.plan)
        self._remove_stale(old)
        return judged

    def _results(self, bike: str) -> Mapping[str, RideResult]:
        results, damaged = read_results(self.root, bike)
        self.night.damaged += damaged
        return results

    def _plan(self, old: Mapping[str, Mapping[str, RideResult]]) -> None:
        for bike in self.touched:
            self.parts[bike], damaged = store.list_parts(self.root, bike)
            self.night.damaged += damaged
        self._by_bike = rides.placements(
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
        return self._by_bike.get(bike, ())

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
    ) -> Iterator[_RideTask]:
        """The task of judging a ride, if its result is not there or stale."""
        if plan.bike not in self.fleet.bikes or self.fleet.wrong(plan.bike) or plan.frozen:
            return
        key = run.judge_key(plan, self.fleet.settings(plan.bike), older_layout=older)
        if plan.ride in old and old[plan.ride].judge_key == key:
            return
        earlier = {(r.bike, r.ride): r for s in plan.stems for r in by_stem.get(s, ())}
        yield _RideTask(self.root, plan, key, older, tuple(earlier[k] for k in sorted(earlier)))

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
            result = self.fresh[plan.bike].get(plan.ride)
            for outcome in result.rules if result else ():
                if outcome.state is State.ERROR:
                    found.add(f"{plan.bike}: {outcome.rule}: {outcome.reason}")
        return tuple(sorted(found))

    # ---------------------------------------------------------------- BIKE stage

    def weigh(self, as_of: datetime | None) -> tuple[list[BikeReport], dict[str, BikeRows | None]]:
        """Every bike's report, and what the index must take up."""
        self.fresh = {b: self._results(b) for b in self.touched}
        ends = [r.end for results in self.fresh.values() for r in results.values() if r.end]
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
            rows[bike] = self._weighed(bike)
            reports.append(rows[bike].row.report)  # type: ignore[union-attr]
        return reports, rows

    def _weighed(self, bike: str) -> BikeRows:
        results = self.fresh[bike] if bike in self.touched else self._results(bike)
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
        stamp = "" if bike in self.unjudged else self.stamps[bike]
        every = [r for results in self.fresh.values() for r in results.values()]
        rides_of = {p.part: r.ride for r in (*every, *results.values()) for p in r.parts}
        return BikeRows(
            row=BikeRow(report, stamp, since, until),
            results=list(results.values()),
            parts=self.parts[bike],
            rides_of=rides_of,
        )


_BYTES_A_ROW = 60
"""Roughly what a row took in its log; decides only whether processes are worth it."""


def _moves(fleet: Fleet) -> dict[tuple[str, str], str | None]:
    """(bike, stem) -> the bike a person moved the part to, None where it was dropped."""
    moves: dict[tuple[str, str], str | None] = {}
    for bike in fleet.bikes.values():
        for event in bike.events:
            if event.kind in ("assigned", "dropped"):
                target = event.to if event.kind == "assigned" else None
                moves.update({(bike.id, stem): target for stem in event.parts})
    return moves
