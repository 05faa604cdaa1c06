"""A small, fixed share of the harmed rides of tests/studies/vanishing.py."""

import harm
import pytest
import vanishing


@pytest.fixture(scope="module")
def tally() -> vanishing.Tally:
    """Sixty bikes, forty of them with a danger in a harmed log."""
    counted = vanishing.Tally()
    vanishing.try_some(range(700_000, 700_060), counted)
    return counted


def test_no_danger_vanishes_and_none_is_made_up(tally: vanishing.Tally) -> None:
    assert tally.danger.total() == 40
    assert tally.wrong == []


def test_some_are_kept_in_and_what_loses_nothing_changes_nothing(tally: vanishing.Tally) -> None:
    assert tally.danger["keep_in"] > 10
    assert tally.same[True] == tally.same.total() == 10


def test_there_are_forty_harms_and_each_changes_the_log() -> None:
    lines = list(vanishing.ride_lines(""))
    sound = ("\n".join(lines) + "\n").encode()

    assert len(harm.HARMS) >= 40
    for seed, name in enumerate(harm.HARMS):
        case = vanishing.Case(seed, "", name, loses=True)

        assert case.data() != sound, name


def test_undamaged_the_rides_have_the_verdicts_that_are_expected() -> None:
    tally = vanishing.Tally()
    for danger in ("", *vanishing.DANGERS):
        case = vanishing.Case(1, danger, "as it is", loses=False)

        assert case.data().count(b"\n") > 1500
    vanishing.try_some(range(5, 150, 6 * len(harm.NO_HARM)), tally)

    assert tally.wrong == []
