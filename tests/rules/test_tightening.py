"""No value that a fleet file may set lets a danger go unseen, in either direction.

Every limit of every danger rule, and every definition that rules share, is walked from minus
to plus infinity. What is accepted must find, in each of the rules' own danger rides, all that
the default finds there; a limit tightened without end would switch its rule off as surely as
one loosened.
"""

import math
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest
from cases import Case, cases
from rides import merged, part_from, settings_from

from ridecheck.core.model import Part, Span
from ridecheck.core.thresholds import Limit
from ridecheck.rules import all_rules
from ridecheck.rules.engine import judge, known_limits
from ridecheck.signals import definitions
from ridecheck.signals.ride import Ride

DANGERS = {r.id: r for r in all_rules().values() if r.danger}
LIMITS = [
    pytest.param(rule, name, id=f"{rule}: {name}")
    for rule, limits in known_limits().items()
    if rule in DANGERS or rule == definitions.ID
    for name in limits
]
FACTORS = (0.0, 0.01, 0.1, 0.25, 0.5, 0.75, 0.95, 1.0, 1.05, 1.5, 2.0, 4.0)


def walk(base: float) -> Iterator[float]:
    """Values from minus to plus infinity, close together round the base."""
    yield from (-math.inf, -1e9, -10.0, -1.0, *(base * f for f in FACTORS))
    yield from (base * -1, base + 10.0, base * 10.0, base * 100.0, 1e9, math.inf)


def values_accepted(limit: Limit) -> list[float]:
    """What a file may set of the values walked, and the ends of what it may."""
    ends = [v for v in limit.allowed(limit.default) if math.isfinite(v)]
    walked = [*walk(limit.default), *ends]
    return sorted({v for v in walked if limit.accepts(v, limit.default)} - {limit.default})


@cache
def danger_rides(rule: str) -> tuple[Case, ...]:
    """The cases in which a danger rule finds something."""
    return tuple(c for c in cases(rule) if c.told["state"] == "fault")


@cache
def found_by_default(case_name: str, rule: str) -> tuple[Span, ...]:
    return spans(ridden(case_name, {}), rule)


@cache
def planned(case_name: str) -> tuple[dict[str, Any], Part]:
    """A case's plan and the part it makes, which limits do not touch."""
    (case,) = [c for c in cases(case_name.split(":")[0]) if c.name == case_name]
    plan = merged(case.base, case.told)
    return plan, part_from(plan)


def ridden(case_name: str, thresholds: dict[str, dict[str, float]]) -> Ride:
    """The ride of a case by other limits."""
    plan, part = planned(case_name)
    settings = settings_from(merged(plan, {"thresholds": thresholds}))
    return Ride("T01-20260501T080000Z", "T01", (part,), settings)


def spans(ride, rule: str) -> tuple[Span, ...]:
    judged = judge(ride, rules=[DANGERS[rule]])
    return tuple(f.finding.span for f in judged.findings if f.rule == rule)


def rules_that_follow(rule: str, name: str) -> list[str]:
    """The danger rules that a limit is used by."""
    if rule != definitions.ID:
        return [rule]
    return [r for r in DANGERS if any(k.shared == name for k in known_limits()[r].values())]


@pytest.mark.parametrize(("rule", "name"), LIMITS)
def test_no_accepted_value_lowers_what_the_danger_rides_show(rule: str, name: str) -> None:
    limit = known_limits()[rule][name]
    lost = []
    for value in values_accepted(limit):
        for follower in rules_that_follow(rule, name):
            for case in danger_rides(follower):
                there = spans(ridden(case.name, {rule: {name: value}}), follower)
                gone = [
                    s
                    for s in found_by_default(case.name, follower)
                    if not any(s.overlaps(t) for t in there)
                ]
                lost += [f"{name} = {value:g}: {case.name} at {s.start_s:.1f} s" for s in gone]

    assert lost == []


@pytest.mark.parametrize(("rule", "name"), LIMITS)
def test_what_lies_without_bounds_is_refused(rule: str, name: str) -> None:
    limit = known_limits()[rule][name]

    assert not any(limit.accepts(v, limit.default) for v in (-math.inf, math.inf, math.nan))
    assert limit.accepts(limit.default, limit.default)


def test_the_two_that_once_switched_brake_dead_off_are_refused() -> None:
    limits = known_limits()["switches/brake-dead"]

    assert not limits["slowing_ms2"].accepts(-10.0, limits["slowing_ms2"].default)
    assert not limits["hardest_ms2"].accepts(1.0, limits["hardest_ms2"].default)


@pytest.mark.parametrize("rule", DANGERS)
def test_every_danger_rule_has_danger_rides(rule: str) -> None:
    assert danger_rides(rule)
