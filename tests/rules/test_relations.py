"""The table of relations and the rules say the same."""

import tomllib

from ridecheck.core.resources import shipped
from ridecheck.rules import all_rules

RELATIONS = tomllib.loads(shipped("schemas", "relations.toml").read_text("utf-8"))["relation"]


def test_every_relation_names_its_rules_or_why_it_is_left_out() -> None:
    for row in RELATIONS:
        assert row["signals"], row
        assert row["relation"].endswith("."), row
        assert bool(row.get("rules")) != bool(row.get("left_out")), row["relation"]


def test_no_relation_stands_twice() -> None:
    told = [(row["signals"], row["relation"]) for row in RELATIONS]

    assert len(told) == len(set(told)) == 74


def test_every_rule_judges_a_relation_and_every_rule_named_exists() -> None:
    named = {rule for row in RELATIONS for rule in row.get("rules", [])}

    assert named == set(all_rules())
