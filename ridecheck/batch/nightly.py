"""The night nobody watches: one run, one line, one heartbeat."""

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import monotonic

from ridecheck.batch.facts import BikeFacts
from ridecheck.batch.holding import broken_off, held
from ridecheck.batch.inbox import Arrivals
from ridecheck.batch.jobs import FailOn, Job
from ridecheck.batch.run import (
    RunOptions,
    ScreenOutcome,
    check_options,
    exit_code,
    run_fleet,
)
from ridecheck.batch.touched_bikes import bikes_of, touched_bikes
from ridecheck.core.files import write_whole
from ridecheck.core.model import Verdict
from ridecheck.core.progress import Progress
from ridecheck.fleet import Fleet, load_fleet
from ridecheck.rules.engine import known_limits
from ridecheck.store.index import read_known
from ridecheck.store.results import canonical

NIGHT_LOG = "log/nightly.jsonl"
HEARTBEAT = "log/heartbeat.json"
OF_ONE_NIGHT = ("first_set_aside", "failed", "why", "left_out", "pages")
"""What of a night's line the heartbeat leaves out: it is of that night alone."""
VERDICTS = "log/verdicts.json"
"""Each bike's verdict when the last night finished; written last of all."""


@dataclass(frozen=True, slots=True)
class Night:
    """What a night did, as its line in the log shows it.

    set_aside: logs that cannot be used, first_set_aside: of those, the new ones. failed:
    errors of ridecheck itself. without_data: bikes whose newest dated ride is older than
    the fleet's data_max_age_days, or that have none. rose: bikes whose verdict is more
    urgent than when the last night finished, why: the first reason of each. keep_in: every
    bike that is to be kept in, risen or standing. revised: bikes of which a ride older than
    their newest was judged. left_out: kept files that cannot be read or are gone.
    """

    started_at: str
    finished_at: str
    as_of: str | None
    seen: int
    judged: int
    known: int
    growing: int
    set_aside: int
    first_set_aside: tuple[str, ...]
    failed: tuple[str, ...]
    rides_judged: int
    without_data: tuple[str, ...]
    without_data_days: float
    rose: Mapping[str, str]
    why: Mapping[str, str]
    keep_in: tuple[str, ...]
    revised: tuple[str, ...]
    left_out: tuple[str, ...]
    pages: str
    written: bool
    exit_code: int
    seconds: float

    @property
    def line(self) -> str:
        """One line for people and for mail."""
        logs = [
            _count(self.seen, "log") + " seen",
            f"{self.judged} judged",
            f"{self.known} known",
            f"{self.growing} growing",
            f"{self.set_aside} set aside",
            f"{len(self.failed)} failed",
        ]
        said = [", ".join(logs)]
        if self.without_data:
            days = f"{self.without_data_days:g} days"
            said.append(f"no data for {days}: {', '.join(self.without_data)}")
        if self.revised:
            said.append(f"revised: {', '.join(self.revised)}")
        if self.rose:
            rose = ", ".join(f"{b} {v.replace('_', ' ')}" for b, v in self.rose.items())
            said.append(f"rose: {rose}")
        if self.keep_in:
            said.append(f"keep in: {', '.join(self.keep_in)}")
        if not self.written:
            said.append("nothing new")
        return f"{self.finished_at} {'; '.join(said)}; {self.seconds:.1f} s"

    @property
    def details(self) -> tuple[str, ...]:
        """A line on each verdict that rose, log set aside tonight, and file left out."""
        return (
            *(
                f"{bike} {verdict.replace('_', ' ')}: {self.why.get(bike, '')} "
                f"({self.pages}/bikes/{bike}.html)"
                for bike, verdict in self.rose.items()
            ),
            *(f"set aside tonight: {log}" for log in self.first_set_aside),
            *(f"cannot be read, or is gone: {name}" for name in self.left_out),
        )

    @property
    def is_heard(self) -> bool:
        """Whether somebody must hear of it, also from a night that is to be quiet."""
        return bool(
            self.rose
            or self.keep_in
            or self.first_set_aside
            or self.without_data
            or self.left_out
            or self.failed
        )


@dataclass(frozen=True, slots=True)
class DryNight:
    """What a night would do, nothing being written."""

    seen: int
    to_read: tuple[str, ...]
    growing: tuple[str, ...]
    bikes_to_judge: tuple[str, ...]

    @property
    def line(self) -> str:
        """One line for people."""
        read = _count(len(self.to_read), "log") + " to read"
        bikes = _count(len(self.bikes_to_judge), "bike") + " to weigh again"
        return (
            f"dry run: {_count(self.seen, 'log')} seen, {read}, "
            f"{len(self.growing)} growing, {bikes}; nothing written"
        )


def night(
    root: Path,
    *,
    job: Job | None = None,
    as_of: datetime | None = None,
    verify: bool = False,
    workers: int | None = None,
    fail_on: FailOn | None = None,
    report_dir: Path | None = None,
    progress: Progress | None = None,
    now: datetime | None = None,
) -> Night:
    """Run the unattended batch over a fleet folder; the job's own settings by default.

    as_of defaults to the start of today (UTC). Raises what ``screen_fleet`` raises.
    """
    root, job = Path(root), job or Job()
    began, started = monotonic(), now or datetime.now(UTC)
    fleet = load_fleet(root, known_limits=known_limits())
    options = RunOptions(
        as_of=as_of or _midnight(started),
        report_dir=report_dir,
        workers=workers,
        progress=progress,
        now=started,
        verify=verify,
        always_write=False,
        job=job,
    )
    check_options(fleet, options)
    with held(root):
        # A clock that was set back must not make yesterday's logs look like tomorrow's.
        first_seen = max(started, _last_finished(root) or started)
        options = replace(options, first_seen=first_seen)
        outcome = run_fleet(fleet, options)
        before = _verdicts(root)
        rose = _rose(outcome, before)
        code = exit_code(_only(outcome, rose), fail_on or job.fail_on)
        done = now or datetime.now(UTC)
        pages = report_dir or root / "reports"
        said = _told(fleet, outcome, rose, code, pages, started, done, monotonic() - began)
        try:
            _write(root, said, outcome)
        except OSError as error:
            raise broken_off(error) from error
    return said


def dry_night(
    root: Path, *, job: Job | None = None, verify: bool = False, now: datetime | None = None
) -> DryNight:
    """What a night would read and judge; nothing is written, nothing is held."""
    root, job, now = Path(root), job or Job(), now or datetime.now(UTC)
    fleet = load_fleet(root, known_limits=known_limits())
    known = read_known(root)
    arrivals = Arrivals(root, fleet, known, root / job.inbox)
    arrivals.choose(None)
    arrivals.leave_growing(now, 60.0 * job.settle_minutes)
    tasks = arrivals.to_take(now, layouts=job.layouts, verify=verify)
    facts = BikeFacts.of(fleet, comfort_rules=job.comfort_rules)
    bikes = bikes_of(fleet)
    touched = touched_bikes(facts, known, bikes)
    as_of = _midnight(now)
    stale = [b for b in bikes if b in touched or not known.bikes[b].stands(as_of)]
    return DryNight(
        seen=len(arrivals.found) + len(arrivals.growing),
        to_read=tuple(t.found.name for t in tasks),
        growing=tuple(arrivals.growing),
        bikes_to_judge=tuple(stale),
    )


def read_heartbeat(root: Path) -> Mapping[str, object]:
    """What the last finished night left; empty where there was none."""
    with suppress(OSError, ValueError):
        content = json.loads((root / HEARTBEAT).read_bytes())
        if isinstance(content, dict):
            return content
    return {}


def _midnight(now: datetime) -> datetime:
    return now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)


def _last_finished(root: Path) -> datetime | None:
    with suppress(ValueError):
        return datetime.fromisoformat(str(read_heartbeat(root).get("finished_at", "")))
    return None


def _verdicts(root: Path) -> dict[str, Verdict]:
    try:
        content = json.loads((root / VERDICTS).read_bytes())
        return {bike: Verdict(word) for bike, word in content.items()}
    except (OSError, ValueError, AttributeError):
        return {}


def _rose(outcome: ScreenOutcome, before: Mapping[str, Verdict]) -> dict[str, str]:
    """Bikes whose verdict is more urgent than it was; one never seen counts as released."""
    return {
        b.bike: b.verdict.value
        for b in outcome.report.bikes
        if b.verdict.rank < before.get(b.bike, Verdict.RELEASE).rank
    }


def _only(outcome: ScreenOutcome, bikes: Mapping[str, str]) -> ScreenOutcome:
    """The outcome with these bikes alone: a night's exit code counts no others."""
    left = tuple(b for b in outcome.report.bikes if b.bike in bikes)
    return replace(outcome, report=replace(outcome.report, bikes=left))


def _told(
    fleet: Fleet,
    outcome: ScreenOutcome,
    rose: Mapping[str, str],
    code: int,
    pages: Path,
    started: datetime,
    done: datetime,
    seconds: float,
) -> Night:
    report, days = outcome.report, fleet.verdict.data_max_age_days
    as_of = report.as_of
    silent = [
        b.bike
        for b in report.bikes
        if b.last_data is None or (as_of and as_of - b.last_data > timedelta(days=days))
    ]
    return Night(
        started_at=_z(started),
        finished_at=_z(done),
        as_of=_z(as_of) if as_of else None,
        seen=outcome.seen,
        judged=outcome.judged,
        known=outcome.known,
        growing=len(outcome.growing),
        set_aside=len(report.set_aside),
        first_set_aside=tuple(s.log for s in outcome.set_aside_first),
        failed=(*outcome.faults, *outcome.rules_in_error),
        rides_judged=outcome.rides_judged,
        without_data=tuple(silent),
        without_data_days=days,
        rose=rose,
        why={b.bike: b.because[0] for b in report.bikes if b.bike in rose and b.because},
        keep_in=tuple(b.bike for b in report.bikes if b.verdict is Verdict.KEEP_IN),
        revised=outcome.revised,
        left_out=outcome.damaged,
        pages=str(pages),
        written=outcome.written,
        exit_code=code,
        seconds=round(seconds, 3),
    )


def _write(root: Path, said: Night, outcome: ScreenOutcome) -> None:
    """The line, the heartbeat, and last the verdicts that the next night compares with."""
    line = json.dumps(asdict(said), sort_keys=True, ensure_ascii=False) + "\n"
    append_line(root / NIGHT_LOG, line)
    beat = {k: v for k, v in asdict(said).items() if k not in OF_ONE_NIGHT}
    write_whole(root / HEARTBEAT, canonical(beat))
    verdicts = {b.bike: b.verdict.value for b in outcome.report.bikes}
    write_whole(root / VERDICTS, canonical(verdicts))


def append_line(path: Path, line: str) -> None:
    """Add a line; half a line that a killed run left is taken away first."""
    before = path.read_bytes() if path.is_file() else b""
    whole = before[: before.rfind(b"\n") + 1]
    write_whole(path, whole + line.encode("utf-8", "backslashreplace"))


def _z(instant: datetime) -> str:
    return f"{instant.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
