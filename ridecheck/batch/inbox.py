"""What lies in the inbox against what is known of it: taken in, left, or set aside."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from ridecheck.batch.freshness import fleet_key, layouts_key
from ridecheck.batch.tasks import Crew, LogTask
from ridecheck.core.errors import UsageError
from ridecheck.core.model import SetAside
from ridecheck.fleet import Fleet
from ridecheck.intake.keep import LogTaken, forget_older
from ridecheck.intake.readers import FoundLog, find_logs, found_log
from ridecheck.store.index import Known, LogRow
from ridecheck.store.parts import add_name, drop_name, part_path, read_part_info
from ridecheck.store.set_aside import read_records, record_of, remove_records, write_record


@dataclass(slots=True)
class Arrivals:
    """The logs of one run: choose, then take. What became of them is in the fields.

    found: logs looked at. rows: what the index will know. touched: bikes whose parts
    changed. growing: files still being written, left for next time. new_seen: logs not
    known before; judged: of those, the ones that could be read. met_before: files whose
    bytes were known, once they were hashed. scanned: the whole inbox
    was looked at, so that what is not there is gone.
    """

    root: Path
    fleet: Fleet
    known: Known
    inbox: Path
    found: list[FoundLog] = field(default_factory=list)
    rows: dict[str, tuple[LogRow, ...]] = field(default_factory=dict)
    taken: list[LogTaken] = field(default_factory=list)
    touched: set[str] = field(default_factory=set)
    growing: list[str] = field(default_factory=list)
    first_aside: list[SetAside] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    met_before: int = 0
    new_seen: int = 0
    judged: int = 0
    ignored: int = 0
    ignored_names: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()
    scanned: bool = False

    def choose(self, logs: Sequence[Path] | None) -> None:
        """All logs of the inbox, or the ones named; those outside it by their bare name."""
        if logs is None:
            found = find_logs(self.inbox)
            self.found, self.ignored = list(found.logs), found.ignored
            self.ignored_names = found.ignored_names
            self.unreadable, self.scanned = found.unreadable, not found.unreadable
            if found.unreadable:  # what lies there is unknown, not gone
                self.rows = dict(self.known.logs)
            return
        self.rows = dict(self.known.logs)
        for path in logs:
            if not path.is_file():
                raise UsageError(
                    "There is no such log", where=str(path), what_to_do="See the spelling."
                )
            inside = self._inside(path)
            name = path.resolve().relative_to(self.inbox.resolve()) if inside else path.name
            self.found.append(found_log(path, str(name)))

    def leave_growing(self, now: datetime, settle_s: float) -> None:
        """Leave out files that were changed less than this long ago."""
        settled = []
        for found in self.found:
            age_s = now.timestamp() - found.mtime_ns / 1e9
            if 0 <= age_s < settle_s and self._is_new(found):
                self._left_growing(found)
            else:
                settled.append(found)
        self.found = settled

    def to_take(
        self,
        now: datetime,
        *,
        layout: str | None = None,
        bike: str | None = None,
        layouts: tuple[str, ...] = (),
        verify: bool = False,
    ) -> list[LogTask]:
        """Tasks for what is new, changed or worth another try; the rest is left as it is."""
        key, layouts_now = fleet_key(self.fleet), layouts_key(self.fleet)
        tasks = []
        for found in self.found:
            again = verify or layout is not None or bike is not None
            if not again and self._stands(found, key, layouts_now):
                self.rows[found.name] = self.known.logs[found.name]
            else:
                tasks.append(LogTask(self.root, found, layout, bike, now, layouts))
        return tasks

    def take(self, tasks: Sequence[LogTask], crew: Crew, now: datetime) -> None:
        """Read what is new or changed, set aside what cannot be read."""
        key = fleet_key(self.fleet)
        before = {(r.log, r.sha256) for r in read_records(self.root)}
        done = sorted(crew.logs(tasks), key=lambda t: t.found.name)
        for taken in _each_bytes_once(done):
            self.touched |= taken.touched
            state = self._still_there(taken.found)
            if state == "same":
                self.taken.append(taken)
                self._note(taken, key, before)
            elif state == "changed":
                self._drop_half_read(taken)
                self._left_growing(taken.found)
        self._keep_every_name()
        self._forget_older()
        self._set_aside(now)

    def _keep_every_name(self) -> None:
        """Two processes that met the same bytes under two names may each have kept only its own."""
        names: dict[tuple[str, str], set[str]] = {}
        for taken in self.taken:
            for member in taken.members:
                for gives in member.gives:
                    names.setdefault(gives, set()).add(member.log)
        for (bike, stem), logs in sorted(names.items()):
            for log in sorted(logs) if len(logs) > 1 else ():
                add_name(self.root, read_part_info(part_path(self.root, bike, stem)), log)

    def _drop_half_read(self, taken: LogTaken) -> None:
        """What a file gave that grew while it was read is no log."""
        for member in taken.members:
            for bike, stem in member.gives if member.read else ():
                with suppress(OSError):
                    kept = read_part_info(part_path(self.root, bike, stem))
                    drop_name(self.root, kept, member.log)

    def _forget_older(self) -> None:
        """Of logs that are other files than before, drop what they give no more."""
        gives: dict[str, dict[str, set[str]]] = {}
        for taken in self.taken:
            for member in taken.members:
                for bike, stem in member.gives:
                    gives.setdefault(bike, {}).setdefault(member.log, set()).add(stem)
        for bike, logs in sorted(gives.items()):
            said = {log: frozenset(stems) for log, stems in logs.items()}
            if forget_older(self.root, bike, said):
                self.touched.add(bike)

    def _is_new(self, found: FoundLog) -> bool:
        rows = self.known.logs.get(found.name, ())
        return not rows or any(r.facts != _facts(found) for r in rows)

    def _stands(self, found: FoundLog, key: str, layouts_now: str) -> bool:
        """Is this the file seen before, and would trying it again change nothing?"""
        rows = self.known.logs.get(found.name, ())
        if self._is_new(found) or self.known.stamps.get("layouts") != layouts_now:
            return False
        return all(r.state == "kept" or r.tried_with == key for r in rows)

    def _still_there(self, found: FoundLog) -> str:
        """The file may have gone or grown while it was read."""
        try:
            now = found_log(found.path, found.name)
        except OSError:
            return "gone"
        return "same" if _facts(now) == _facts(found) else "changed"

    def _left_growing(self, found: FoundLog) -> None:
        self.growing.append(found.name)
        if rows := self.known.logs.get(found.name):
            self.rows[found.name] = rows

    def _note(self, taken: LogTaken, key: str, aside_before: set[tuple[str, str]]) -> None:
        """Keep in mind what became of a log."""
        found = taken.found
        before = {(r.log, r.sha256) for r in self.known.logs.get(found.name, ())} | aside_before
        rows: dict[str, LogRow] = {}  # by name: an archive may hold two members of one name
        for member in taken.members:
            state = "set_aside" if member.problem else "kept"
            tried = key if member.problem and not member.again else ""
            rows[member.log] = LogRow(
                found.name, member.log, member.sha256, *_facts(found), state, tried
            )
            known = member.problem is None and not member.read  # only not that it lies here
            if not known and (member.log, member.sha256) not in before:
                self.new_seen += 1
                self.judged += member.problem is None
            if member.fault:
                self.faults.append(f"log {member.log}: {member.fault}")
        self.met_before += all(m.problem is None and not m.read for m in taken.members)
        if self._inside(found.path):
            self.rows[found.name] = tuple(rows[log] for log in sorted(rows))

    def _set_aside(self, now: datetime) -> None:
        """Write and remove records so that they show what cannot be used now."""
        problems = {
            (member.log, member.sha256): (member.problem, member.bikes)
            for taken in self.taken
            for member in taken.members
            if member.problem is not None
        }
        for (log, sha256), (problem, bikes) in problems.items():
            record = record_of(problem, log=log, sha256=sha256, first_seen=now, bikes=bikes)
            record, first = write_record(self.root, record)
            if first:
                self.first_aside.append(record)
        tried = {t.found.name for t in self.taken}
        there = {r.log for rows in self.rows.values() for r in rows} | {log for log, _ in problems}
        remove_records(
            self.root,
            [
                r
                for r in read_records(self.root)
                if (r.log, r.sha256) not in problems
                and (
                    r.log.split("!")[0] in tried
                    or (self.scanned and r.log not in there and self._holds_no_more(r))
                )
            ],
        )

    def _holds_no_more(self, record: SetAside) -> bool:
        """A log that is gone holds its bikes all the same, until its bytes are met elsewhere."""
        met = {(m.sha256) for taken in self.taken for m in taken.members}
        met |= {r.sha256 for rows in self.rows.values() for r in rows}
        return not record.bikes or record.sha256 in met

    def _inside(self, path: Path) -> bool:
        return path.resolve().is_relative_to(self.inbox.resolve())


def _facts(found: FoundLog) -> tuple[int, int, int]:
    return (found.size, found.mtime_ns, found.inode)


def _each_bytes_once(done: Sequence[LogTaken]) -> list[LogTaken]:
    """Of logs with the same bytes the first by name was read, whichever process was faster."""
    seen: set[str] = set()
    told = []
    for taken in done:
        members = tuple(replace(m, read=m.read and m.sha256 not in seen) for m in taken.members)
        seen |= {m.sha256 for m in members if m.problem is None}
        told.append(replace(taken, members=members))
    return told
