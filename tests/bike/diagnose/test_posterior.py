"""The weighing of causes, held against adding up every combination of causes by hand."""

from itertools import combinations

import numpy as np
import pytest

from ridecheck.bike.diagnose.posterior import (
    FAULTY_BIKES,
    NOT_LISTED,
    NOT_LISTED_SHOWS,
    TWO_AT_ONCE,
    Clue,
    moved_priors,
    weigh,
)

NO_CANCELS = {"cancels": np.empty((0, 3)), "cancels_weight": np.zeros(3)}
PRIORS = np.array([0.6, 0.3, 0.1])


def by_hand(priors, clues):
    """Every hypothesis of at most two causes, one after the other."""
    weights = {(): 1 - FAULTY_BIKES}
    for c, prior in enumerate(priors):
        weights[(c,)] = FAULTY_BIKES * (1 - TWO_AT_ONCE) * prior
    for a, b in combinations(range(len(priors)), 2):
        weights[(a, b)] = FAULTY_BIKES * TWO_AT_ONCE * 2 * priors[a] * priors[b]
    other = FAULTY_BIKES * NOT_LISTED
    for clue in clues:
        for group in weights:
            none = np.prod([1 - clue.chances[c] for c in group])
            shows = 1 - (1 - clue.by_chance) * none
            weights[group] *= (shows if clue.seen else none) ** clue.weight
        shows = 1 - (1 - clue.by_chance) * (1 - NOT_LISTED_SHOWS)
        other *= shows**clue.weight if clue.seen else 1.0
    total = sum(weights.values()) + other
    return np.array(
        [sum(w / len(g) for g, w in weights.items() if c in g) / total for c in range(len(priors))]
    )


@pytest.mark.parametrize("seed", range(20))
def test_shares_are_those_of_all_hypotheses_added_up(seed):
    rng = np.random.default_rng(seed)
    clues = [
        Clue(bool(rng.random() < 0.5), rng.uniform(0, 0.95, 3), float(rng.uniform(0.001, 0.2)))
        for _ in range(4)
    ]

    found = weigh(PRIORS, clues, **NO_CANCELS)

    assert found.causes == pytest.approx(by_hand(PRIORS, clues))
    assert found.causes.sum() + found.not_listed + found.nothing == pytest.approx(1.0)


def test_one_clue_fully_counted_is_bayes_theorem():
    clue = Clue(True, np.array([0.9, 0.0, 0.0]), 0.01, weight=1.0)

    found = weigh(np.array([1.0 - 2e-9, 1e-9, 1e-9]), [clue], **NO_CANCELS)

    faulty = FAULTY_BIKES * (1 - TWO_AT_ONCE) * (1 - 0.1 * 0.99)
    other = FAULTY_BIKES * NOT_LISTED * (1 - 0.99 * (1 - NOT_LISTED_SHOWS))
    expected = faulty / (faulty + other + (1 - FAULTY_BIKES) * 0.01)
    assert found.causes[0] == pytest.approx(expected, rel=1e-6)


def test_two_faults_that_each_show_their_own_sign_are_both_found():
    clues = [
        Clue(True, np.array([0.9, 0.0, 0.0]), 1e-6),
        Clue(True, np.array([0.0, 0.9, 0.0]), 1e-6),
    ]

    found = weigh(PRIORS, clues, **NO_CANCELS)

    assert found.causes[0] == pytest.approx(0.5, abs=0.02)
    assert found.causes[1] == pytest.approx(0.5, abs=0.02)


def test_without_any_clue_the_priors_stand():
    found = weigh(PRIORS, [], **NO_CANCELS)

    assert found.nothing == pytest.approx(1 - FAULTY_BIKES, abs=0.15)
    assert found.causes[0] > found.causes[1] > found.causes[2]


def test_a_sign_that_could_not_be_seen_moves_nothing():
    blind = Clue(False, np.zeros(3), 0.01)

    assert weigh(PRIORS, [blind], **NO_CANCELS).causes == pytest.approx(
        weigh(PRIORS, [], **NO_CANCELS).causes
    )


def test_more_clues_than_make_sense_do_not_break_the_sum():
    clues = [Clue(True, np.array([0.5, 0.5, 0.0]), 1e-7) for _ in range(500)]
    clues += [Clue(False, np.array([0.9, 0.9, 0.9]), 0.01) for _ in range(500)]

    found = weigh(PRIORS, clues, **NO_CANCELS)

    assert np.isfinite(found.causes).all()
    assert found.causes.sum() + found.not_listed + found.nothing == pytest.approx(1.0)


def test_cancels_logged_as_a_cause_would_be_point_to_it():
    cancels = np.array([[0.9, 0.0, 0.1]] * 4)
    weight = np.array([0.8, 0.8, 0.8])
    existence = Clue(True, np.array([0.8, 0.8, 0.8]), 0.001)

    found = weigh(PRIORS, [existence], cancels=cancels, cancels_weight=weight)

    assert found.causes[0] > 0.9


WEIGHTS = {"a": 52.0, "b": 12.0, "c": 0.5}


class TestMovedPriors:
    def test_sum_to_one(self):
        assert sum(moved_priors(WEIGHTS).values()) == pytest.approx(1.0)

    def test_a_factor_raises_one_cause_against_the_others(self):
        moved = moved_priors(WEIGHTS, times=[{"c": 24.0}])

        assert moved["c"] == pytest.approx(moved["b"])

    def test_a_told_share_is_that_share_and_the_others_keep_their_proportions(self):
        moved = moved_priors(WEIGHTS, share={"c": 0.9})

        assert moved["c"] == pytest.approx(0.9)
        assert moved["a"] / moved["b"] == pytest.approx(52 / 12)
        assert sum(moved.values()) == pytest.approx(1.0)
