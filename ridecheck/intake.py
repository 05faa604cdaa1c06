"""One log into the fleet folder: hashed, read if its bytes or its layout are new, kept."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from ridecheck import store
from ridecheck.errors import LogError
from ridecheck.fleet import Fleet
from ridecheck.model import PartInfo
from ridecheck.normalise import read_key
from ridecheck.readers import FoundLog, Member, open_log
from ridecheck.reading import take_in
from ridecheck.store import KeptPart


@dataclass(frozen=True, slots=True)
class MemberTaken:
    """What became of one log. fault: an error of ridecheck itself, "" where there was none."""

    log: str
    sha256: str
    problem: LogError | None = None
    read: bool = False
    fault: str = ""


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
    changed: bool = False,
    now: datetime,
) -> LogTaken:
    """Take the logs in one file in. A bad log is told, never raised.

    layout, bike: stated by the user. layouts: those to try, all where empty. changed: it
    was seen before and is another file now.
    Raises OSError where the fleet folder cannot be written: that stops the run.
    """
    members: list[MemberTaken] = []
    touched: set[str] = set()
    if layouts:
        tried = {n: one for n, one in fleet.layouts.items() if n in layouts}
        fleet = replace(fleet, layouts=tried)
    try:
        for member in open_log(found.path, name=found.name):
            members.append(_take_member(root, member, fleet, layout, bike, now, touched, changed))
    except LogError as problem:
        sha256 = store.sha256_of(found.path)
        members.append(MemberTaken(found.name, sha256, problem=problem))
    return LogTaken(found, tuple(members), frozenset(touched))


def is_fresh(fleet: Fleet, kept: KeptPart) -> bool:
    """Would the log be read the same way today?"""
    layout = fleet.layouts.get(kept.info.layout)
    return layout is not None and read_key(kept.info.sha256, layout) == kept.info.read_key


def _take_member(
    root: Path,
    member: Member,
    fleet: Fleet,
    layout: str | None,
    bike: str | None,
    now: datetime,
    touched: set[str],
    changed: bool,
) -> MemberTaken:
    if member.problem is not None:
        return MemberTaken(member.name, member.sha256, problem=member.problem)
    same_bytes = store.parts_of(root, member.sha256)
    kept = [p for p in same_bytes if member.name in p.names]
    if _is_known(fleet, kept, layout, bike):
        if changed:
            _forget_older(root, member.name, [p.info for p in kept], touched)
        return MemberTaken(member.name, member.sha256)
    if any(p.info.thinned for p in same_bytes):  # judged long ago; only the name is new
        for old in same_bytes:
            touched.add(old.info.bike)
            store.add_name(root, old, member.name)
        return MemberTaken(member.name, member.sha256)
    first_seen = min((p.first_seen for p in same_bytes), default=now)
    try:
        parts = take_in(member, fleet, layout=layout, bike=bike, first_seen=first_seen)
    except LogError as problem:
        return MemberTaken(member.name, member.sha256, problem=problem)
    except Exception as error:  # one log must not end the night
        fault = f"{type(error).__name__}: {error}"
        return MemberTaken(member.name, member.sha256, problem=_fault(member, fault), fault=fault)
    for part in parts:
        touched.add(part.info.bike)
        store.write_part(
            root,
            part,
            names=(member.name,),
            siblings=len(parts),
            first_seen=first_seen,
        )
    for old in kept:  # the same bytes, filed under another bike or in more parts before
        if (old.info.bike, old.info.stem) not in {(p.info.bike, p.info.stem) for p in parts}:
            touched.add(old.info.bike)
            store.drop_name(root, old, member.name)
    _forget_older(root, member.name, [p.info for p in parts], touched)
    return MemberTaken(member.name, member.sha256, read=True)


def _is_known(fleet: Fleet, kept: Sequence[KeptPart], layout: str | None, bike: str | None) -> bool:
    return (
        bool(kept)
        and len(kept) == kept[0].siblings
        and all(is_fresh(fleet, p) or p.info.thinned for p in kept)
        and all(layout in (None, p.info.layout) and bike in (None, p.info.bike) for p in kept)
    )


def _forget_older(root: Path, name: str, parts: Sequence[PartInfo], touched: set[str]) -> None:
    """Drop what this log gave before and gives no more: read otherwise, grown, or cut.

    parts: what it gives now. Rows that are in none of them stay: they were ridden. A part
    that other logs gave too only loses the name.
    """
    now_there = {(p.bike, p.stem) for p in parts}
    for bike in {p.bike for p in parts}:
        listed, _ = store.list_parts(root, bike)
        own = [p for p in listed if name in p.names and not p.info.thinned]
        new = [p for p in own if (bike, p.info.stem) in now_there]
        for old in (p for p in own if (bike, p.info.stem) not in now_there):
            held = any(store.holds_rows(root, n, old) for n in new)
            if held or len(old.names) > 1:
                touched.add(bike)
                store.drop_name(root, old, name)
                continue
            for part in [n for n in new if n.names == (name,)]:
                if store.holds_rows(root, old, part):  # the log was cut: what was read stays
                    store.remove_part(root, bike, part.info.stem)
                    new.remove(part)


def _fault(member: Member, fault: str) -> LogError:
    return LogError(
        "The log could not be read because of a fault in ridecheck itself",
        where=member.name,
        value=fault[:300],
        what_to_do="Report it with the log; the other logs were read.",
    )


def killed(found: FoundLog) -> LogTaken:
    """What is said of a log whose reader was ended by the system, twice."""
    sha256 = ""
    with suppress(OSError):
        sha256 = store.sha256_of(found.path)
    problem = LogError(
        "The process that read this log was ended by the system, twice",
        where=found.name,
        value=f"{found.size} bytes",
        what_to_do="See whether memory ran out; cut the log into shorter pieces.",
    )
    return LogTaken(found, (MemberTaken(found.name, sha256, problem=problem),), frozenset())
