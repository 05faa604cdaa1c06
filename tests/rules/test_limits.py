"""Every limit of a danger rule lies between two cases of its file, one a side.

A case names the limits it lies close to (``holds``). Each limit is moved by a fifth, up and
down, and at least one of its cases must then come out otherwise: halving or doubling it cannot
go unseen, nor can a limit be added without its two cases.
"""

from dataclasses import fields

import pytest
from cases import cases, own_differences
from declared import moved
from rides import ride_from

from ridecheck.core.model import Severity
from ridecheck.rules import all_rules
from ridecheck.rules.base import Rule
from ridecheck.rules.engine import judge

DANGERS = [r for r in all_rules().values() if r.severity is Severity.DANGER]
LIMITS = [
    pytest.param(rule, f.name, id=f"{rule.id}: {f.name}")
    for rule in DANGERS
    for f in fields(rule.limits)
]


@pytest.mark.parametrize(("rule", "limit"), LIMITS)
@pytest.mark.parametrize("factor", [0.8, 1.25])
def test_a_limit_moved_by_a_fifth_changes_one_of_its_cases(
    rule: Rule, limit: str, factor: float
) -> None:
    held = [case for case in cases(rule.id) if limit in case.holds]
    changed = moved(rule, limit, factor)

    assert len(held) >= 2
    assert any(
        any(own_differences(case, judge(ride_from(case.base, case.told), rules=[changed])))
        for case in held
    )


def test_every_limit_that_a_case_holds_is_a_limit_of_its_rule() -> None:
    named = {(case.rule, name) for case in cases() for name in case.holds}

    assert named <= {(r.id, f.name) for r in all_rules().values() for f in fields(r.limits)}


@pytest.mark.parametrize("rule", DANGERS, ids=lambda rule: rule.id)
def test_a_danger_rule_has_a_case_without_speed(rule: Rule) -> None:
    assert any("wheel_speed" in case.told.get("drop", []) for case in cases(rule.id))
