"""Trends over rides: run lengths against published tables, odd rides, restarts, other bikes."""

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from kept import DAY, result
from scipy.stats import median_abs_deviation

from ridecheck.bike.trends import (
    LEAST_RIDES,
    LIMIT,
    MAD_TO_SD,
    SLACK,
    among_model,
    first_alarm,
    standard_scores,
    trends,
)
from ridecheck.fleet.events import new_event

outside = pytest.mark.outside


def run_length(shift: float, *, limit: float, slack: float = 0.5) -> float:
    """Two-sided average run length by the integral equation, Gauss-Legendre with 60 nodes."""
    from scipy.stats import norm

    def one_sided(mean: float) -> float:
        nodes, weights = np.polynomial.legendre.leggauss(60)
        s, w = limit * (nodes + 1) / 2, weights * limit / 2
        kernel = norm.pdf(s[None, :] - s[:, None] - mean + slack) * w[None, :]
        at_zero = norm.cdf(-s - mean + slack)
        matrix = np.block(
            [
                [np.eye(60) - kernel, -at_zero[:, None]],
                [
                    -(norm.pdf(s - mean + slack) * w)[None, :],
                    np.array([[1.0 - norm.cdf(slack - mean)]]),
                ],
            ]
        )
        return float(np.linalg.solve(matrix, np.ones(61))[-1])

    return 1.0 / (1.0 / one_sided(shift) + 1.0 / one_sided(-shift))


@outside
@pytest.mark.parametrize(
    ("limit", "shift", "published"),
    [
        # "Introduction to Statistical Quality Control", table of CUSUM run lengths, k = 0.5
        # (figures from memory; the integral equation gives the same).
        (4, 0.0, 168), (4, 0.5, 26.6), (4, 1.0, 8.38), (4, 2.0, 3.34),
        (5, 0.0, 465), (5, 0.5, 38.0), (5, 1.0, 10.4), (5, 2.0, 4.01),
    ],
)  # fmt: skip
def test_run_lengths_are_the_tabled_ones(limit, shift, published):
    assert run_length(shift, limit=limit) == pytest.approx(published, rel=0.01)


@outside
def test_the_sum_runs_as_long_as_the_table_says():
    """first_alarm itself, on normal scores: table for k = 0.5, h = 5 and a shift of one."""
    rng = np.random.default_rng(77)
    ends = [first_alarm(rng.normal(1.0, 1.0, 200), limit=5.0) for _ in range(3000)]
    lengths = [end[0] + 1 for end in ends if end is not None]

    assert len(lengths) == 3000
    assert np.mean(lengths) == pytest.approx(10.4, rel=0.03)


def test_the_stated_false_alarm_run_length_is_that_of_our_limit():
    assert run_length(0.0, limit=LIMIT, slack=SLACK) == pytest.approx(1290, rel=0.05)


@outside
def test_the_factor_of_the_median_deviation_is_the_librarys():
    rng = np.random.default_rng(3)
    values = rng.normal(size=101)
    by_hand = MAD_TO_SD * float(np.median(np.abs(values - np.median(values))))

    assert by_hand == pytest.approx(float(median_abs_deviation(values, scale="normal")))


def test_scores_of_unchanged_values_are_standard_normal_from_the_third_on():
    """Their law does not depend on mean or spread: that is what self-starting means."""
    rng = np.random.default_rng(5)
    tenth = [standard_scores(rng.normal(50.0, 7.0, 10))[-1] for _ in range(4000)]

    assert np.mean(tenth) == pytest.approx(0.0, abs=0.05)
    assert np.std(tenth) == pytest.approx(1.0, abs=0.05)


def test_one_odd_ride_raises_no_alarm_and_hides_no_later_rise():
    values = [1.0, 1.1, 0.9, 1.05, 0.95, 1.0, 9.0, 1.02, 0.98, 1.0, 1.1, 0.9]

    assert first_alarm(standard_scores(values)) is None
    assert first_alarm(standard_scores([*values, *(3.0 + 0.1 * i for i in range(8))])) is not None


def rides(values, *, first=DAY, measure="hold.unsteady_kmh"):
    return [
        replace(result(first + timedelta(days=i), name=f"R{i}"), measures={measure: v})
        for i, v in enumerate(values)
    ]


STEADY = [0.5, 0.52, 0.48, 0.51, 0.49, 0.5, 0.53, 0.47, 0.5, 0.5]


def test_a_growing_unsteadiness_is_seen_and_named_by_its_ride():
    growing = rides([*STEADY, 0.7, 0.9, 1.1, 1.3])

    (trend,) = trends(growing, (), zone="UTC")

    assert (trend.state, trend.measure) == ("rising", "hold_unsteadiness")
    assert trend.alarm in {"R11", "R12", "R13"}
    assert trend.usual == pytest.approx(0.5)


def test_a_steady_bike_and_one_with_few_rides_raise_nothing():
    assert [t.state for t in trends(rides(STEADY), (), zone="UTC")] == ["steady"]
    (few,) = trends(rides(STEADY[: LEAST_RIDES - 1]), (), zone="UTC")

    assert (few.state, few.usual) == ("too_few", None)


def test_a_repair_starts_the_comparison_anew():
    repaired = new_event("repair", (DAY + timedelta(days=10)).date(), part="actuator")
    raised = rides([*STEADY, 0.9, 0.95, 0.9, 0.92, 0.9, 0.91, 0.9, 0.92])

    assert [t.state for t in trends(raised, (), zone="UTC")] == ["rising"]
    assert [t.state for t in trends(raised, (repaired,), zone="UTC")] == ["steady"]
    assert isinstance(repaired.when, date)


def test_a_bike_is_held_against_three_others_of_its_model_or_none():
    def report(bike, level, model="tourer"):
        from ridecheck.core.model import BikeReport, Trend, Verdict

        trend = Trend("supply", "V", (("R", level),), None, level, "too_few", None)
        return BikeReport(bike, "", model, Verdict.RELEASE, None, (), "", (), None, trends=(trend,))

    levels = {"A": 14.0, "B": 14.1, "C": 13.9, "D": 12.0}
    among = {
        r.bike: r.trends[0].among for r in among_model([report(b, v) for b, v in levels.items()])
    }

    assert among["D"] == pytest.approx(-2.0 / (MAD_TO_SD * 0.1))
    assert among["A"] is not None
    assert math.isfinite(among["A"])
    assert [r.trends[0].among for r in among_model([report("A", 1.0), report("B", 2.0)])] == [
        None,
        None,
    ]
