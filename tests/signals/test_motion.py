"""Acceleration at a signal's own resolution, and what counts as slowing."""

import numpy as np
import pytest
from rides import ride_from

from ridecheck.core.model import Span
from ridecheck.signals import braking, motion

BRAKING = {
    "pieces": ["100 km/h, gear 5, 10 s", "brake 3 m/s2 to 56.8, gear 5", "56.8 km/h, gear 5, 10 s"]
}


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"rate_hz": 100},
        {"rate_hz": 5, "step": {"wheel_speed": 1.0}},
        {"step": {"wheel_speed": 1.609344}},
        {"jitter_s": 0.03},
        {"rate_hz": 10, "refresh": {"wheel_speed": 0.5}},
    ],
    ids=["20 Hz", "100 Hz", "whole km/h at 5 Hz", "whole mph", "uneven clock", "slow refresh"],
)
def test_slowing_is_measured_whatever_the_signal_looks_like(changes):
    ride = ride_from(BRAKING | changes)

    middle = motion.acceleration(ride)[ride.slice(Span(11.5, 12.5))]

    assert np.median(middle) == pytest.approx(-3.0, abs=0.4)


def test_no_acceleration_is_taken_across_a_gap():
    ride = ride_from(BRAKING | {"gaps": [[10.5, 13.0]]})

    around = motion.acceleration(ride)[ride.slice(Span(10.4, 13.1))]

    assert np.isnan(around).any()
    assert np.nanmin(motion.acceleration(ride)) > -4.0


def test_a_blank_leaves_a_blank():
    ride = ride_from(BRAKING | {"blank": {"wheel_speed": [[11.0, 12.0]]}})

    assert np.isnan(ride.numbers("wheel_speed")[ride.index(11.5)])
    assert np.isnan(motion.acceleration(ride)[ride.slice(Span(11.2, 11.8))]).all()


def test_a_slowing_is_found_once_with_its_rate_and_its_witness():
    (slowing,) = braking.slowings(ride_from(BRAKING), 2.5, 0.7)

    assert slowing.rate_ms2 == pytest.approx(3.0, abs=0.1)
    assert slowing.span.start_s == pytest.approx(10.0, abs=0.3)
    assert slowing.span.end_s == pytest.approx(14.0, abs=0.3)
    assert slowing.corroborated is True
    assert slowing.by == "engine speed in gear"


def test_a_signal_fading_by_itself_is_contradicted_by_the_engine():
    fading = {"pieces": ["100 km/h, gear 5, 30 s"], "ramp": {"wheel_speed": [[10, 14, 0, -43]]}}

    (slowing,) = braking.slowings(ride_from(fading), 2.5, 0.7)

    assert slowing.corroborated is False


def test_with_the_clutch_pulled_the_engine_tells_nothing():
    ride = ride_from(BRAKING | {"on": {"clutch": [[9, 16]]}})

    (slowing,) = braking.slowings(ride, 2.5, 0.7)

    assert slowing.corroborated is None


def test_row_seconds_add_up_to_the_time_covered():
    ride = ride_from(BRAKING | {"gaps": [[10.5, 13.0]]})

    covered_s = sum(s.length_s + ride.row_interval_s for s in ride.segments)

    assert motion.row_seconds(ride).sum() == pytest.approx(covered_s)


def test_a_row_that_lies_before_a_stretch_by_rounding_is_in_its_first_piece():
    ride = ride_from({"pieces": ["80 km/h, gear 5, 10 s"]})
    speed = ride.numbers("wheel_speed")
    start_s = float(ride.t_s[40]) + 1e-10

    cells, (means,) = motion.cell_means(
        ride, Span(start_s, start_s + 1.0), 0.25, np.isfinite(speed), speed
    )

    assert cells.tolist() == [0.0, 1.0, 2.0, 3.0]
    assert means == pytest.approx(80.0, abs=0.5)
