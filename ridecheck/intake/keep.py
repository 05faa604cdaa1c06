"""One log into the fleet folder: hashed, read if its bytes or its layout are new, kept."""

import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from ridecheck.core.cpu_limit import OutOfTime, cpu_limit
from ridecheck.core.errors import LogError
from ridecheck.core.model import Part, PartInfo
from ridecheck.core.unforeseen import UNFORESEEN
from ridecheck.fleet import Fleet
from ridecheck.intake.normalise import read_key
from ridecheck.intake.read import LARGE_BYTES, Reading
from ridecheck.intake.readers import FoundLog, Member, choose_layout, open_log
from ridecheck.intake.readers.choose import bikes_named
from ridecheck.store.parts import (
    KeptPart,
    add_name,
    drop_name,
    holds_rows,
    kept_parts_of,
    list_parts,
    read_part,
    remove_part,
    sha256_of,
    write_part,
)


@dataclass(frozen=True, slots=True)
class MemberTaken:
    """What became of one log.

    read: it was read now. fault: an error of ridecheck itself, "" where there was none.
    gives: bike and stem of each of its parts. bikes: where there is a problem, whose log
    it is, as far as that is known. again: it is to be tried again by the next run.
    """

    log: str
    sha256: str
    problem: LogError | None = None
    read: bool = False
    fault: str = ""
    gives: tuple[tuple[str, str], ...] = ()
    bikes: tuple[str, ...] = ()
    again: bool = False


@dataclass(frozen=True, slots=True)
class LogTaken:
    """What became of one file of the inbox, and which bikes' parts changed by it."""

    found: FoundLog
    members: tuple[MemberTaken, ...]
    touched: frozenset[str]


def take_log(
    root: Path,
    found: FoundLog,
    fleet: Fleet,
    *,
    layout: str | None = None,
    bike: str | None = None,
    layouts: tuple[str, ...] = (),
    now: datetime,
) -> LogTaken:
    """Take the logs in one file in. A bad log is reported, never raised.

    layout, bike: stated by the user. layouts: those to try, all where empty. Raises
    OSError where the fleet folder cannot be written: that stops the run.
    """
    if layouts:
        tried = {n: one for n, one in fleet.layouts.items() if n in layouts}
        fleet = replace(fleet, layouts=tried)
    taking = _Taking(root, fleet, layout, bike, now)
    members: list[MemberTaken] = []
    try:
        for member in _unpacked(taking, found):
            members.append(taking.timed(member))
    except OutOfTime:
        members.append(taking.too_long(found.name, sha256_of(found.path), found.size))
    except LogError as problem:
        sha256 = sha256_of(found.path)
        bikes = taking.bikes_of(found.name)
        members.append(MemberTaken(found.name, sha256, problem=problem, bikes=bikes))
    return LogTaken(found, tuple(members), frozenset(taking.touched))


def _unpacked(taking: "_Taking", found: FoundLog) -> Iterator[Member]:
    """The logs in a file, each unpacked within the CPU time its file is allowed."""
    members = open_log(found.path, name=found.name)
    while True:
        with cpu_limit(taking.allowed_s(found.size)):
            member = next(members, None)
        if member is None:
            return
        yield member


def _gives(parts: Iterable[KeptPart]) -> tuple[tuple[str, str], ...]:
    return tuple((p.info.bike, p.info.stem) for p in parts)


def is_fresh(fleet: Fleet, kept: KeptPart) -> bool:
    """Whether the log would be read the same way today, as far as fleet files alone say."""
    layout = fleet.layouts.get(kept.info.layout)
    bike = fleet.bikes.get(kept.info.bike)
    named = bike.layout if bike is not None and not kept.info.stated else None
    return (
        layout is not None
        and named in (None, kept.info.layout)
        and read_key(kept.info.sha256, layout) == kept.info.read_key
    )


@dataclass(slots=True)
class _Spool:
    """The parts of one log until it is known that all of it can be read.

    Of a large log they wait on the disk, beside nothing of the fleet's, one in memory at a
    time; of any other they are held. infos: of the parts put in, in order.
    """

    folder: Path | None
    infos: list[PartInfo] = field(default_factory=list)
    held: list[Part] = field(default_factory=list)

    def put(self, part: Part) -> None:
        """Add a part."""
        self.infos.append(part.info)
        if self.folder is None:
            self.held.append(part)
        else:
            write_part(self.folder, part)

    def take(self) -> Iterator[Part]:
        """The parts, in order."""
        if self.folder is None:
            yield from self.held
            return
        for info in self.infos:
            yield read_part(self.folder, info.bike, info.stem)


@contextmanager
def _spool(member: Member) -> Iterator[_Spool]:
    if member.size <= LARGE_BYTES:
        yield _Spool(None)
        return
    with tempfile.TemporaryDirectory(prefix="ridecheck-") as folder:
        yield _Spool(Path(folder))


@dataclass(slots=True)
class _Taking:
    """The taking in of one file. touched gathers the bikes whose parts changed."""

    root: Path
    fleet: Fleet
    layout: str | None
    bike: str | None
    now: datetime
    touched: set[str] = field(default_factory=set)

    def allowed_s(self, size: int) -> float:
        """CPU time a log of so many bytes may take."""
        limits = self.fleet.reading
        return limits.cpu_s + limits.cpu_s_per_mb * size / 1e6

    def timed(self, member: Member) -> MemberTaken:
        """Take one log in, within the CPU time it is allowed."""
        try:
            with cpu_limit(self.allowed_s(member.size)):
                return self.member(member)
        except OutOfTime:
            return self.too_long(member.name, member.sha256, member.size)

    def too_long(self, name: str, sha256: str, size: int) -> MemberTaken:
        """What is said of a log that took more CPU time than it is allowed."""
        problem = LogError(
            "Reading the log took more CPU time than is allowed; the next run tries it again",
            where=name,
            value=f"more than {self.allowed_s(size):.3g} s for {size / 1e6:.3g} MB",
            what_to_do="Cut the log into shorter pieces, or raise cpu_s in fleet.toml.",
        )
        bikes = self.bikes_of(name)
        return MemberTaken(name, sha256, problem=problem, bikes=bikes, again=True)

    def member(self, member: Member) -> MemberTaken:
        """Take one log in: nothing to do where its bytes are known and would read the same."""
        if member.problem is not None:
            return self._refused(member, member.problem)
        same_bytes = kept_parts_of(self.root, member.sha256)
        kept = [p for p in same_bytes if member.name in p.names]
        if self._is_known(kept) and self._chosen_today(member, kept):
            return MemberTaken(member.name, member.sha256, gives=_gives(kept))
        if any(p.info.thinned for p in same_bytes):  # judged long ago; only the name is new
            for old in same_bytes:
                self.touched.add(old.info.bike)
                add_name(self.root, old, member.name)
            return MemberTaken(member.name, member.sha256, gives=_gives(same_bytes))
        first_seen = min((p.first_seen for p in same_bytes), default=self.now)
        with _spool(member) as spool:
            try:
                reading = Reading(
                    member, self.fleet, layout=self.layout, bike=self.bike, first_seen=first_seen
                )
                for part in reading.parts():
                    spool.put(part)
            except LogError as problem:
                return self._refused(member, problem)
            except UNFORESEEN as error:  # one log must not end the night
                fault = f"{type(error).__name__}: {error}"
                said = _fault(member, fault)
                return replace(self._refused(member, said), fault=fault)
            self._keep(member, reading, spool, first_seen)
        self._forget_otherwise_read(member.name, kept, spool.infos)
        gives = tuple((i.bike, i.stem) for i in spool.infos)
        bikes = tuple(sorted({bike for bike, _ in gives})) if reading.problem else ()
        return MemberTaken(
            member.name,
            member.sha256,
            problem=reading.problem,
            read=True,
            gives=gives,
            bikes=bikes,
        )

    def bikes_of(self, name: str) -> tuple[str, ...]:
        """Whose log it is that cannot be read."""
        return (self.bike,) if self.bike else bikes_named(name, self.fleet)

    def _refused(self, member: Member, problem: LogError) -> MemberTaken:
        bikes = self.bikes_of(member.name)
        return MemberTaken(member.name, member.sha256, problem=problem, bikes=bikes)

    def _is_known(self, kept: Sequence[KeptPart]) -> bool:
        return (
            bool(kept)
            and len(kept) == kept[0].siblings
            and not any(p.info.partly for p in kept)
            and all(is_fresh(self.fleet, p) or p.info.thinned for p in kept)
            and all(self.layout in (None, p.info.layout) for p in kept)
            and all(self.bike in (None, p.info.bike) for p in kept)
        )

    def _chosen_today(self, member: Member, kept: Sequence[KeptPart]) -> bool:
        """Whether the layout and the bike chosen now are those that it was read by."""
        if all(p.info.stated or p.info.thinned for p in kept):
            return True  # by a person; one stated now was asked about by _is_known
        try:
            choice = choose_layout(member, self.fleet, layout=self.layout, bike=self.bike)
        except LogError:
            return False
        return all(p.info.layout == choice.name and choice.bike in ("", p.info.bike) for p in kept)

    def _keep(
        self, member: Member, reading: Reading, spool: "_Spool", first_seen: datetime
    ) -> None:
        for part in spool.take():
            self.touched.add(part.info.bike)
            write_part(
                self.root,
                reading.marked(part),
                names=(member.name,),
                siblings=len(spool.infos),
                first_seen=first_seen,
            )

    def _forget_otherwise_read(
        self, name: str, kept: Sequence[KeptPart], infos: Sequence[PartInfo]
    ) -> None:
        """Drop what the same bytes gave before: another bike's, or in more parts."""
        now_there = {(i.bike, i.stem) for i in infos}
        for old in kept:
            if (old.info.bike, old.info.stem) not in now_there:
                self.touched.add(old.info.bike)
                drop_name(self.root, old, name)


def forget_older(root: Path, bike: str, logs: Mapping[str, frozenset[str]]) -> bool:
    """Drop what logs gave when they were other files: they have grown, or were cut.

    logs: name -> stems it gives now. Rows that are in none of them stay: they were ridden.
    A part that other logs gave too only loses the name. True where anything changed.
    """
    listed, _ = list_parts(root, bike)
    by_name: dict[str, list[KeptPart]] = {}
    for part in listed:
        for name in part.names:
            if name in logs and not part.info.thinned:
                by_name.setdefault(name, []).append(part)
    changed = False
    for name, own in sorted(by_name.items()):
        new = [p for p in own if p.info.stem in logs[name]]
        for old in (p for p in own if p.info.stem not in logs[name]):
            if len(old.names) > 1 or any(holds_rows(root, n, old) for n in new):
                drop_name(root, old, name)
                changed = True
                continue
            for part in [n for n in new if n.names == (name,)]:
                if holds_rows(root, old, part):  # it was cut: what was read stays
                    remove_part(root, bike, part.info.stem)
                    new.remove(part)
                    changed = True
    return changed


def _fault(member: Member, fault: str) -> LogError:
    return LogError(
        "The log could not be read because of a fault in ridecheck itself",
        where=member.name,
        value=fault[:300],
        what_to_do="Report it with the log; the other logs were read.",
    )


def killed(found: FoundLog, fleet: Fleet) -> LogTaken:
    """What is said of a log whose reader was ended by the system, twice."""
    sha256 = ""
    with suppress(OSError):
        sha256 = sha256_of(found.path)
    problem = LogError(
        "The process that read this log was ended by the system, twice",
        where=found.name,
        value=f"{found.size} bytes",
        what_to_do="See whether memory ran out; cut the log into shorter pieces.",
    )
    bikes = bikes_named(found.name, fleet)
    member = MemberTaken(found.name, sha256, problem=problem, bikes=bikes)
    return LogTaken(found, (member,), frozenset())
