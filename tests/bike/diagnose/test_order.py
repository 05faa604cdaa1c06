"""The order of checks, held against trying every order and against the published rule."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from ridecheck.bike.diagnose.order import EXACT, _by_gain_a_minute, expected_minutes, least_minutes


@st.composite
def problems(draw, most=7):
    """Chances of up to five causes, and checks that overlap as they like."""
    causes, checks = draw(st.integers(1, 5)), draw(st.integers(1, most))
    share = st.floats(0.0, 1.0)
    chances = draw(arrays(float, causes, elements=share)) + 1e-3
    shows = draw(arrays(float, (checks, causes), elements=st.floats(0.0, 0.99)))
    minutes = draw(arrays(float, checks, elements=st.floats(1.0, 60.0)))
    return chances / chances.sum(), shows, minutes


@settings(max_examples=60, deadline=None)
@given(problems())
def test_no_order_of_up_to_seven_checks_takes_fewer_minutes(problem):
    chances, shows, minutes = problem
    best = min(
        expected_minutes(order, chances, shows, minutes)
        for order in permutations(range(len(minutes)))
    )

    ours = expected_minutes(least_minutes(chances, shows, minutes), chances, shows, minutes)

    assert ours <= best * (1.0 + 1e-9)


@pytest.mark.outside
@settings(max_examples=60, deadline=None)
@given(st.data())
def test_checks_that_look_at_one_cause_each_go_by_chance_over_cost(data):
    # Kadane and Simon, Annals of Statistics 5, 1977: searching boxes, one look each that
    # may miss, is quickest in falling order of chance to find over cost.
    count = data.draw(st.integers(2, 9))
    draw = st.integers(1, 50)
    chances = np.array([data.draw(draw) for _ in range(count)], dtype=float)
    minutes = np.array([data.draw(draw) for _ in range(count)], dtype=float)
    hit = np.array([data.draw(st.integers(1, 9)) / 10 for _ in range(count)])
    chances /= chances.sum()

    order = least_minutes(chances, np.diag(hit), minutes)

    ratios = (chances * hit / minutes)[list(order)]
    assert np.all(np.diff(ratios) <= 1e-9)


def test_one_look_that_serves_two_causes_goes_before_two_that_serve_one():
    chances = np.array([0.5, 0.5])
    shows = np.array([[0.9, 0.0], [0.0, 0.9], [0.8, 0.8]])

    order = least_minutes(chances, shows, np.array([3.0, 3.0, 3.0]))

    assert order[0] == 2


def test_gain_a_minute_alone_can_mislead_and_the_exact_order_is_not_misled():
    # The first check has the best gain a minute, but the other two leave nothing for it.
    chances = np.array([0.34, 0.33, 0.33])
    shows = np.array([[0.9, 0.45, 0.45], [0.9, 0.9, 0.0], [0.0, 0.0, 0.9]])
    minutes = np.array([10.0, 10.2, 5.6])
    best = min(permutations(range(3)), key=lambda o: expected_minutes(o, chances, shows, minutes))

    assert _by_gain_a_minute(chances, shows, minutes) != best
    assert least_minutes(chances, shows, minutes) == best


def test_a_long_list_holds_every_check_once_and_is_no_worse_than_by_gain_a_minute():
    rng = np.random.default_rng(7)
    count = EXACT + 8
    chances = rng.dirichlet(np.ones(10))
    shows, minutes = rng.uniform(0, 0.9, (count, 10)), rng.uniform(1, 40, count)

    order = least_minutes(chances, shows, minutes)

    assert sorted(order) == list(range(count))
    by_minutes = expected_minutes(np.argsort(minutes), chances, shows, minutes)
    assert expected_minutes(order, chances, shows, minutes) < by_minutes


def test_expected_minutes_of_one_sure_and_one_unlikely_check():
    # Ten minutes always; five more in the half of cases the first look missed.
    minutes = expected_minutes([0, 1], np.array([1.0]), np.array([[0.5], [0.9]]), np.array([10, 5]))

    assert minutes == pytest.approx(12.5)


def test_no_checks_have_no_order():
    assert least_minutes(np.array([1.0]), np.empty((0, 1)), np.empty(0)) == ()
