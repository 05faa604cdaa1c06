"""One bike's rides as its verdict sees them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from ridecheck.bike.closed import closed_findings
from ridecheck.bike.context import Context
from ridecheck.bike.counting import rides_that_count
from ridecheck.bike.dangers import not_found_now
from ridecheck.core.dangers import Found
from ridecheck.core.model import RideResult, Severity, StoredFinding
from ridecheck.rules.base import Rule


@dataclass(frozen=True, slots=True)
class Case:
    """Rides in order, those of them that count, and the ids of findings that are closed.

    missing: open dangers of the register that no ride shows any more, by number.
    """

    rides: Sequence[RideResult]
    counting: Sequence[RideResult]
    context: Context
    as_of: datetime | None
    rules: Mapping[str, Rule]
    closed: frozenset[str]
    missing: Mapping[int, Found]

    @classmethod
    def of(
        cls,
        rides: Sequence[RideResult],
        context: Context,
        as_of: datetime | None,
        rules: Mapping[str, Rule],
        *,
        before: datetime | None = None,
    ) -> "Case":
        """The case of rides in time order; before: of missing dangers only older ones."""
        missing = not_found_now(context.register, rides)
        return cls(
            rides=rides,
            counting=rides_that_count(rides, context, as_of),
            context=context,
            as_of=as_of,
            rules=rules,
            closed=closed_findings(rides, context),
            missing={
                n: e
                for n, e in missing.items()
                if before is None or e.start is None or e.start < before
            },
        )

    def open_in(self, ride: RideResult, rule: str | None = None) -> list[StoredFinding]:
        """Open findings of a ride, of one rule or of all."""
        return [f for f in ride.findings if f.id not in self.closed and rule in (None, f.rule)]

    def is_danger(self, rule: str) -> bool:
        """Whether a rule finds dangers; a rule nobody knows is taken for one."""
        return rule not in self.rules or self.rules[rule].severity is Severity.DANGER
