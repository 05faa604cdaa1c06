"""Counting statistics, held against published figures and the papers' own programs."""

import pytest

from ridecheck.core.statistics import (
    binomial_tail,
    conditional_test,
    poisson_limits,
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


def test_no_event_before_and_three_after_are_three_heads_of_three_either_way():
    assert conditional_test((0, 1), (3, 1)) == pytest.approx(2 * 0.5**3)


@outside
@pytest.mark.parametrize(
    ("hits", "of", "share", "chance"),
    [
        # Dice: at least one six in four throws, and in 24 throws of two dice a double six
        # (de Mere's problem, 1654): 1 - (5/6)**4 and 1 - (35/36)**24.
        (1, 4, 1 / 6, 0.5177),
        (1, 24, 1 / 36, 0.4914),
        (0, 3, 0.2, 1.0),
        (3, 3, 0.5, 0.125),
    ],
)
def test_the_tail_of_hits_is_that_of_the_dice(hits, of, share, chance):
    assert binomial_tail(hits, of, share) == pytest.approx(chance, abs=5e-5)


def test_no_event_in_either_period_tells_nothing():
    assert conditional_test((0, 10), (0, 10)) == 1.0


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
