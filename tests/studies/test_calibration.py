"""The measure of calibration itself, and that its tables leave no fault out."""

import calibration
import numpy as np
import pytest
from calibration import EXPERT, PLANTED, brier, calibration_error, reliability

from ridecheck.bike.checks import checks
from ridecheck.bike.diagnose.causes import knowledge
from ridecheck.simulate.faults import FAULTS


def test_every_fault_that_can_be_planted_has_a_frequency_a_cause_and_a_symptom():
    assert set(PLANTED) == set(FAULTS)
    for name, planted in PLANTED.items():
        cause = knowledge().causes[planted.cause]
        trigger = FAULTS[name].about.trigger

        assert cause.part == FAULTS[name].about.part, name
        assert (planted.symptom or calibration.BY_TRIGGER[trigger]) in EXPERT, name


def test_the_technicians_order_names_checks_that_exist():
    assert {c for order in EXPERT.values() for c in order} <= set(checks())


class TestReliability:
    def test_a_forecast_that_is_right_as_often_as_it_says_has_no_error(self):
        stated = np.repeat([0.2, 0.8], 50)
        right = np.concatenate([np.tile([1, 0, 0, 0, 0], 10), np.tile([1, 1, 1, 1, 0], 10)])

        diagram = reliability(stated, right.astype(float), bins=2)

        assert [(b.count, b.right) for b in diagram] == [(50, 0.2), (50, 0.8)]
        assert calibration_error(diagram) == pytest.approx(0.0)

    def test_one_that_always_says_nine_in_ten_and_is_right_half_the_time_is_off_by_four(self):
        diagram = reliability(np.full(100, 0.9), np.tile([0.0, 1.0], 50), bins=10)

        assert calibration_error(diagram) == pytest.approx(0.4)

    def test_bins_hold_equal_numbers(self):
        diagram = reliability(np.linspace(0, 1, 300), np.zeros(300))

        assert [b.count for b in diagram] == [30] * 10


def test_brier_score_of_certain_and_right_is_zero_and_of_certain_and_wrong_is_one():
    assert brier(np.array([1.0, 0.0]), np.array([1.0, 0.0])) == 0.0
    assert brier(np.array([1.0, 0.0]), np.array([0.0, 1.0])) == 1.0


def test_workshop_mix_draws_what_a_workshop_meets_weekly_more_often_than_what_is_rare():
    drawn = [d.fault for d in calibration.drawn_bikes("workshop", 3000, 1)]

    assert drawn.count("fuse-blown") > 20 * drawn.count("unit-faulty")
    assert 0.1 < drawn.count("") / len(drawn) < 0.2
