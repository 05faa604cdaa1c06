"""From what was seen and looked for to how likely each cause is."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from ridecheck.bike.diagnose.causes import Cause, knowledge
from ridecheck.bike.diagnose.evidence import Evidence
from ridecheck.bike.diagnose.history import Bench, EventLike, History, Moved
from ridecheck.bike.diagnose.posterior import TEMPER, Clue, Posterior, weigh
from ridecheck.bike.diagnose.suspects import Case
from ridecheck.core.model import RideResult, Settings
from ridecheck.core.statistics import chance_of_as_many
from ridecheck.rules import all_rules
from ridecheck.rules.base import Rule

STRENGTHS = (1.0, 0.1, 0.01)
"""A fault that comes and goes does so as often as usual for it, or far less, or seldom: one
latent strength for all its signs, so that several quiet signs are not several proofs."""
FALSE_AGAIN = 0.5
"""A false finding is followed by another in the same ride about this often."""
LEAST_BY_CHANCE = 1e-7
"""However often a sign was seen: causes that are not listed for it may make it after all."""
BENCH_FALSE = 0.02
"""How often a check shows a fault that is not there."""


@dataclass(frozen=True, slots=True)
class Form:
    """A cause in one of its strengths."""

    cause: Cause
    strength: float


def case_of(
    results: Iterable[RideResult],
    *,
    settings: Settings,
    events: Iterable[EventLike] = (),
    closed: frozenset[str] = frozenset(),
    rules: Mapping[str, Rule] | None = None,
) -> Case | None:
    """The weighed case of a bike, None where no fault or danger is open."""
    known = knowledge()
    loaded = all_rules() if rules is None else rules
    evidence = Evidence(
        results,
        closed=closed,
        must_cancel=settings.cruise.must_cancel,
        known=known,
        rules=loaded,
    )
    if not evidence.weighty:
        return None
    history = History(
        events,
        first_open=_first(evidence),
        throttle=settings.cruise.throttle,
        known=known,
    )
    moved, bench = history.moved(), history.bench()
    posterior = _posterior(evidence, moved, bench)
    return Case(evidence, posterior, moved, bench, settings, known)


def _posterior(evidence: Evidence, moved: Moved, bench: tuple[Bench, ...]) -> Posterior:
    """Weigh every cause in every strength, then add the strengths up."""
    forms = tuple(Form(c, s) for c in evidence.known.causes.values() for s in _strengths(c))
    cancels = [[evidence.cancel_chances(f.cause, c) for f in forms] for c in evidence.free_cancels]
    found = weigh(
        np.array([moved.priors[f.cause.id] / len(_strengths(f.cause)) for f in forms]),
        [*_sign_clues(evidence, forms), _cancel_clue(evidence, forms), *_bench(bench, forms)],
        cancels=np.array(cancels).reshape(len(cancels), len(forms)),
        cancels_weight=np.array([f.cause.cancels for f in forms]),
    )
    shares = dict.fromkeys(evidence.known.causes, 0.0)
    for form, share in zip(forms, found.causes, strict=True):
        shares[form.cause.id] += float(share)
    return replace(found, causes=np.array(list(shares.values())))


def _strengths(cause: Cause) -> tuple[float, ...]:
    return (1.0,) if cause.steady else STRENGTHS


def _first(evidence: Evidence) -> datetime | None:
    dated = [f.start for f in evidence.weighty if f.start is not None]
    return min(dated, default=None)


def _sign_clues(evidence: Evidence, forms: tuple[Form, ...]) -> list[Clue]:
    """One clue a sign: seen, or not seen although some ride was looked over for it."""
    clues = []
    for sign in evidence.known.signs.values():
        could = np.array([evidence.could_show(sign, f.cause, strength=f.strength) for f in forms])
        seen = evidence.seen.get(sign.id)
        # That a switch works, or does not, hangs on nothing else: it counts fully.
        weight = 1.0 if sign.never_on else TEMPER
        if seen is not None:
            by_chance = chance_of_as_many(seen.rides, sign.false_per_ride * seen.looked)
            by_chance *= FALSE_AGAIN ** (seen.findings - seen.rides)
            clues.append(Clue(True, could, max(by_chance, LEAST_BY_CHANCE), weight=weight))
        elif could.any():
            clues.append(Clue(False, could, sign.false_per_ride, weight=weight))
    return clues


def _cancel_clue(evidence: Evidence, forms: tuple[Form, ...]) -> Clue:
    """That there were uncommanded cancels at all, or none although cruise was used."""
    could = np.array([evidence.could_cancel(f.cause, strength=f.strength) for f in forms])
    rides = len({c.ride.ride for c in evidence.free_cancels})
    by_chance = chance_of_as_many(rides, evidence.false_cancels())
    if not rides:
        return Clue(False, could, by_chance)
    by_chance *= FALSE_AGAIN ** (len(evidence.free_cancels) - rides)
    return Clue(True, could, max(by_chance, LEAST_BY_CHANCE))


def _bench(bench: tuple[Bench, ...], forms: tuple[Form, ...]) -> list[Clue]:
    """Results of the bench count fully: a person looked."""
    return [
        Clue(b.found_fault, np.array([b.chance(f.cause) for f in forms]), BENCH_FALSE, weight=1.0)
        for b in bench
    ]
