"""The register of a bike's dangers against its results: what is new in it, and what stays open.

Pure: the batch reads and writes. A danger is the same one where its rule is and the same
moment, or the same stretch of the same log, shows it; judged again, read with another layout
or shown by a second logger it is entered once.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from ridecheck.core.dangers import Found, Register
from ridecheck.core.model import RideResult, Severity, StoredFinding


@dataclass(frozen=True, slots=True)
class Keys:
    """What dangers are found with today: version, layout name -> its key, the model and its key."""

    version: str = ""
    layouts: Mapping[str, str] = field(default_factory=dict)
    model: str = ""
    model_key: str = ""


def with_dangers(
    register: Register,
    rides: Iterable[RideResult],
    *,
    at: datetime,
    keys: Keys,
    known_since: Mapping[str, datetime] | None = None,
) -> Register:
    """The register with every danger of these rides that is not in it yet.

    known_since: stem -> when its log was first seen, for a register made again.
    """
    for ride in rides:
        for finding in ride.findings:
            if finding.severity is Severity.DANGER and not entries_of(register, finding, ride):
                since = (
                    [known_since[p.part] for p in ride.parts if p.part in known_since]
                    if (known_since)
                    else []
                )
                entry = entry_of(finding, ride, at=max(since, default=at), keys=keys)
                register = register.with_entries(replace(entry, restored=known_since is not None))
    return register


def entry_of(finding: StoredFinding, ride: RideResult, *, at: datetime, keys: Keys) -> Found:
    """A danger as it is entered."""
    return Found(
        at=at,
        finding=finding.id,
        rule=finding.rule,
        ride=ride.ride,
        parts=tuple(p.part for p in ride.parts),
        dating=ride.dating,
        start=finding.start,
        end=finding.end,
        start_s=finding.start_s,
        end_s=finding.end_s,
        message=finding.message,
        measured=finding.measured,
        limit=finding.limit,
        unit=finding.unit,
        channels=finding.channels,
        doubt=finding.doubt,
        version=ride.version,
        layouts={n: keys.layouts.get(n, "") for n in ride.layouts},
        model=ride.model,
        model_key=keys.model_key if ride.model == keys.model else "",
    )


def finding_of(entry: Found, bike: str) -> StoredFinding:
    """An entry as a finding of a report, saying who found it."""
    layouts = " and ".join(sorted(entry.layouts)) or "unknown"
    return StoredFinding(
        id=entry.finding,
        rule=entry.rule,
        severity=Severity.DANGER,
        ride=entry.ride,
        start=entry.start,
        end=entry.end,
        start_s=entry.start_s,
        end_s=entry.end_s,
        message=entry.message,
        measured=entry.measured,
        limit=entry.limit,
        unit=entry.unit,
        channels=entry.channels,
        doubt=entry.doubt,
        carried_from=f"version {entry.version or 'unknown'}, layout {layouts}"
        + (f", on {entry.moved_from}" if entry.moved_from not in ("", bike) else ""),
    )


def entries_of(register: Register, finding: StoredFinding, ride: RideResult) -> Mapping[int, Found]:
    """The entries that are of this danger, by number.

    One closed as misread is not: it was closed because it was not found any more, so that
    finding it again is another danger.
    """
    misread = register.misread
    return {
        n: e
        for n, e in register.numbered()
        if isinstance(e, Found) and n not in misread and _is_same(e, finding, ride)
    }


def closed_dangers(register: Register, rides: Iterable[RideResult]) -> frozenset[str]:
    """Ids of the dangers in these rides that a person has closed.

    What is not in the register, or is open in it under any number, is open.
    """
    open_numbers = register.open.keys()
    closed: set[str] = set()
    still_open: set[str] = set()
    for ride, finding in _dangers(rides):
        entries = entries_of(register, finding, ride)
        is_open = not entries or bool(entries.keys() & open_numbers)
        (still_open if is_open else closed).add(finding.id)
    return frozenset(closed - still_open)


def not_found_now(register: Register, rides: Iterable[RideResult]) -> Mapping[int, Found]:
    """Open entries that no danger of these rides accounts for, by number."""
    met = {n for ride, finding in _dangers(rides) for n in entries_of(register, finding, ride)}
    return {n: e for n, e in register.open.items() if n not in met}


def gone_to(
    register: Register, other: Register, bike: str, *, logs: frozenset[str], at: datetime
) -> Iterator[Found]:
    """Open entries of one register that go with their logs into another bike's, as entries there.

    logs: the first twelve digits of the logs that are that bike's now.
    """
    have = [e for _, e in other.numbered() if isinstance(e, Found)]
    for entry in register.open.values():
        if not entry.logs & logs or any(_is_one(entry, e) for e in have):
            continue
        here, _, rest = entry.finding.partition("/")
        yield replace(entry, at=at, finding=f"{bike}/{rest}", moved_from=entry.moved_from or here)


def _dangers(rides: Iterable[RideResult]) -> Iterator[tuple[RideResult, StoredFinding]]:
    return ((r, f) for r in rides for f in r.findings if f.severity is Severity.DANGER)


def _is_same(entry: Found, finding: StoredFinding, ride: RideResult) -> bool:
    """Whether an entry and a finding are one danger: the moment or the stretch of a log."""
    if entry.rule != finding.rule:
        return False
    if entry.dating == ride.dating == "time" and _overlap(
        entry.start, entry.end, finding.start, finding.end
    ):
        return True
    logs = {p.part.split("-")[0] for p in ride.parts}
    if not entry.logs & logs:
        return False
    same_parts = set(entry.parts) == {p.part for p in ride.parts}
    return entry.finding == finding.id or (
        same_parts and entry.start_s <= finding.end_s and finding.start_s <= entry.end_s
    )


def _is_one(a: Found, b: Found) -> bool:
    """Whether entries of two registers are of one danger of one log."""
    return (
        a.rule == b.rule and bool(a.logs & b.logs) and a.start_s <= b.end_s and b.start_s <= a.end_s
    ) or (a.rule == b.rule and _overlap(a.start, a.end, b.start, b.end) and bool(a.logs & b.logs))


def _overlap(
    a: datetime | None, a_end: datetime | None, b: datetime | None, b_end: datetime | None
) -> bool:
    if a is None or a_end is None or b is None or b_end is None:
        return False
    return a <= b_end and b <= a_end
