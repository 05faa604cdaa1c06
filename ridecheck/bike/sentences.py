"""How the verdict words what it found, with numbers and without a rule's id."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from ridecheck.bike.case import Case
from ridecheck.core.model import RideResult, StoredFinding


def sentence(case: Case, findings: Sequence[StoredFinding]) -> str:
    """One sentence on findings of one rule: the newest, how often, and what is in doubt."""
    newest = findings[-1]
    words = newest.message.rstrip(".")
    rides = len({f.ride for f in findings})
    facts = [_moment(case, newest)]
    if len(findings) > 1:
        facts.append(f"{times(len(findings))} in {count(rides, 'ride')}")
    ride = next((r for r in case.rides if r.ride == newest.ride), None)
    if ride is not None and not ride.fits_model:
        facts.append(f"seen on a log whose bike is in doubt{fitting(case, ride)}")
    elif newest.doubt:
        facts.append(f"in doubt: {newest.doubt.rstrip('.')}")
    if ride is not None and ride.partly_read:
        facts.append("seen on a log that could be read only in part")
    if newest.carried_from:
        facts.append(f"found by {newest.carried_from}, {_whereabouts(case, newest)}")
    return f"{words} ({'; '.join(facts)})"


def fitting(case: Case, ride: RideResult) -> str:
    """Which bikes or models a ride fits that does not fit this one; "" where none is known."""
    known = case.context.bikes_by_model
    bikes = sorted({b for m in ride.fits for b in known.get(m, ())} - {case.context.bike})
    models = [m for m in ride.fits if not known.get(m)]
    named = [*bikes, *(f"model {m}" for m in models)]
    return f"; it fits {_listed(named)}" if named else ""


def rule_words(rule: str) -> str:
    """A rule's name as words."""
    return rule.split("/")[-1].replace("-", " ")


def count(number: int, noun: str) -> str:
    """A number and its noun."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def times(number: int) -> str:
    """How often, in words."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _moment(case: Case, finding: StoredFinding) -> str:
    if finding.start is None:
        return "date unknown"
    dating = next((r.dating for r in case.rides if r.ride == finding.ride), None) or next(
        (e.dating for e in case.missing.values() if e.finding == finding.id), "time"
    )
    local = finding.start.astimezone(ZoneInfo(case.context.time_zone))
    return f"{local:%Y-%m-%d}" if dating == "date" else f"{local:%Y-%m-%d %H:%M:%S}"


def _whereabouts(case: Case, finding: StoredFinding) -> str:
    """What became of the ride of a danger that is not found now."""
    register = case.context.register
    numbers = [n for n, e in case.missing.items() if e.finding == finding.id]
    if to := next((t for n in numbers if (t := register.moved_to(n))), ""):
        return f"its ride was moved to {to}; open here until it is signed off"
    if not any(r.ride == finding.ride for r in case.rides):
        return "its ride is not kept any more"
    return "not found again since"


def _listed(names: Sequence[str]) -> str:
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} or {names[-1]}"
