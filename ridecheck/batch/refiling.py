"""Logs that a person files under another bike: an open danger in them asks who and why."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

from ridecheck.batch.noting import says_why
from ridecheck.core.dangers import Found
from ridecheck.fleet import Fleet
from ridecheck.fleet.events import append_event, new_event
from ridecheck.store.parts import list_parts, sha256_of
from ridecheck.store.register import bikes_with_register, read_register


def record_refiling(
    fleet: Fleet, logs: Sequence[Path], bike: str, *, by: str, reason: str, now: datetime
) -> bool:
    """Note on each bike that an open danger is taken from who says so and why.

    True where anything was noted. UsageError where that is not said.
    """
    taken = {
        other: found
        for other in sorted(bikes_with_register(fleet.root) - {bike})
        if (found := _open_in(fleet.root, other, logs))
    }
    for entries in taken.values():
        says_why(by, reason, entries[0].finding, "ridecheck screen --bike")
    for other, entries in taken.items():
        if other in fleet.bikes:
            keys = {"to": bike, "by": by, "reason": reason}
            for ride, parts in _by_ride(entries).items():
                event = new_event(
                    "assigned", now.replace(microsecond=0), ride=ride, parts=parts, **keys
                )
                append_event(fleet.root, other, event)
    return bool(taken)


def _open_in(root: Path, bike: str, logs: Iterable[Path]) -> list[Found]:
    """The open dangers of a bike that lie in these logs, by their bytes or their names."""
    register = read_register(root, bike).register
    kept = {p.info.stem.split("-")[0]: p.names for p in list_parts(root, bike)[0]}
    hashes = {sha256_of(path)[:12] for path in logs}
    names = {path.name for path in logs}
    return [
        entry
        for entry in register.open.values()
        if entry.logs & hashes
        or names & {_file(n) for log in entry.logs for n in kept.get(log, ())}
    ]


def _file(name: str) -> str:
    """The file that a log lies in, without its folder."""
    return name.split("!")[0].rpartition("/")[2]


def _by_ride(entries: Iterable[Found]) -> Mapping[str, list[str]]:
    rides: dict[str, set[str]] = {}
    for entry in entries:
        rides.setdefault(entry.ride, set()).update(entry.parts)
    return {ride: sorted(parts) for ride, parts in rides.items() if parts}
