"""From evidence to suspects and the next check.

Bayesian diagnosis: priors from how often a workshop meets a cause, moved by the bike's
events, weighed by everything its rides showed and everything they could have shown, and by
the bench. Then the order of checks with the least expected minutes. The sources stand in
posterior.py and order.py; every figure that is judgement stands in schemas/causes.toml and
schemas/checks.toml, where a workshop can read it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ridecheck.bike.diagnose.bench import next_checks, ordered_checks
from ridecheck.bike.diagnose.history import EventLike
from ridecheck.bike.diagnose.suspects import suspects_of
from ridecheck.bike.diagnose.weighing import case_of
from ridecheck.core.model import NextCheck, RideResult, Settings, Suspect
from ridecheck.rules.base import Rule

__all__ = ["Diagnosis", "case_of", "diagnose", "ordered_checks"]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Suspects, first to look at in front; checks in order; what no suspect accounts for.

    unassigned is "something not listed or no fault": 1 less the suspects' probabilities.
    """

    suspects: tuple[Suspect, ...] = ()
    next_checks: tuple[NextCheck, ...] = ()
    unassigned: float = 1.0


def diagnose(
    results: Iterable[RideResult],
    *,
    settings: Settings,
    events: Iterable[EventLike] = (),
    closed: frozenset[str] = frozenset(),
    rules: Mapping[str, Rule] | None = None,
) -> Diagnosis:
    """Suspects and next checks of one bike from all its stored results.

    results: of one bike, in any order. events: of its bike file. closed: ids of findings
    that a person has closed. rules: as loaded, the shipped ones where None. A bike with no
    open fault or danger gets no suspects.
    """
    case = case_of(results, settings=settings, events=events, closed=closed, rules=rules)
    if case is None:
        return Diagnosis()
    suspects = suspects_of(case)
    unassigned = max(0.0, 1.0 - sum(s.probability for s in suspects))
    return Diagnosis(suspects, next_checks(case), unassigned)
