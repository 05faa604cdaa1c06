"""Which findings a person has closed."""

from collections.abc import Sequence

from ridecheck.bike.context import Context
from ridecheck.bike.dangers import closed_dangers
from ridecheck.core.model import RideResult, Severity, StoredFinding
from ridecheck.fleet.events import CLOSING, Event, closes


def closed_findings(rides: Sequence[RideResult], context: Context) -> frozenset[str]:
    """Ids of the findings that a person has closed.

    Of a danger its register says so, of any other finding the bike's events.
    """
    return closed_dangers(context.register, rides) | _closed_by_events(rides, context)


def _closed_by_events(rides: Sequence[RideResult], context: Context) -> frozenset[str]:
    closing = [e for e in context.events if e.kind in CLOSING]
    if not closing:
        return frozenset()
    by_id = {f.id: (f, r) for r in rides for f in r.findings}
    return frozenset(
        f.id
        for f, ride in by_id.values()
        if f.severity is not Severity.DANGER
        and any(_closes(e, f, ride, by_id.get(e.finding), context) for e in closing)
    )


def _closes(
    event: Event,
    finding: StoredFinding,
    ride: RideResult,
    named: tuple[StoredFinding, RideResult] | None,
    context: Context,
) -> bool:
    if named is not None and named[1].ride != ride.ride:
        dated = ride.dating == named[1].dating == "time"
        if not dated:  # a date alone shows no overlap with another ride
            return False
    return closes(
        event,
        finding,
        bike=context.bike,
        named=named[0] if named else None,
        zone=context.time_zone,
    )
