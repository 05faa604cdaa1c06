import pytest
from rides import ride_from

from ridecheck.core.packed import unpacked
from ridecheck.ride.sketch import MOST_CELLS, sketch


def test_a_whole_ride_in_little_says_where_cruise_held_and_where_the_log_has_gaps():
    drawn = sketch(
        ride_from(
            {
                "pieces": ["speed to 100 at 1.5 m/s2", "cruise 100 km/h, gear 5, 100 s"],
                "gaps": [[50.0, 60.0]],
            }
        )
    )

    assert len(drawn.logged) == 2
    assert drawn.logged[0].end_s == pytest.approx(50.0, abs=0.2)
    assert drawn.logged[1].start_s == pytest.approx(60.0, abs=0.2)
    assert drawn.held[0].start_s == pytest.approx(18.5, abs=0.3)
    assert drawn.rows_share == pytest.approx(1.0 - 10.0 / drawn.length_s, abs=0.01)


def test_controls_are_counted_with_the_pulses_too_short_for_a_hand():
    drawn = sketch(
        ride_from(
            {
                "pieces": ["80 km/h, gear 5, 60 s"],
                "on": {"front_brake": [[10.0, 10.1], [20.0, 22.0]]},
            }
        )
    )

    use = next(u for u in drawn.controls if u.channel == "front_brake")
    assert (use.times, use.short, use.off) == (2, 1, True)
    assert use.last_s == pytest.approx(20.0, abs=0.06)
    assert use.on_s == pytest.approx(2.1, abs=0.11)


def test_speed_against_engine_speed_lies_on_the_gear_that_was_ridden():
    ride = ride_from({"pieces": ["80 km/h, gear 5, 60 s"]})
    drawn = sketch(ride)

    cells = unpacked(drawn.gears)
    (kmh, rpm, _), *_ = sorted(cells, key=lambda row: -row[2])
    assert rpm / kmh == pytest.approx(drawn.rpm_per_kmh[4], rel=0.1)
    assert sum(seconds for *_, seconds in cells) == pytest.approx(60.0, abs=2.0)
    assert len(unpacked(drawn.gears)) <= MOST_CELLS


def test_what_is_not_logged_is_none_and_no_nought():
    drawn = sketch(ride_from({"pieces": ["80 km/h, gear 5, 30 s"], "drop": ["engine_speed"]}))

    assert drawn.odometer_km is None
    assert drawn.gears == ""
