"""Which open faults raise a bike to inspect, and when that is lifted again."""

from collections.abc import Sequence
from datetime import datetime

from ridecheck.bike.case import Case
from ridecheck.bike.counting import end_of, may_count, rides_that_count
from ridecheck.core.model import RideResult, Severity, State, StoredFinding
from ridecheck.rules.base import RaiseWhen

OKS_THAT_LIFT = 5
"""This many later rides in which its rule is ok lift an inspect."""
RELAPSE_RIDES = 20
"""One more event within this many rides after that raises it at once."""


def raised(case: Case) -> dict[str, list[StoredFinding]]:
    """Open faults that ask for an inspection, by rule: most findings first."""
    found = {}
    for rule in sorted({f.rule for r in case.counting for f in _faults(case, r)}):
        if _is_raised(case, rule):
            found[rule] = [f for r in case.counting for f in _faults(case, r, rule)]
    return dict(sorted(found.items(), key=lambda item: (-len(item[1]), item[0])))


def _faults(case: Case, ride: RideResult, rule: str | None = None) -> list[StoredFinding]:
    return [f for f in case.open_in(ride, rule) if f.severity is Severity.FAULT]


def rides_ok(case: Case, rule: str) -> int:
    """How many rides in which a raised rule is ok have come since it was last found."""
    fit = [r for r in case.rides if may_count(r)]
    found = [i for i, r in enumerate(fit) if _faults(case, r, rule)]
    return sum(_state(r, rule) is State.OK for r in fit[found[-1] + 1 :]) if found else 0


def _is_raised(case: Case, rule: str) -> bool:
    """Walk the rides in order: raised, lifted by five rides ok, raised again by one event."""
    fit = [r for r in case.rides if may_count(r)]
    is_raised, oks = False, 0
    lifted_at: int | None = None
    for i, ride in enumerate(fit):
        events = _faults(case, ride, rule)
        if events:
            relapse = lifted_at is not None and i - lifted_at <= RELAPSE_RIDES
            window = rides_that_count(fit[: i + 1], case.context, end_of(ride))
            if is_raised or relapse or _met(case, rule, window):
                is_raised, lifted_at = True, None
            oks = 0
        elif is_raised:
            oks += _state(ride, rule) is State.OK
            window = rides_that_count(fit[: i + 1], case.context, end_of(ride))
            if oks >= OKS_THAT_LIFT or not any(_faults(case, r, rule) for r in window):
                is_raised, lifted_at = False, i
    return is_raised and any(_faults(case, r, rule) for r in case.counting)


def _met(case: Case, rule: str, window: Sequence[RideResult]) -> bool:
    """Whether the rule's raise_when is met over these rides, by count and strength."""
    asked = case.rules[rule].raise_when if rule in case.rules else RaiseWhen()
    kinds: dict[tuple[str, ...], list[StoredFinding]] = {}
    for finding in (f for r in window for f in _faults(case, r, rule)):
        kinds.setdefault(finding.channels if asked.of_one_kind else (), []).append(finding)
    return any(_enough(case, rule, window, found) for found in kinds.values())


def _enough(
    case: Case, rule: str, window: Sequence[RideResult], found: Sequence[StoredFinding]
) -> bool:
    """Whether findings that are added up suffice; one that nothing innocent explains does.

    A finding of strength s counts as 1 + s x (events asked - 1) of those without.
    """
    asked = case.rules[rule].raise_when if rule in case.rules else RaiseWhen()
    if any(f.strength >= 1.0 for f in found):
        return True
    events = sum(1.0 + f.strength * (asked.events - 1) for f in found)
    if events < asked.events or len({f.ride for f in found}) < asked.rides:
        return False
    if not asked.per_100_engaged_km:
        return True
    since = _last_closed(case, rule)
    km = sum(r.engaged_km for r in window if since is None or end_of(r) > since)
    return km > 0 and 100.0 * events / km >= asked.per_100_engaged_km


def _last_closed(case: Case, rule: str) -> datetime | None:
    """End of the newest ride with a closed finding of a rule: a return counts from there."""
    ends = [
        end_of(r)
        for r in case.rides
        if r.end is not None and any(f.rule == rule and f.id in case.closed for f in r.findings)
    ]
    return max(ends, default=None)


def _state(ride: RideResult, rule: str) -> State:
    return next((o.state for o in ride.rules if o.rule == rule), State.NOT_ASSESSED)
