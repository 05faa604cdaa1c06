"""Counting statistics, held against published figures and the papers' own programs."""

import pytest

from ridecheck.core.statistics import (
    E_TEST_COUNTS,
    conditional_test,
    e_test,
    poisson_limits,
    poisson_upper,
    pulse_seen,
    rate,
    seen_at_least_once,
    wilson,
)

outside = pytest.mark.outside


@outside
@pytest.mark.parametrize(
    ("events", "confidence", "low", "high"),
    [
        # Exact limits as tabled in "Fiducial limits for the Poisson distribution",
        # Biometrika 28, 1936.
        (0, 0.95, 0.0, 3.689),
        (10, 0.95, 4.80, 18.39),
        # A statistics vendor's worked answers (graphpad.com, FAQ on counts) for 25 events.
        (25, 0.90, 17.38, 34.92),
        (25, 0.95, 16.18, 36.90),
        (25, 0.99, 14.00, 41.00),
    ],
)
def test_limits_of_a_count_are_the_published_ones(events, confidence, low, high):
    limits = poisson_limits(events, confidence=confidence)

    assert limits.low == pytest.approx(low, abs=0.006)
    assert limits.high == pytest.approx(high, abs=0.006)


@outside
def test_rate_divides_by_exposure_as_in_a_published_example():
    # Help page of a statistics package: 14 events in 400 person-years.
    found = rate(14, 400.0)

    assert found.value == pytest.approx(0.035)
    assert found.low == pytest.approx(0.019135, abs=5e-7)
    assert found.high == pytest.approx(0.058724, abs=5e-7)


@outside
@pytest.mark.parametrize(("trials", "share"), [(100, 0.03), (500, 0.006)])
def test_no_event_bounds_the_rate_by_the_rule_of_three(trials, share):
    # "If nothing goes wrong, is everything all right?", JAMA 249, 1983.
    upper = poisson_upper(0) / trials

    assert share * 0.99 < upper <= share


def test_at_zero_events_the_one_sided_limit_is_below_the_two_sided_one():
    assert poisson_upper(0) == pytest.approx(2.996, abs=0.001)
    assert poisson_limits(0).high == pytest.approx(3.689, abs=0.001)


@outside
@pytest.mark.parametrize(
    ("before", "after", "alternative", "p"),
    [
        # Worked example 1 of the paper (J. Stat. Plan. Inf. 119, 2004).
        ((0, 100), (3, 100), "two-sided", 0.0884),
        ((2, 100), (6, 100), "two-sided", 0.1749),
        # Answers of the authors' own program, as kept in scipy's tests.
        ((20, 10), (20, 10), "two-sided", 0.9999997569),
        ((3, 100), (20, 300), "two-sided", 0.1220272545),
        ((3, 12), (4, 20), "greater", 0.4041608732),
        ((4, 20), (3, 100), "greater", 0.0080536404),
        ((4, 20), (3, 10), "less", 0.3083216325),
    ],
)
def test_two_rates_compare_as_in_the_paper(before, after, alternative, p):
    assert e_test(before, after, alternative=alternative) == pytest.approx(p, abs=5e-5)


def test_the_conditional_test_is_the_more_cautious():
    assert conditional_test((0, 1), (3, 1)) == pytest.approx(0.25)
    assert conditional_test((2, 10), (8, 10)) > e_test((2, 10), (8, 10))


def test_no_event_in_either_period_tells_nothing():
    assert conditional_test((0, 10), (0, 10)) == 1.0


def test_counts_too_large_for_the_e_test_get_the_conditional_one():
    many = E_TEST_COUNTS

    assert e_test((many, 10), (many, 10)) == conditional_test((many, 10), (many, 10))


@outside
@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [
        # Worked examples of "Comparison of seven methods", Statistics in Medicine 17, 1998
        # (figures from memory; they are what scipy's own implementation of the method gives).
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_share_has_its_published_interval(successes, trials, low, high):
    found = wilson(successes, trials)

    assert found.low == pytest.approx(low, abs=5e-5)
    assert found.high == pytest.approx(high, abs=5e-5)


@pytest.mark.parametrize(
    ("pulse_s", "interval_s", "chance"),
    [(0.030, 0.100, 0.30), (0.005, 0.020, 0.25), (0.020, 0.100, 0.20), (0.5, 0.1, 1.0)],
)
def test_a_pulse_is_seen_in_proportion_to_its_length(pulse_s, interval_s, chance):
    assert pulse_seen(pulse_s, interval_s) == pytest.approx(chance)


def test_a_latched_channel_shows_every_pulse():
    assert pulse_seen(0.001, 1.0, latched=True) == 1.0


@pytest.mark.parametrize(("chance", "times", "seen"), [(0.3, 2, 0.51), (0.2, 10, 0.893), (1, 0, 0)])
def test_repetition_makes_a_short_pulse_visible(chance, times, seen):
    assert seen_at_least_once(chance, times) == pytest.approx(seen, abs=5e-4)


@pytest.mark.parametrize("exposure", [0.0, -1.0, float("nan")])
def test_no_exposure_gives_no_rate(exposure):
    with pytest.raises(ValueError, match="exposure must be above 0"):
        rate(3, exposure)


def test_a_negative_count_is_refused():
    with pytest.raises(ValueError, match="events must be at least 0, was -1"):
        poisson_limits(-1)


def test_a_share_of_no_trials_is_refused():
    with pytest.raises(ValueError, match="trials must be at least 1, was 0"):
        wilson(0, 0)
