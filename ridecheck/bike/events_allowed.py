"""Which events may be noted for a bike, and what they must name."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import get_args

from ridecheck.bike.checks import Component, checks
from ridecheck.bike.diagnose.history import FAULT_WORDS
from ridecheck.bike.signed import MISREAD_CHECK, REGISTER, rule_named
from ridecheck.core.dangers import Found
from ridecheck.core.errors import UsageError
from ridecheck.core.model import RideResult, Severity, StoredFinding
from ridecheck.core.names import nearest_names
from ridecheck.fleet.events import KINDS, Event, events_of, new_event
from ridecheck.rules import all_rules
from ridecheck.rules.base import Rule
from ridecheck.store.parts import kept_parts_of
from ridecheck.store.register import read_register
from ridecheck.store.results import read_result, read_results
from ridecheck.store.set_aside import log_stem, read_records

BY_HAND = tuple(k for k in KINDS if k not in ("assigned", "dropped", "forgotten"))
"""Kinds a person notes; the others come with their own commands."""
RESULTS = ("ok", "fault")
_EARLIEST_ZONE = timedelta(days=1)
"""A day that has not begun in UTC may have begun elsewhere."""


@dataclass(frozen=True, slots=True)
class Noted:
    """What a person says happened. when: a day or an instant."""

    kind: str
    when: date
    part: str = ""
    note: str = ""
    by: str = ""
    check: str = ""
    result: str = ""
    finding: str = ""
    checks: Sequence[str] = ()
    reason: str = ""


def event_of(root: Path, bike: str, noted: Noted, *, now: datetime) -> Event:
    """The event to append, once it names what its kind asks for.

    A danger is closed by a sign-off alone, which names every check its rule asks for.
    now: no event is dated after it. Raises UsageError.
    """
    if noted.kind not in BY_HAND:
        raise _unknown("kind of event", noted.kind, BY_HAND)
    if noted.part and noted.kind == "repair" and noted.part not in get_args(Component):
        raise _unknown("part", noted.part, get_args(Component))
    if noted.kind == "checked":
        _is_a_check(noted.check)
        if noted.result not in RESULTS:
            raise _unknown("result", noted.result, RESULTS)
    _is_past(noted.when, now)
    if noted.kind == "misread":
        _is_misread(noted, bike)
    elif noted.kind in ("signed_off", "dismissed") and noted.finding:
        rule, severity = rule_closed(root, bike, noted.finding)
        _may_close(noted, rule, severity)
        _refuse_faults(root, bike, noted)
    keys = {
        name: value
        for name in ("part", "note", "by", "check", "result", "finding", "reason")
        if (value := getattr(noted, name))
    }
    if noted.checks:
        keys["checks"] = list(noted.checks)
    return new_event(noted.kind, noted.when, **keys)


def _is_past(when: date, now: datetime) -> None:
    """UsageError for what is dated after now; a day begins at its start anywhere on earth."""
    day = when if not isinstance(when, datetime) else when.astimezone(UTC).date()
    later = when > now if isinstance(when, datetime) else day > now.date() + _EARLIEST_ZONE
    if later:
        raise UsageError(
            "an event cannot be dated after now",
            where="ridecheck note --when",
            value=str(when),
            what_to_do=f"it is {now:%Y-%m-%dT%H:%M:%SZ}; leave --when out for now",
        )


def _is_misread(noted: Noted, bike: str) -> None:
    """UsageError unless a misread names a danger's rule or id, and the one check it asks for."""
    if noted.check != MISREAD_CHECK:
        raise UsageError(
            "a misread danger asks for one check",
            where="ridecheck note --check",
            value=noted.check,
            what_to_do=f"work the control by hand, compare the raw column, then "
            f"--check {MISREAD_CHECK}",
        )
    rules = all_rules()
    rule = rules.get(rule_named(noted.finding, bike))
    if rule is None or rule.severity is not Severity.DANGER:
        dangers = [r.id for r in rules.values() if r.severity is Severity.DANGER]
        raise _unknown("danger", noted.finding, dangers)


def results_of(root: Path, bike: str) -> Iterator[RideResult]:
    """The stored results of a bike that can be read, by ride id."""
    yield from read_results(root, bike)[0].values()


def result_of(root: Path, ride: str) -> RideResult:
    """The stored result of a ride, whichever bike it is filed under. Raises UsageError."""
    found = [p for p in sorted((root / "results").glob("*/*.json")) if p.stem == ride]
    if not found:
        known = [p.stem for p in (root / "results").glob("*/*.json")]
        close = nearest_names(ride, known)
        raise UsageError(
            "there is no such ride",
            where=str(root / "results"),
            value=ride,
            what_to_do=f"did you mean {close[0]}?" if close else "take an id from a bike's page",
        )
    try:
        return read_result(found[0])
    except OSError:
        raise UsageError(
            "what was found in this ride cannot be read",
            where=f"results/{found[0].parent.name}/{found[0].name}",
            what_to_do="run ridecheck screen: it is judged again where its samples are kept",
        ) from None


def log_set_aside(root: Path, log: str) -> dict[str, list[str]] | None:
    """What a drop of a log set aside names, by the bikes it holds; None where there is none."""
    held: dict[str, list[str]] = {}
    for record in read_records(root):
        if record.log == log:
            parts = kept_parts_of(root, record.sha256) if record.sha256 else ()
            for bike in record.bikes:
                own = [p.info.stem for p in parts if p.info.bike == bike]
                held.setdefault(bike, []).extend([log_stem(record.sha256), *own])
    return held or None


def rule_closed(root: Path, bike: str, named: str) -> tuple[Rule | None, Severity]:
    """The rule an id or a rule's name points at, and what it weighs."""
    rules = all_rules()
    if (name := named.removeprefix(f"{bike}/")) in rules:
        return rules[name], rules[name].severity
    if name == REGISTER:
        return None, Severity.DANGER
    if _is_registered(root, bike, named):
        return rules.get(rule_named(named, bike)), Severity.DANGER
    findings = [f for result in results_of(root, bike) for f in result.findings]
    for finding in findings:
        if finding.id == named:
            return rules.get(finding.rule), finding.severity
    raise UsageError(
        "this bike has no such finding",
        where=f"results/{bike}",
        value=named,
        what_to_do=_ids_known(findings, named),
    )


def _is_registered(root: Path, bike: str, named: str) -> bool:
    """Whether an id is that of a danger in the bike's register."""
    entries = read_register(root, bike).register.entries
    return any(isinstance(e, Found) and e.finding == named for e in entries)


def _ids_known(findings: Sequence[StoredFinding], named: str) -> str:
    ids = [f.id for f in findings]
    close = nearest_names(named, ids, cutoff=0.6)
    if close:
        return f"did you mean {close[0]}?"
    heavy = sorted(findings, key=lambda f: (f.severity.rank, f.id))[:5]
    if not heavy:
        return "nothing was found on this bike; run ridecheck screen first"
    return "name a rule, or an id from the bike's page, such as " + ", ".join(f.id for f in heavy)


def _may_close(noted: Noted, rule: Rule | None, severity: Severity) -> None:
    if noted.kind == "dismissed" and severity is Severity.DANGER:
        asked = " ".join(f"--checks {c}" for c in rule.checks) if rule else ""
        raise UsageError(
            "a danger cannot be dismissed",
            where="ridecheck note",
            value=noted.finding,
            what_to_do=f"do the checks standing still, then note signed_off {asked}".rstrip(),
        )
    if noted.kind != "signed_off":
        return
    for check in noted.checks:
        _is_a_check(check)
    missing = [c for c in (rule.checks if rule else ()) if c not in noted.checks]
    if missing:
        raise UsageError(
            "the sign-off does not name every check this finding asks for",
            where="ridecheck note --checks",
            value=f"missing: {', '.join(missing)}",
            what_to_do="do these checks standing still, then name each with --checks",
        )
    road = [c for c in noted.checks if not checks()[c].standing]
    if road and severity is Severity.DANGER:
        raise UsageError(
            "a danger is signed off by checks done standing still",
            where="ridecheck note --checks",
            value=", ".join(road),
            what_to_do="leave road checks out; they come after the sign-off, before the next hire",
        )


def _refuse_faults(root: Path, bike: str, noted: Noted) -> None:
    """A check whose last result on record is a fault cannot be named as done and passed."""
    last = {
        e.check: e
        for e in sorted(events_of(root, bike), key=lambda e: e.instant())
        if e.kind == "checked"
    }
    for check in noted.checks if noted.kind == "signed_off" else ():
        found = last.get(check)
        if found is None or found.result not in FAULT_WORDS:
            continue
        by = f" by {found.by}" if found.by else ""
        raise UsageError(
            "the last result of this check on record is a fault",
            where="ridecheck note --checks",
            value=f"{check}: {found.result}, {found.instant():%Y-%m-%d}{by}",
            what_to_do="repair, check again, and note the new result with: ridecheck note "
            f"{bike} checked --check {check} --result ok",
        )


def _is_a_check(name: str) -> None:
    if name not in checks():
        raise _unknown("check", name, tuple(checks()))


def _unknown(what: str, value: str, known: Sequence[str]) -> UsageError:
    close = nearest_names(value, known, cutoff=0.6)
    hint = f"did you mean {close[0]}? " if close else ""
    article = "an" if what[0] in "aeiou" else "a"
    return UsageError(
        f"{article} {what} that ridecheck does not know" if value else f"the {what} is missing",
        where="ridecheck note",
        value=value,
        what_to_do=f"{hint}allowed: {', '.join(known)}",
    )
