"""Which findings a person has closed."""

from collections.abc import Mapping, Sequence

from ridecheck.bike.context import Context
from ridecheck.core.model import RideResult, Severity, StoredFinding
from ridecheck.fleet.events import CLOSING, Event, closes
from ridecheck.rules.base import Rule


def closed_findings(
    rides: Sequence[RideResult], context: Context, rules: Mapping[str, Rule]
) -> frozenset[str]:
    """Ids of the findings that a person has closed.

    A danger needs a sign-off that names every check its rule asks for.
    """
    closing = [e for e in context.events if e.kind in CLOSING]
    if not closing:
        return frozenset()
    by_id = {f.id: (f, r) for r in rides for f in r.findings}
    return frozenset(
        f.id
        for f, ride in by_id.values()
        if any(_closes(e, f, ride, by_id.get(e.finding), context, rules) for e in closing)
    )


def _closes(
    event: Event,
    finding: StoredFinding,
    ride: RideResult,
    named: tuple[StoredFinding, RideResult] | None,
    context: Context,
    rules: Mapping[str, Rule],
) -> bool:
    if finding.severity is Severity.DANGER and not _signs_off(event, finding.rule, rules):
        return False
    if named is not None and named[1].ride != ride.ride:
        dated = ride.dating == named[1].dating == "time"
        if not dated:  # a date alone tells no overlap with another ride
            return False
    return closes(
        event,
        finding,
        bike=context.bike,
        named=named[0] if named else None,
        zone=context.time_zone,
    )


def _signs_off(event: Event, rule_id: str, rules: Mapping[str, Rule]) -> bool:
    asked = set(rules[rule_id].checks) if rule_id in rules else set()
    return event.kind == "signed_off" and bool(event.checks) and asked <= set(event.checks)
