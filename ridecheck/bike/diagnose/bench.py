"""What to do next at the bench, in which order, with which caution."""

import numpy as np

from ridecheck.bike.checks import Check, checks
from ridecheck.bike.diagnose.causes import Cause
from ridecheck.bike.diagnose.order import least_minutes
from ridecheck.bike.diagnose.posterior import Floats
from ridecheck.bike.diagnose.suspects import (
    BRAKE_SWITCHES,
    PLUG_CHECKS,
    RECALLS,
    Case,
    unit_may_lead,
)
from ridecheck.core.model import NextCheck, Severity

CHECKS_TOLD = 8
WORTH_A_CHECK = 0.01
"""A check that finds the fault less often than this is not said."""
DOUBTFUL = 0.5
"""Below this chance of any fault, only causes that show what was seen are looked for."""
OWN_SIGN = 0.3
"""A cause shows a sign as its own from this chance on."""
LIKELY_DANGER = 0.1
"""From this chance on a dangerous cause is looked for first, and nothing is done on the road."""
TOWARDS_THE_UNIT = 0.4
"""What a good supply and ground at the connector are worth on the way to condemning the unit."""
NEVER_NEXT = frozenset({"cancel-proof-ride"})
"""Proof after a repair, not a way to look for a fault."""


def next_checks(case: Case) -> tuple[NextCheck, ...]:
    """As many as a person reads, and all that the sign-off of an open danger must name."""
    named = _sign_off_names(case)
    return tuple(
        c for i, c in enumerate(ordered_checks(case)) if i < CHECKS_TOLD or c.check in named
    )


def ordered_checks(case: Case) -> tuple[NextCheck, ...]:
    """Every check worth doing, in the order with the least expected minutes.

    Causes that can hurt somebody are looked for first where a danger is open or one of
    them is likely; no check on the road is reported then.
    """
    chances = _chances_to_look_for(case)
    risky = np.array([c.danger for c in case.causes])
    at_risk = float((chances * risky).sum())
    danger = _danger_open(case) or at_risk >= LIKELY_DANGER
    offered = [c for c in checks().values() if _offered(c, case, danger=danger)]
    said: list[NextCheck] = []
    if danger and at_risk > WORTH_A_CHECK:
        said, offered, chances = _told(case, offered, chances, only=risky)
    rest, offered, _ = _told(case, offered, chances, only=np.ones(len(chances), dtype=bool))
    return (*said, *rest, *_for_sign_off(case, offered))


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
    said, left = [], chances.copy()
    for row in (useful[i] for i in order):
        gain = left * shows[row]
        if float((gain * only).sum()) < WORTH_A_CHECK / 2.0:
            continue
        said.append((row, case.causes[int(np.argmax(gain * only))]))
        left = left - gain
    done = {row for row, _ in said}
    asked: set[str] = set()
    lines = [_line(offered[row], cause, asked) for row, cause in said]
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
    """False for what is done already, for rides under a danger, for swaps before the connector."""
    if check.id in NEVER_NEXT or any(b.check.id == check.id for b in case.bench):
        return False
    if danger and not check.standing:
        return False
    return check.id != "known-good-swap" or unit_may_lead(case)


def _found_chance(check: Check, cause: Cause) -> float:
    """As the cause says; measuring the connector is the first step towards the control unit too."""
    if check.id in PLUG_CHECKS and cause.part == "control_unit":
        return TOWARDS_THE_UNIT
    return cause.found_chance(check.id)
