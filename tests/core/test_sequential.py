"""Evidence that a rate fell: against the exact single look, and under looks at every ride."""

import math

import numpy as np
import pytest

from ridecheck.core.sequential import (
    NONE_LEFT,
    SETTLED,
    clean_exposure_needed,
    evidence_of_fewer,
    single_look,
)
from ridecheck.core.statistics import conditional_test

outside = pytest.mark.outside


@outside
@pytest.mark.parametrize("k", [1, 2, 3, 5, 8])
@pytest.mark.parametrize("x", [0.3, 1.0, 3.5])
def test_a_single_look_is_the_exact_conditional_test(k, x):
    # Biometrika 31, 1940 (the method): the first count is binomial given the total.
    assert single_look((k, 1.0), x) == pytest.approx(
        conditional_test((k, 1.0), (0, x), alternative="greater")
    )


@outside
@pytest.mark.parametrize(
    ("k", "at_90", "at_95", "at_99"),
    [(1, 9.0, 19.0, 99.0), (2, 2.16, 3.47, 9.0), (3, 1.15, 1.71, 3.64), (5, 0.58, 0.82, 1.51),
     (8, 0.33, 0.45, 0.78)],
)  # fmt: skip
def test_clean_kilometres_by_earlier_count_are_those_of_the_closed_form(k, at_90, at_95, at_99):
    # x / D = (1 / alpha) ** (1 / k) - 1, conditional on the total (Biometrika 31, 1940).
    for wanted, alpha in ((at_90, 0.1), (at_95, 0.05), (at_99, 0.01)):
        assert alpha ** (-1.0 / k) - 1.0 == pytest.approx(wanted, abs=0.005)
        assert single_look((k, 1.0), wanted) == pytest.approx(alpha, rel=0.03)


def test_a_clean_stretch_is_worth_nearly_the_inverse_of_the_single_look():
    for k, x in ((2, 4.0), (5, 1.0), (8, 0.5)):
        evidence = evidence_of_fewer((k, 1.0), (0, x))

        assert NONE_LEFT / single_look((k, 1.0), x) <= evidence <= 1.0 / single_look((k, 1.0), x)


@pytest.mark.parametrize("k", [2, 3, 5, 8, 20])
def test_it_asks_for_at_most_a_fifth_more_than_the_single_look(k):
    single = SETTLED ** (1.0 / k) - 1.0

    assert single < clean_exposure_needed((k, 1.0)) < 1.2 * single


@pytest.mark.parametrize("x", [0.0, 0.1, 2.0])
def test_what_is_needed_is_what_settles_it(x):
    more = clean_exposure_needed((5, 200.0), (0, 200.0 * x))

    assert evidence_of_fewer((5, 200.0), (0, 200.0 * x + more)) >= SETTLED * (1 - 1e-9)
    if more:
        assert evidence_of_fewer((5, 200.0), (0, 200.0 * x + 0.99 * more)) < SETTLED


def test_nothing_before_or_no_exposure_is_no_evidence():
    assert evidence_of_fewer((0, 100.0), (0, 500.0)) == 1.0
    assert evidence_of_fewer((3, 100.0), (0, 0.0)) == 1.0
    assert math.isinf(clean_exposure_needed((0, 100.0)))
    assert single_look((0, 100.0), 50.0) == 1.0


def test_events_as_many_as_before_speak_against_it():
    assert evidence_of_fewer((5, 100.0), (5, 100.0)) < 1.0
    assert evidence_of_fewer((5, 100.0), (1, 300.0)) < evidence_of_fewer((5, 100.0), (0, 300.0))


@pytest.mark.parametrize("k", [2, 5])
def test_looked_at_after_every_ride_an_unchanged_rate_is_seldom_called_lower(k):
    """Ville's bound, with the repair after the k-th event and 1,000 km in rides of 5 to 40 km."""
    rng = np.random.default_rng(2100 + k)
    bikes, called = 400, 0
    for _ in range(bikes):
        per_km = rng.uniform(0.01, 0.05)
        before_km = float(rng.gamma(k, 1.0 / per_km))
        looks_km = np.cumsum(rng.uniform(5.0, 40.0, 45))
        events_km = np.cumsum(rng.exponential(1.0 / per_km, 120))
        counts = np.searchsorted(events_km, looks_km)
        called += any(
            evidence_of_fewer((k, before_km), (int(j), float(x))) >= SETTLED
            for j, x in zip(counts, looks_km, strict=True)
        )

    assert called / bikes <= 0.05
