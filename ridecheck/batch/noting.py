"""What a person says of bikes and rides, written while the fleet folder is held.

An event goes to the end of the bike's file; one that closes dangers is entered in the bike's
register at once. Where fleet.toml is wrong the event is kept, and entered by the next run.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from ridecheck.batch.facts import BikeFacts
from ridecheck.batch.holding import held
from ridecheck.batch.registering import Registers
from ridecheck.bike.closed import closed_findings
from ridecheck.bike.events_allowed import Noted, event_of, log_set_aside, result_of
from ridecheck.bike.signed import NOTHING_OPEN, SIGNING, event_hash, rule_named
from ridecheck.core.dangers import Closed, Found
from ridecheck.core.errors import FleetError, UsageError
from ridecheck.core.model import RideResult
from ridecheck.core.strict_toml import BIKE_ID, is_visible
from ridecheck.fleet import Fleet, load_fleet
from ridecheck.fleet.events import Event, append_event, new_event
from ridecheck.rules.engine import known_limits
from ridecheck.store.index import Known
from ridecheck.store.parts import list_parts
from ridecheck.store.results import read_results

WAIT_S = 60.0
"""How long a note waits for a run, or for another note, to release the folder."""


@dataclass(frozen=True, slots=True)
class _Desk:
    """One bike's register brought up to date. None: fleet.toml is wrong, so that it is not."""

    bike: str
    fleet: Fleet
    registers: Registers
    results: tuple[RideResult, ...]

    @classmethod
    def at(cls, root: Path, bike: str, now: datetime) -> "_Desk | None":
        """The desk of a bike."""
        try:
            fleet = load_fleet(root, known_limits=known_limits())
        except FleetError:
            return None
        results = tuple(read_results(root, bike)[0].values())
        registers = Registers(BikeFacts.of(fleet), Known.nothing(), now)
        registers.begin(bike, results, list_parts(root, bike)[0])
        registers.misread(bike, results)
        return cls(bike, fleet, registers, results)

    def open_dangers(self) -> tuple[Found, ...]:
        """What is open in its register."""
        return tuple(self.registers.of(self.bike).open.values())

    def closed(self) -> frozenset[str]:
        """Ids of findings that are closed."""
        context = BikeFacts.of(self.fleet).context(self.bike, (), self.registers.of(self.bike))
        return closed_findings(self.results, context)


def note(root: Path, bikes: Sequence[str], noted: Noted, *, now: datetime) -> tuple[str, ...]:
    """Append an event to each bike's file; a sentence each on what it closed.

    Raises UsageError before anything is written, FleetBusy where the folder stays held.
    """
    root = Path(root)
    with held(root, wait_s=WAIT_S):
        desks = {bike: _Desk.at(root, bike, now) for bike in bikes}
        for bike in bikes:
            _is_known(root, bike)
        events = {bike: event_of(root, bike, noted, now=now) for bike in bikes}
        for bike, event in events.items():
            _may_sign(desks[bike], bike, event)
        text = []
        for bike, event in events.items():
            before = desks[bike]
            append_event(root, bike, event)
            text.append(_told(before, _Desk.at(root, bike, now), event))
    return tuple(text)


def assign(root: Path, ride: str, bike: str, *, by: str, reason: str, now: datetime) -> str:
    """Record that a ride belongs to another bike; the bike it was filed under."""
    root = Path(root)
    with held(root, wait_s=WAIT_S):
        result = result_of(root, ride)
        _is_known(root, bike)
        if bike == result.bike:
            raise UsageError(
                "the ride is filed under this bike already", where=f"results/{bike}", value=ride
            )
        parts = sorted(p.part for p in result.parts)
        _says_why(_Desk.at(root, result.bike, now), parts, by, reason, "assign")
        keys = {"reason": reason} if reason else {}
        event = new_event("assigned", now, ride=ride, parts=parts, to=bike, by=by, **keys)
        append_event(root, result.bike, event)
    return result.bike


def drop(root: Path, ride: str, *, by: str, reason: str, now: datetime) -> str:
    """Record that a ride, or a log set aside, is no bike's of this fleet; a line on it."""
    root = Path(root)
    with held(root, wait_s=WAIT_S):
        if (log := log_set_aside(root, ride)) is not None:
            parts_of = log
            text = (
                f"{ride}: no longer holds {' and '.join(log)} from the next ridecheck screen on.\n"
            )
        else:
            result = result_of(root, ride)
            parts_of = {result.bike: sorted(p.part for p in result.parts)}
            text = f"{ride}: taken out of {result.bike} at the next ridecheck screen.\n"
        for bike, parts in parts_of.items():
            _says_why(_Desk.at(root, bike, now), parts, by, reason, "drop")
        for bike, parts in parts_of.items():
            event = new_event("dropped", now, ride=ride, parts=parts, by=by, reason=reason)
            append_event(root, bike, event)
    return text


def says_why(by: str, reason: str, what: str, where: str) -> None:
    """UsageError unless a person and a reason are named."""
    if not is_visible(by) or not reason.strip():
        raise UsageError(
            f"{what}: this touches an open danger, so who says so and why is needed",
            where=where,
            value=f"--by {by!r} --reason {reason!r}",
            what_to_do="give --by, a role, a name or initials, and --reason",
        )


def _says_why(desk: _Desk | None, parts: Sequence[str], by: str, reason: str, command: str) -> None:
    """Moving a ride with an open danger needs a name and a reason."""
    touched = [e for e in desk.open_dangers() if set(e.parts) & set(parts)] if desk else []
    if touched:
        says_why(by, reason, touched[0].finding, f"ridecheck {command}")


def _is_known(root: Path, bike: str) -> None:
    """UsageError unless a bike has a file of its name in bikes/."""
    if BIKE_ID.fullmatch(bike) and (root / "bikes" / f"{bike}.toml").is_file():
        return
    if not (root / "bikes").is_dir():
        raise UsageError(
            "this is no fleet folder",
            where=str(root.resolve()),
            value="no bikes/ in it",
            what_to_do="name the fleet's folder with --fleet DIR, or make one: ridecheck init DIR",
        )
    known = sorted(p.stem for p in (root / "bikes").glob("*.toml"))
    raise UsageError(
        "unknown bike",
        where=str(root / "bikes"),
        value=bike,
        what_to_do=f"give it a file in bikes/ first; known: {', '.join(known) or 'none'}",
    )


def _may_sign(desk: _Desk | None, bike: str, event: Event) -> None:
    """A sign-off lies neither before the danger it names nor before anybody knew of it."""
    if desk is None or event.kind not in SIGNING:
        return
    when, rule = event.instant(desk.fleet.time_zone), rule_named(event.finding, bike)
    named = [e for e in desk.open_dangers() if e.finding == event.finding or (e.rule == rule)]
    if named and all(e.end is not None and when < min(e.end, e.at) for e in named):
        raise UsageError(
            "it is dated before the danger it names",
            where="ridecheck note --when",
            value=f"{when:%Y-%m-%dT%H:%M:%SZ}",
            what_to_do=f"the danger ended at {named[0].end:%Y-%m-%dT%H:%M:%SZ}",
        )


def _told(before: _Desk | None, after: _Desk | None, event: Event) -> str:
    """What a closing event closed, and what of its rule stays open; "" where nothing is."""
    if before is None or after is None or event.kind not in (*SIGNING, "dismissed"):
        return ""
    rule = rule_named(event.finding, after.bike)
    of_rule = {f.id: f.end is None for r in after.results for f in r.findings if f.rule == rule}
    for desk in (before, after):
        of_rule |= {e.finding: e.end is None for e in desk.open_dangers() if e.rule == rule}
    if not of_rule:
        return ""
    was_open, is_open = (_open(d, of_rule) for d in (before, after))
    text = f"Closes {len(was_open - is_open)} of {len(was_open)} open"
    if not is_open:
        return f"{text}."
    undated = sorted(i for i in is_open if of_rule[i])
    register = after.registers.of(after.bike)
    said = [e for e in register.entries if isinstance(e, Closed) and e.event == event_hash(event)]
    if said and said[-1].why not in ("", NOTHING_OPEN):
        text = f"{text} ({said[-1].why})"
    if undated:
        return (
            f"{text}; {len(is_open)} stay open: one without a date is closed by its id, "
            f"{undated[0]}."
        )
    return (
        f"{text}; {len(is_open)} stay open: name the rule with --finding to close all up to --when."
    )


def _open(desk: _Desk, ids: Sequence[str] | dict[str, bool]) -> set[str]:
    """Which of these findings are open."""
    closed = desk.closed()
    found = {f.id for r in desk.results for f in r.findings}
    standing = {e.finding for e in desk.open_dangers()}
    return {i for i in ids if (i in found and i not in closed) or i in standing}
