"""Many logs into one fleet folder: taken in, judged, weighed per bike, reported.

Never stops at one bad log. Everything is worked out from what lies on the disk, and the
index, which says what is known already, is written last: a run that is ended at any
instant is simply done again by the next.
"""

import os
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ridecheck.batch.facts import BikeFacts
from ridecheck.batch.freshness import index_stamps
from ridecheck.batch.holding import broken_off, held
from ridecheck.batch.inbox import Arrivals
from ridecheck.batch.jobs import FailOn, Job
from ridecheck.batch.judging import judge
from ridecheck.batch.processes import release
from ridecheck.batch.refiling import record_refiling
from ridecheck.batch.registering import Registers
from ridecheck.batch.tasks import Crew
from ridecheck.batch.touched_bikes import bikes_of, touched_bikes
from ridecheck.batch.weighing import Weighing, settled_as_of, standing
from ridecheck.core.errors import UsageError
from ridecheck.core.files import sweep
from ridecheck.core.model import BikeReport, FleetReport, SetAside, Verdict
from ridecheck.core.progress import Progress
from ridecheck.fleet import Fleet, Mistake, load_fleet
from ridecheck.reporters import html
from ridecheck.reporters.fleet_report import fleet_report
from ridecheck.ride.plan import RidePlan
from ridecheck.rules.engine import known_limits
from ridecheck.store.index import (
    BikeRows,
    IndexUpdate,
    Known,
    bikes_with_old_samples,
    index_update,
    read_known,
)
from ridecheck.store.set_aside import read_records
from ridecheck.store.thinning import thin_parts

__all__ = ["FailOn", "Progress", "RunOptions", "ScreenOutcome", "exit_code", "held", "screen_fleet"]

SCREENING = Job(settle_minutes=0, thin_samples=False)
"""What ``screen`` does: a person is there, and has just put the files down."""


@dataclass(frozen=True, slots=True)
class ScreenOutcome:
    """What a run did, besides its report.

    seen: logs looked at; new_seen: of those, logs not known before or changed; judged:
    of those, logs that were read and judged; known: left as they were. growing: left for
    next time. set_aside_first: records of logs set aside for the first time. revised:
    bikes of which a ride older than their newest was judged. rules_in_error: where a rule
    ended in an error; faults: errors of ridecheck itself, a sentence each. unreadable:
    folders of the inbox without rights; damaged: kept files that could not be read.
    written: pages and index were written, there being something new.
    """

    report: FleetReport
    seen: int = 0
    new_seen: int = 0
    judged: int = 0
    known: int = 0
    ignored: int = 0
    ignored_names: tuple[str, ...] = ()
    rides_judged: int = 0
    growing: tuple[str, ...] = ()
    set_aside_first: tuple[SetAside, ...] = ()
    revised: tuple[str, ...] = ()
    mistakes: tuple[Mistake, ...] = ()
    rules_in_error: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()
    damaged: tuple[str, ...] = ()
    written: bool = True


@dataclass(frozen=True, slots=True)
class RunOptions:
    """How a run is to be done. now: the clock. verify: hash every log, known or not.

    by, reason: who files logs under a bike and why, needed where they hold another's open
    danger. first_seen: when logs that are new are said to be seen first, the clock by default.
    always_write: write the pages even where nothing changed.
    """

    logs: Sequence[Path] | None = None
    bike: str | None = None
    layout: str | None = None
    by: str = ""
    reason: str = ""
    as_of: datetime | None = None
    report_dir: Path | None = None
    workers: int | None = None
    progress: Progress | None = None
    now: datetime = field(default_factory=lambda: datetime.now(UTC))
    first_seen: datetime | None = None
    verify: bool = False
    always_write: bool = True
    job: Job = SCREENING


def screen_fleet(
    root: Path,
    *,
    logs: Sequence[Path] | None = None,
    bike: str | None = None,
    layout: str | None = None,
    by: str = "",
    reason: str = "",
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
    options = RunOptions(
        logs=logs,
        bike=bike,
        layout=layout,
        by=by,
        reason=reason,
        as_of=as_of,
        report_dir=report_dir,
        workers=workers,
        progress=progress,
        now=now or datetime.now(UTC),
    )
    root = Path(root)
    fleet = load_fleet(root, known_limits=known_limits())
    check_options(fleet, options)
    with held(root):
        return run_fleet(fleet, options)


def run_fleet(fleet: Fleet, options: RunOptions) -> ScreenOutcome:
    """A run over a fleet folder that is held already. BrokenOff where it cannot be written."""
    try:
        try:
            return _Screening(_refiled(fleet, options), options).do()
        finally:
            release()
    except OSError as error:
        raise broken_off(error) from error


def _refiled(fleet: Fleet, options: RunOptions) -> Fleet:
    """The fleet, read again where logs that a person files elsewhere hold an open danger."""
    if options.bike is None or not options.logs:
        return fleet
    who = {"by": options.by, "reason": options.reason}
    noted = record_refiling(fleet, options.logs, options.bike, **who, now=options.now)
    return load_fleet(fleet.root, known_limits=known_limits()) if noted else fleet


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


def check_options(fleet: Fleet, options: RunOptions) -> None:
    """UsageError where a bike or layout is named that the fleet has not."""
    names = [("bike", options.bike, list(fleet.bikes))]
    names += [
        ("layout", layout, list(fleet.layouts)) for layout in (options.layout, *options.job.layouts)
    ]
    for kind, name, known in names:
        if name is not None and name not in known:
            raise UsageError(
                f"This fleet has no {kind} of that name",
                where=f"--{kind}",
                value=name,
                what_to_do=f"known: {', '.join(sorted(known)) or 'none'}",
            )


# ------------------------------------------------------------------------- one run


class _Screening:
    """One run over a fleet folder that this process holds."""

    def __init__(self, fleet: Fleet, options: RunOptions) -> None:
        self.root = fleet.root
        self.fleet = fleet
        self.options = options
        self.report_dir = options.report_dir or fleet.root / "reports"
        workers = options.workers or options.job.workers or os.cpu_count() or 1
        self.crew = Crew(fleet, workers, options.progress)

    def do(self) -> ScreenOutcome:
        """Take in, judge, weigh, thin, report; the index last."""
        self._begin()
        known = read_known(self.root)
        arrivals = self._take_in(known)
        facts = BikeFacts.of(self.fleet, comfort_rules=self.options.job.comfort_rules)
        bikes = bikes_of(self.fleet)
        touched = touched_bikes(facts, known, bikes, by_logs=arrivals.touched)
        registers = Registers(facts, known, self.options.first_seen or self.options.now)
        judged = judge(facts, touched, self.crew, registers)
        untouched = set(bikes) - touched
        weighing = Weighing(
            facts, judged, registers, settled_as_of(self.options.as_of, judged, known, untouched)
        )
        with index_update(self.root, anew=not known.whole) as update:
            reports = self._weigh(weighing, bikes, touched, known, update)
            report = fleet_report(
                reports,
                read_records(self.root),
                fleet=self.fleet.name,
                time_zone=self.fleet.time_zone,
                display_units=self.fleet.display_units,
                as_of=weighing.as_of,
                generated_at=self.options.now,
            )
            missing = {n for names in judged.missing.values() for n in names}
            damaged = judged.damaged | weighing.damaged | missing
            written = self._write(report, arrivals, known, update, damaged)
        return ScreenOutcome(
            report=report,
            seen=len(arrivals.found) + len(arrivals.growing),
            new_seen=arrivals.new_seen,
            judged=arrivals.judged,
            known=len(arrivals.found) - len(arrivals.taken) + arrivals.met_before,
            ignored=arrivals.ignored,
            ignored_names=arrivals.ignored_names,
            rides_judged=len(judged.rides),
            growing=tuple(arrivals.growing),
            set_aside_first=tuple(arrivals.first_aside),
            revised=_revised(judged.rides, known),
            mistakes=self.fleet.mistakes,
            rules_in_error=tuple(sorted(weighing.errors)),
            faults=(*arrivals.faults, *judged.faults),
            unreadable=arrivals.unreadable,
            damaged=tuple(sorted(damaged)),
            written=written,
        )

    def _begin(self) -> None:
        """Clear what a killed run left half-written."""
        folders = [self.root, self.root / "set_aside", self.root / "log", self.report_dir]
        folders.append(self.report_dir / "bikes")
        folders.append(self.root / "dangers")
        for name in ("rides", "results"):
            (self.root / name).mkdir(exist_ok=True)
            folders += [p for p in (self.root / name).iterdir() if p.is_dir()]
        for folder in folders:
            sweep(folder)

    def _take_in(self, known: Known) -> Arrivals:
        options, job = self.options, self.options.job
        arrivals = Arrivals(self.root, self.fleet, known, self.root / job.inbox)
        arrivals.choose(options.logs)
        arrivals.leave_growing(options.now, 60.0 * job.settle_minutes)
        first_seen = options.first_seen or options.now
        tasks = arrivals.to_take(
            first_seen,
            layout=options.layout,
            bike=options.bike,
            layouts=job.layouts,
            verify=options.verify,
        )
        arrivals.take(tasks, self.crew, first_seen)
        return arrivals

    def _weigh(
        self,
        weighing: Weighing,
        bikes: Sequence[str],
        touched: Collection[str],
        known: Known,
        update: IndexUpdate,
    ) -> list[BikeReport]:
        """Every bike's report; what changed goes into the index."""
        before = None
        if self.options.job.thin_samples and weighing.as_of is not None:
            before = weighing.as_of - timedelta(days=self.fleet.samples_days)
        aged = set(bikes_with_old_samples(self.root, before)) if before else set()
        for gone in sorted(set(known.bikes) - set(bikes)):
            update.put(gone, None)
        reports = []
        for bike in bikes:
            kept = None if bike in touched else standing(known, bike, weighing.as_of)
            if kept is not None and not (bike in aged and weighing.all_judged(bike)):
                reports.append(kept)
                continue
            rows = weighing.report(bike)
            if before is not None and weighing.all_judged(bike):
                rows = self._thinned(bike, weighing, rows, before)
            update.put(bike, weighing.stamped(bike, rows))
            reports.append(rows.row.report)
        return reports

    def _thinned(self, bike: str, weighing: Weighing, rows: BikeRows, before: datetime) -> BikeRows:
        """Thin what has aged by now."""
        open_ids = {f.finding.id for f in rows.row.report.findings if f.open}
        elsewhere = weighing.rides_moved_from(bike)  # whether open is not asked: all is kept
        open_ids |= {f.id for r in elsewhere for f in r.findings}
        parts = thin_parts(
            self.root,
            rows.parts,
            [*rows.results, *elsewhere],
            open_ids=frozenset(open_ids),
            before=before,
        )
        return replace(rows, parts=parts)

    def _write(
        self,
        report: FleetReport,
        arrivals: Arrivals,
        known: Known,
        update: IndexUpdate,
        damaged: Iterable[str],
    ) -> bool:
        """Pages, then the index; neither where nothing changed and nobody asked."""
        stamps = index_stamps(self.fleet)
        lost = {name.rpartition("/")[2].split("-")[0] for name in damaged}
        logs = {
            file: kept
            for file, rows in arrivals.rows.items()
            if (kept := tuple(r for r in rows if r.sha256[:12] not in lost))
        }
        same = known.whole and not update.begun and logs == known.logs and stamps == known.stamps
        if same and (self.report_dir / "report.json").is_file() and not self.options.always_write:
            return False
        html.write_pages(report, self.report_dir)
        if not same:
            rows_of_logs = [row for rows in logs.values() for row in rows]
            update.finish(logs=rows_of_logs, set_aside=report.set_aside, stamps=stamps)
        return True


def _revised(judged: Sequence[RidePlan], known: Known) -> tuple[str, ...]:
    """Bikes of which a ride was judged that is older than the newest known before."""
    revised = set()
    for plan in judged:
        row = known.bikes.get(plan.bike)
        newest = row.report.last_data if row else None
        if newest is not None and plan.parts[-1].kept.info.end <= newest:
            revised.add(plan.bike)
    return tuple(sorted(revised))
