"""The table of hazards and the rules say the same.

The scheme is published: System-Theoretic Process Analysis asks of every action of a control
whether it may be not given, given, mistimed or of the wrong length (Leveson and Thomas, STPA
Handbook, 2018, chapter 2; from memory).
"""

import math
import tomllib
from itertools import product

import pytest

from ridecheck.core.catalog import BRAKES, PANEL, channels
from ridecheck.core.model import Severity
from ridecheck.core.resources import shipped
from ridecheck.rules import all_rules

HAZARDS = tomllib.loads(shipped("schemas", "hazards.toml").read_text("utf-8"))["hazard"]
ACTIONS = ("engage", "hold", "speed up", "slow down", "disengage")
WAYS = ("not given", "given", "timing", "length")
STATES = {"speed signal", "limits", "actuator"}
RIDERS_WAYS_OUT = {*BRAKES, "roll_off", "clutch", "switch_cancel", "cruise_armed"}
KEYS = {
    "action", "way", "of", "when", "harm", "danger", "rules", "lowest_hz", "why_hz", "no_rule",
}  # fmt: skip


def ident(row: dict[str, object]) -> str:
    return f"{row['action']} {row['way']}: {row['when']}"


@pytest.mark.parametrize("row", HAZARDS, ids=ident)
class TestEveryRow:
    def test_names_action_way_and_what_it_is_about(self, row):
        assert set(row) <= KEYS
        assert row["action"] in ACTIONS
        assert row["way"] in WAYS
        assert row["of"]
        assert set(row["of"]) <= {*channels(), *STATES}
        assert row["harm"].endswith(".")

    def test_has_its_rules_or_the_reason_why_there_is_none(self, row):
        assert bool(row.get("rules")) != bool(row.get("no_rule"))
        assert set(row.get("rules", ())) <= set(all_rules())

    def test_of_danger_has_a_rule_that_keeps_the_bike_in(self, row):
        rules = [all_rules()[r] for r in row.get("rules", ())]
        dangers = [r.severity is Severity.DANGER for r in rules]

        assert row.get("danger", False) is any(dangers)
        assert dangers == sorted(dangers, reverse=True)

    def test_states_the_refresh_that_its_rules_ask_for(self, row):
        rules = [all_rules()[r] for r in row.get("rules", ())]
        if row.get("danger"):
            rules = [r for r in rules if r.severity is Severity.DANGER]
        asked_hz = [1.0 / r.clear_interval_s for r in rules]

        assert row.get("lowest_hz") == (
            max(1, math.ceil(round(max(asked_hz), 3))) if rules else None
        )

    def test_faster_than_10_hz_says_why(self, row):
        if row.get("lowest_hz", 0) > 10:
            assert row.get("why_hz")


def test_every_way_of_every_action_is_weighed():
    assert {(r["action"], r["way"]) for r in HAZARDS} == set(product(ACTIONS, WAYS))


def test_every_rule_of_danger_stands_in_the_table():
    named = {rule for row in HAZARDS for rule in row.get("rules", ())}

    assert {r.id for r in all_rules().values() if r.severity is Severity.DANGER} <= named


@pytest.mark.parametrize("action", ["engage", "hold", "disengage"])
def test_every_way_out_of_the_rider_is_weighed(action):
    about = {c for r in HAZARDS if r["action"] == action for c in r["of"]}

    assert about >= RIDERS_WAYS_OUT | {"side_stand", "neutral_switch", "run_switch", "limits"}
    assert "speed signal" in about


def test_both_buttons_that_engage_are_weighed():
    about = {c for r in HAZARDS if r["action"] == "engage" for c in r["of"]}

    assert {PANEL["set"], PANEL["resume"]} <= about


def test_no_row_stands_twice():
    told = [ident(r) for r in HAZARDS]

    assert len(told) == len(set(told))
