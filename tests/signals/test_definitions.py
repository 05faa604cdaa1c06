"""Numbers that several rules share: set once, followed by all of them, never loosened."""

import pytest
from rides import ride_from

from ridecheck.rules import all_rules
from ridecheck.rules.engine import effective_limits, known_limits
from ridecheck.signals import braking
from ridecheck.signals.definitions import ID, definitions, values
from ridecheck.signals.tables import SHARED

RIDE = {"pieces": ["80 km/h, gear 4, 10 s"]}
BRAKE_DEAD = all_rules()["switches/brake-dead"]


def with_thresholds(**tables):
    return ride_from(RIDE | {"thresholds": {k.replace("__", "/"): v for k, v in tables.items()}})


def test_a_fleet_sets_a_definition_and_every_rule_follows():
    ride = with_thresholds(shared__definitions={"braking_ms2": 2.2})

    limits, used = effective_limits(BRAKE_DEAD, ride)

    assert definitions(ride).braking_ms2 == 2.2
    assert limits.slowing_ms2 == 2.2
    assert {u.name: u.origin for u in used}["slowing_ms2"] == "fleet"


def test_a_definition_that_would_blind_a_danger_rule_is_not_used():
    ride = with_thresholds(shared__definitions={"braking_ms2": 4.0})

    assert definitions(ride).braking_ms2 == 2.5
    assert effective_limits(BRAKE_DEAD, ride)[0].slowing_ms2 == 2.5


def test_a_rules_own_value_comes_before_the_shared_one():
    ride = ride_from(
        RIDE | {"thresholds": {ID: {"braking_ms2": 2.3}, BRAKE_DEAD.id: {"slowing_ms2": 2.1}}}
    )

    assert effective_limits(BRAKE_DEAD, ride)[0].slowing_ms2 == 2.1


def test_fleet_files_may_set_what_is_shared():
    assert known_limits()[ID]["braking_ms2"].loosens(3.0, than=2.5)


@pytest.mark.parametrize("name", SHARED)
def test_every_shared_number_has_unit_reason_and_source(name):
    for limit in known_limits()[name].values():
        assert limit.reason
        assert limit.source
        assert limit.unit or abs(limit.default) <= 1.0


def test_a_table_that_rules_share_is_set_by_a_fleet_too():
    ride = with_thresholds(shared__slowing={"same_fall": 0.4})

    assert values(ride, braking.ID, braking.Limits).same_fall == 0.4
