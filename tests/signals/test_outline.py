import numpy as np
import pytest
from rides import ride_from

from ridecheck.core.model import Span
from ridecheck.core.packed import unpacked
from ridecheck.signals.outline import SEEN_PX, WIDTH, number_curve, seen, step_curve


@pytest.mark.parametrize("seed", range(5))
def test_no_point_left_out_would_have_been_seen(seed):
    noise = np.random.default_rng(seed)
    x = np.linspace(0.0, WIDTH, 500)
    y = np.cumsum(noise.normal(0.0, 1.5, len(x)))

    kept = seen(x, y)

    off = np.abs(np.interp(x, x[kept], y[kept]) - y)
    assert off.max() <= SEEN_PX
    assert len(kept) < len(x)


def test_a_steady_line_needs_its_two_ends_alone():
    x = np.linspace(0.0, WIDTH, 400)

    assert seen(x, 0.3 * x).tolist() == [0, 399]


def test_a_spike_of_one_row_in_a_hundred_thousand_stays():
    x = np.linspace(0.0, WIDTH, 100_000)
    y = np.zeros_like(x)
    y[54_321] = 40.0

    kept = seen(x, y)

    assert 54_321 in kept
    assert len(kept) < 10


def test_a_drawing_never_takes_more_points_than_it_has_columns_for():
    x = np.linspace(0.0, WIDTH, 200_000)
    y = np.random.default_rng(3).normal(0.0, 20.0, len(x))

    assert len(seen(x, y)) <= 4 * (WIDTH + 1)


def test_a_blank_and_a_gap_break_the_line():
    ride = ride_from(
        {
            "pieces": ["80 km/h, gear 5, 60 s"],
            "blank": {"wheel_speed": [[20.0, 25.0]]},
            "gaps": [[40.0, 45.0]],
        }
    )

    points = unpacked(number_curve(ride, "wheel_speed", Span(10.0, 55.0), zero_s=10.0).points)

    broken_s = [t for t, v in points if v is None]
    assert broken_s == pytest.approx([9.95, 29.95], abs=1.6)  # a value is held for its refresh
    assert points[0][0] == pytest.approx(0.0, abs=0.06)
    assert points[-1][0] == pytest.approx(45.0, abs=0.06)


def test_a_switch_has_a_point_at_each_change_and_blank_is_not_off():
    ride = ride_from(
        {
            "pieces": ["80 km/h, gear 5, 30 s"],
            "on": {"front_brake": [[10.0, 12.0]]},
            "gaps": [[20.0, 24.0]],
        }
    )

    points = unpacked(step_curve(ride, "front_brake", Span(5.0, 28.0)).points)

    values = [v for _, v in points]
    assert values == [0.0, 1.0, 0.0, None, 0.0]
    assert [t for t, _ in points] == pytest.approx([5.0, 10.0, 12.0, 20.0, 24.0], abs=0.11)


def test_a_switch_that_flickers_for_an_hour_is_drawn_by_columns():
    flicker = [[float(t), t + 0.5] for t in range(5, 1800)]
    ride = ride_from({"pieces": ["80 km/h, gear 5, 1810 s"], "on": {"front_brake": flicker}})

    points = unpacked(step_curve(ride, "front_brake", Span(0.0, 1810.0)).points)

    assert len(points) <= WIDTH + 1
    assert 1.0 in {v for _, v in points}
