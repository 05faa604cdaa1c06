"""What the worker processes do: take one log in, or judge one ride."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar, cast

from ridecheck.batch.processes import run_tasks
from ridecheck.core.cpu_limit import ended_by_the_system
from ridecheck.core.model import RideResult, Severity
from ridecheck.core.progress import Progress
from ridecheck.core.unforeseen import UNFORESEEN
from ridecheck.fleet import Fleet, load_fleet
from ridecheck.intake.keep import LogTaken, killed, take_log
from ridecheck.intake.readers import FoundLog
from ridecheck.intake.readers.unpack import LOG_LIMIT_BYTES
from ridecheck.ride.judge import judge_plan
from ridecheck.ride.plan import RidePlan
from ridecheck.rules.engine import known_limits
from ridecheck.store.parts import read_part
from ridecheck.store.results import write_result

Result = TypeVar("Result")

ALONE_BELOW_BYTES = 50 * 2**20
"""Under this much to read, starting processes costs more than it saves."""
BYTES_A_ROW = 60
"""Roughly what a row took in its log; decides only whether processes are worth it."""

_FLEETS: dict[Path, Fleet] = {}


@dataclass(frozen=True, slots=True)
class LogTask:
    """A file of the inbox to take in. layouts: those to try, all where empty."""

    root: Path
    found: FoundLog
    layout: str | None
    bike: str | None
    now: datetime
    layouts: tuple[str, ...] = ()

    def __call__(self) -> LogTaken:
        """Read it, if need be, and keep its parts."""
        return take_log(
            self.root,
            self.found,
            _FLEETS[self.root],
            layout=self.layout,
            bike=self.bike,
            layouts=self.layouts,
            now=self.now,
        )

    @property
    def size(self) -> int:
        """Bytes to read."""
        return self.found.size

    def killed(self) -> LogTaken:
        """What is said where the process that did it was ended twice."""
        return killed(self.found, _FLEETS[self.root])


@dataclass(frozen=True, slots=True)
class RideTask:
    """A ride to judge."""

    root: Path
    plan: RidePlan
    judge_key: str
    older_layout: frozenset[str]
    comfort_rules: bool = True

    def __call__(self) -> "RideDone":
        """Judge it and keep the result."""
        parts = []
        for share in self.plan.parts:
            bike, stem = share.kept.info.bike, share.kept.info.stem
            try:
                parts.append(read_part(self.root, bike, stem))
            except OSError:
                return RideDone(self.plan, damaged=f"rides/{bike}/{stem}.parquet")
        try:
            result = judge_plan(
                self.plan,
                parts,
                _FLEETS[self.root].settings(self.plan.bike),
                judge_key=self.judge_key,
                older_layout=self.older_layout,
                comfort_rules=self.comfort_rules,
            )
        except UNFORESEEN as error:  # one ride must not end the night
            return RideDone(self.plan, f"ride {self.plan.ride}: {type(error).__name__}: {error}")
        write_result(self.root, result)
        return RideDone(self.plan, slim=slim(result))

    @property
    def size(self) -> int:
        """Bytes to judge, roughly."""
        return BYTES_A_ROW * sum(p.kept.info.rows for p in self.plan.parts)

    def killed(self) -> "RideDone":
        """What is said where the process that did it was ended twice."""
        fault = f"ride {self.plan.ride}: the process that judged it was ended by the system, twice"
        return RideDone(self.plan, fault)


@dataclass(frozen=True, slots=True)
class RideDone:
    """A ride that was judged, without the bulk of its result.

    fault: why it could not be, an error of ridecheck itself; damaged: the kept file that
    could not be read; both "" where it was judged.
    """

    plan: RidePlan
    fault: str = ""
    damaged: str = ""
    slim: RideResult | None = None


def slim(result: RideResult) -> RideResult:
    """A result without its bulk: what it is of, and the dangers in it."""
    dangers = (f for f in result.findings if f.severity is Severity.DANGER)
    return replace(
        result,
        findings=tuple(replace(f, picture=None) for f in dangers),
        cancels=(),
        rules=(),
        channels={},
        measures={},
        notes=(),
        sketch=None,
    )


@dataclass(slots=True)
class Crew:
    """Does tasks in this process or, where there is much to read, in several."""

    fleet: Fleet
    workers: int
    progress: Progress | None = None
    _root: Path = field(init=False)

    def __post_init__(self) -> None:
        self._root = self.fleet.root
        _FLEETS[self._root] = self.fleet

    def logs(self, tasks: Sequence[LogTask]) -> Iterator[LogTaken]:
        """Take logs in, in any order."""
        return self._counted(tasks, sum(t.size for t in tasks), _log_killed)

    def rides(self, tasks: Sequence[RideTask]) -> Iterator[RideDone]:
        """Judge rides, in any order."""
        return self._counted(tasks, sum(t.size for t in tasks), _ride_killed)

    def _counted(
        self,
        tasks: Sequence[Callable[[], Result]],
        size: int,
        killed: Callable[[Any], Result],
    ) -> Iterator[Result]:
        for done, result in enumerate(self._results(tasks, size, killed), start=1):
            if self.progress is not None:
                self.progress(done, len(tasks))
            yield result

    def _results(
        self,
        tasks: Sequence[Callable[[], Result]],
        size: int,
        killed: Callable[[Any], Result],
    ) -> Iterator[Result]:
        if size < ALONE_BELOW_BYTES or self.workers < 2 or len(tasks) < 2:
            return (task() for task in tasks)
        return run_tasks(
            _do,
            tasks,
            workers=min(self.workers, len(tasks)),
            prepare=_prepare,
            prepare_with=(self._root,),
            killed=killed,
        )


def _prepare(root: Path) -> None:
    _FLEETS[root] = load_fleet(root, known_limits=known_limits())


def _do(task: Callable[[], Result]) -> Result:
    if not isinstance(task, LogTask):
        return task()
    limits = _FLEETS[task.root].reading
    most_s = limits.cpu_s + limits.cpu_s_per_mb * LOG_LIMIT_BYTES / 1e6
    with ended_by_the_system(most_s):
        return cast("Result", task())


def _log_killed(task: LogTask) -> LogTaken:
    return task.killed()


def _ride_killed(task: RideTask) -> RideDone:
    return task.killed()
