"""Rules, signs and checks name one another; none of them may name what is not there."""

import pytest

from ridecheck.bike.checks import checks
from ridecheck.bike.diagnose.causes import knowledge
from ridecheck.rules import all_rules

RULES = all_rules()
SIGNS = {s.rule for s in knowledge().signs.values() if s.rule}
NO_SIGN = {
    # Told from the cancels themselves, one by one, not as a sign.
    "cruise/cancel-without-cause",
    "cruise/uncommanded-cancels",
}


def test_no_sign_waits_for_a_rule_that_is_not_there():
    assert SIGNS - set(RULES) == set()


@pytest.mark.parametrize("rule", RULES.values(), ids=lambda r: r.id)
def test_every_rule_speaks_for_some_cause(rule):
    assert rule.id in SIGNS | NO_SIGN


@pytest.mark.parametrize("rule", RULES.values(), ids=lambda r: r.id)
def test_checks_a_rule_asks_for_exist_and_are_done_standing(rule):
    assert all(checks()[c].standing for c in rule.checks)
