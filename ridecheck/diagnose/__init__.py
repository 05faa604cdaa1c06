"""From evidence to suspects and the next check.

Bayesian diagnosis: priors from how often a workshop meets a cause, moved by the bike's
events, weighed by everything its rides showed and everything they could have shown, and by
the bench. Then the order of checks with the least expected minutes. The sources stand in
posterior.py and order.py; every figure that is judgement stands in schemas/causes.toml and
schemas/checks.toml, where a workshop can read it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from ridecheck.checks import Check, checks
from ridecheck.diagnose.causes import Cause, knowledge
from ridecheck.diagnose.evidence import Evidence
from ridecheck.diagnose.history import Bench, EventLike, History, Moved
from ridecheck.diagnose.order import least_minutes
from ridecheck.diagnose.posterior import TEMPER, Clue, Floats, Posterior, weigh
from ridecheck.diagnose.suspects import (
    BRAKE_SWITCHES,
    PLUG_CHECKS,
    RECALLS,
    Case,
    suspects_of,
    unit_may_lead,
)
from ridecheck.model import NextCheck, RideResult, Settings, Severity, Suspect
from ridecheck.rules import all_rules
from ridecheck.rules.base import Rule
from ridecheck.statistics import chance_of_as_many

__all__ = ["Diagnosis", "diagnose", "ordered_checks"]

FALSE_AGAIN = 0.5
"""A false finding is followed by another in the same ride about this often."""
LEAST_BY_CHANCE = 1e-7
"""However often a sign was seen: causes that are not listed for it may make it after all."""
BENCH_FALSE = 0.02
"""How often a check shows a fault that is not there."""
STRENGTHS = (1.0, 0.1, 0.01)
"""A fault that comes and goes does so as often as usual for it, or far less, or seldom: one latent
strength for all its signs, so that several quiet signs are not counted as several proofs."""
FALSE_AGAIN = 0.5
"""A false finding is followed by another in the same ride about this often."""
LEAST_BY_CHANCE = 1e-7
"""However often a sign was seen: causes that are not listed for it may make it after all."""
BENCH_FALSE = 0.02
"""How often a check shows a fault that is not there."""
STRENGTHS = (1.0, 0.1, 0.01)
"""A fault that comes and goes does so as often as usual for it, or far less, or seldom: one latent
strength for all its signs, so that several quiet signs are not counted as several proofs."""
LEAST_WHERE_SEEN = 0.05
"""A sign that was seen could be seen: its chance is at least this share of what it shows."""
CHECKS_TOLD = 8
WORTH_A_CHECK = 0.01
"""A check that finds the fault less often than this is not told."""
DOUBTFUL = 0.5
"""Below this chance of any fault, only causes that show what was seen are looked for."""
OWN_SIGN = 0.3
"""A cause shows a sign as its own from this chance on."""
TOWARDS_THE_UNIT = 0.4
"""What a good supply and earth at the plug are worth on the way to condemning the unit."""
NEVER_NEXT = frozenset({"cancel-proof-ride"})
"""Proof after a repair, not a way to look for a fault."""


@dataclass(frozen=True, slots=True)
class Form:
    """A cause in one of its strengths."""

    cause: Cause
    strength: float


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
    return Diagnosis(suspects, _first_ones(case, ordered_checks(case)), unassigned)


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


# ---------------------------------------------------------------------- clues


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
    """That there were cancels nobody asked for at all, or none although cruise was used."""
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


# ---------------------------------------------------------------------- checks


def ordered_checks(case: Case) -> tuple[NextCheck, ...]:
    """Every check worth doing, in the order with the least expected minutes.

    Causes that can hurt somebody are looked for first where a danger is open or one of
    them is likely; no check on the road is told then.
    """
    danger = _danger_open(case)
    offered = [c for c in checks().values() if _offered(c, case, danger=danger)]
    chances = _chances_to_look_for(case)
    risky = np.array([c.danger for c in case.causes])
    told: list[NextCheck] = []
    if danger and (chances * risky).sum() > WORTH_A_CHECK:
        told, offered, chances = _told(case, offered, chances, only=risky)
    rest, offered, _ = _told(case, offered, chances, only=np.ones(len(chances), dtype=bool))
    return (*told, *rest, *_for_sign_off(case, offered))


def _first_ones(case: Case, ordered: tuple[NextCheck, ...]) -> tuple[NextCheck, ...]:
    """As many as a person reads, and all that the sign-off of an open danger must name."""
    named = _sign_off_names(case)
    return tuple(c for i, c in enumerate(ordered) if i < CHECKS_TOLD or c.check in named)


def _sign_off_names(case: Case) -> frozenset[str]:
    dangers = [f.rule for f in case.evidence.weighty if f.severity is Severity.DANGER]
    rules = case.evidence.rules
    return frozenset(c for r in dangers if r in rules for c in rules[r].checks)


def _for_sign_off(case: Case, offered: list[Check]) -> list[NextCheck]:
    """Checks that a sign-off must name though they find little here, the short ones first."""
    named = _sign_off_names(case)
    lines = []
    for check in sorted((c for c in offered if c.id in named), key=lambda c: c.minutes):
        best = max(case.causes, key=lambda c: case.share(c) * _found_chance(check, c))
        lines.append(NextCheck(check.id, best.part, check.minutes, check.how, check.caution))
    return lines


def _chances_to_look_for(case: Case) -> Floats:
    """Shares of the causes, given that there is a fault; the seen ones where it is doubtful."""
    chances = case.posterior.causes
    seen = [any(c.shows.get(s, 0.0) >= OWN_SIGN for s in case.evidence.seen) for c in case.causes]
    if chances.sum() < DOUBTFUL and any(seen):
        chances = chances * np.array(seen)
    found: Floats = chances / max(float(chances.sum()), 1e-12)
    return found


def _told(
    case: Case, offered: list[Check], chances: Floats, *, only: Floats
) -> tuple[list[NextCheck], list[Check], Floats]:
    """Checks that look for some of the causes, in order; the checks and chances then left."""
    wanted = chances * only
    shows = np.array([[_found_chance(k, c) for c in case.causes] for k in offered])
    useful = [i for i in range(len(offered)) if float(shows[i] @ wanted) >= WORTH_A_CHECK]
    order = least_minutes(
        wanted, shows[useful], np.array([float(offered[i].minutes) for i in useful])
    )
    told, left = [], chances.copy()
    for row in (useful[i] for i in order):
        gain = left * shows[row]
        if float((gain * only).sum()) < WORTH_A_CHECK / 2.0:
            continue
        told.append((row, case.causes[int(np.argmax(gain * only))]))
        left = left - gain
    done = {row for row, _ in told}
    asked: set[str] = set()
    lines = [_line(offered[row], cause, asked) for row, cause in told]
    return lines, [c for i, c in enumerate(offered) if i not in done], left


def _line(check: Check, cause: Cause, asked: set[str]) -> NextCheck:
    how = check.how
    if cause.part in BRAKE_SWITCHES and cause.part not in asked:
        how = f"{how} {RECALLS}"
        asked.add(cause.part)
    return NextCheck(check.id, cause.part, check.minutes, how, check.caution)


def _danger_open(case: Case) -> bool:
    return any(f.severity is Severity.DANGER for f in case.evidence.weighty)


def _offered(check: Check, case: Case, *, danger: bool) -> bool:
    """False for what is done already, for rides under a danger, for swaps before the plug."""
    if check.id in NEVER_NEXT or any(b.check.id == check.id for b in case.bench):
        return False
    if danger and not check.standing:
        return False
    return check.id != "known-good-swap" or unit_may_lead(case)


def _found_chance(check: Check, cause: Cause) -> float:
    """As the cause says; measuring the plug is the first step towards the control unit too."""
    if check.id in PLUG_CHECKS and cause.part == "control_unit":
        return TOWARDS_THE_UNIT
    return cause.found_chance(check.id)
