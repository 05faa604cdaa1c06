"""The ratio of engine to wheel speed, and the gear it means."""

import numpy as np
import pytest
from rides import DRIVETRAIN, ride_from

from ridecheck.signals import drivetrain

THREE = {"pieces": ["60 km/h, gear 3, 60 s", "80 km/h, gear 4, 60 s", "100 km/h, gear 5, 60 s"]}


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"rate_hz": 1, "step": {"wheel_speed": 1.0, "engine_speed": 50.0}},
        {"lag_s": 0.8},
        {"times": {"wheel_speed": [[0, 200, 1.05]]}},
        {"jitter_s": 0.04},
    ],
    ids=[
        "as it is",
        "whole km/h and 50 rpm at 1 Hz",
        "a slow needle",
        "five per cent high",
        "uneven",
    ],
)
def test_gears_are_read_off_the_ladder_where_none_is_logged(changes):
    ride = ride_from(THREE | {"drop": ["gear"]} | changes)

    found = drivetrain.inferred_gear(ride)

    settled = (ride.t_s % 60 > 5) & (ride.t_s % 60 < 55)
    truth = 3 + np.floor(ride.t_s / 60)
    assert drivetrain.has_ladder(ride)
    assert (found[settled] == truth[settled]).mean() > 0.99


def test_a_torque_converter_is_given_no_gears():
    ride = ride_from(
        {
            "pieces": ["speed to 120 at 0.2 m/s2, gear 5", "coast 0.2 m/s2 to 30, gear 5"],
            "drop": ["gear", "clutch"],
            "set": {"engine_speed": [[0, 400, 2000.0]]},
            "ramp": {"engine_speed": [[0, 150, 0, 900], [150, 300, 900, 100]]},
        }
    )

    assert not drivetrain.has_ladder(ride)
    assert np.isnan(drivetrain.inferred_gear(ride)).all()


def test_one_ratio_alone_is_no_ladder():
    ride = ride_from({"pieces": ["100 km/h, gear 5, 200 s"], "drop": ["gear"]})

    assert not drivetrain.has_ladder(ride)


def test_the_common_error_is_found_and_does_not_move_the_gears():
    ride = ride_from(THREE | {"times": {"wheel_speed": [[0, 200, 1.05]]}})

    assert drivetrain.scale(ride) == pytest.approx(1.05, abs=0.006)
    assert {g: round(b.bias, 2) for g, b in drivetrain.gear_biases(ride).items()} == {
        3: 0.05,
        4: 0.05,
        5: 0.05,
    }


def test_tolerance_grows_with_steps_and_with_acceleration():
    fine = ride_from({"pieces": ["100 km/h, gear 5, 20 s"]})
    coarse = ride_from({"pieces": ["100 km/h, gear 5, 20 s"], "step": {"wheel_speed": 1.609}})
    pulling = ride_from({"pieces": ["60 km/h, gear 5, 5 s", "speed to 100 at 1 m/s2, gear 5"]})

    steady, stepped = drivetrain.tolerance(fine)[200], drivetrain.tolerance(coarse)[200]
    moving = drivetrain.tolerance(pulling)[200]

    assert stepped - steady == pytest.approx((1.609 - 0.1) / 200, abs=0.002)
    assert moving > steady + 0.015


def test_a_wrong_unit_is_told_from_a_wrong_model():
    miles = ride_from(THREE | {"times": {"wheel_speed": [[0, 200, 1 / 1.609344]]}})

    assert drivetrain.fitting_factor(miles) == "in miles per hour"
    assert drivetrain.fitting_factor(ride_from(THREE)) == ""
    assert drivetrain.fit(ride_from(THREE), DRIVETRAIN).share == pytest.approx(1.0)
