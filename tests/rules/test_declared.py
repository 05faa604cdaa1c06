"""What each rule declares of clearing and raising is what happens, at each number's edge."""

import pytest
from declared import (
    TABLE,
    clearing_differences,
    declaration_differences,
    model_differences,
    raising_differences,
)

from ridecheck.rules import all_rules
from ridecheck.rules.base import Rule


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda rule: rule.id)
class TestEveryRule:
    def test_declares_what_the_table_says_it_does(self, rule: Rule) -> None:
        assert not list(declaration_differences(rule))

    def test_is_cleared_by_as_much_as_the_table_says_and_by_no_less(self, rule: Rule) -> None:
        assert not list(clearing_differences(rule))

    def test_raises_a_bike_as_the_table_says_and_no_sooner(self, rule: Rule) -> None:
        assert not list(raising_differences(rule))

    def test_a_limit_of_the_model_file_has_the_model_files_default(self, rule: Rule) -> None:
        assert not list(model_differences(rule))


def test_every_row_of_the_table_is_a_rule_with_a_reason() -> None:
    assert set(TABLE) == set(all_rules())
    assert all(len(row["why"]) > 20 for row in TABLE.values())
