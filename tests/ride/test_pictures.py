import pytest
from rides import part_from, settings_from

from ridecheck.core.model import Span
from ridecheck.core.packed import unpacked
from ridecheck.ride.judge import judge_ride
from ridecheck.ride.pictures import worst_first
from ridecheck.store.results import adapter, canonical

HOLD_S = 18.52


def judged(**plan):
    return judge_ride([part_from(plan)], settings_from(plan), bike="T01")


def under_braking():
    """Cruise stays engaged for 2 s with the front brake on."""
    return judged(
        pieces=["speed to 100 at 1.5 m/s2", "cruise 100 km/h, gear 5, 60 s", "100 km/h, 20 s"],
        on={"front_brake": [[HOLD_S + 30, HOLD_S + 32]]},
        off={"cruise_engaged": [[HOLD_S + 32.1, HOLD_S + 60]]},
    )


def lost_speed():
    """The speed signal drops to nought for half a second, twice."""
    return judged(
        pieces=["speed to 100 at 1.5 m/s2", "100 km/h, gear 5, 120 s"],
        set={"wheel_speed": [[60.0, 60.5, 0.0], [90.0, 90.5, 0.0]]},
    )


def of_rule(result, rule):
    return [f for f in result.findings if f.rule == rule]


def curve(picture, channel):
    return unpacked(next(c.points for c in picture.curves if c.channel == channel))


def test_every_danger_has_its_picture_with_what_was_compared():
    danger = of_rule(under_braking(), "cruise/engaged-under-braking")[0]

    picture = danger.picture
    assert {"cruise_engaged", "front_brake", "wheel_speed"} <= {c.channel for c in picture.curves}
    assert picture.zero_s == danger.start_s
    assert picture.stretch == Span(0.0, pytest.approx(danger.end_s - danger.start_s))
    assert picture.from_s <= -2.0 < 2.0 < picture.to_s


def test_a_limit_of_time_is_drawn_where_the_length_is_what_was_measured():
    danger = of_rule(under_braking(), "cruise/engaged-under-braking")[0]

    assert danger.picture.allowed == Span(0.0, danger.limit)
    assert danger.picture.limit is None


def test_the_picture_shows_the_brake_on_through_the_stretch_and_off_before():
    picture = of_rule(under_braking(), "cruise/engaged-under-braking")[0].picture

    points = curve(picture, "front_brake")
    at_start = [v for t, v in points if t <= 0.0][-1]
    before = [v for t, v in points if t <= -0.5][-1]
    assert (before, at_start) == (0.0, 1.0)


def test_a_limit_of_a_level_is_drawn_on_the_scale_it_was_measured_on():
    found = worst_first(of_rule(lost_speed(), "speed/signal-lost"))[0]

    limit = found.picture.limit
    assert limit.channel == "wheel_speed"
    assert {v for _, v in unpacked(limit.points)} == {found.limit}
    assert found.picture.allowed is None


def test_a_limit_that_stands_on_no_drawn_scale_is_not_drawn():
    result = judged(
        pieces=["speed to 100 at 1.5 m/s2", "100 km/h, gear 5, 600 s"],
        on={"front_brake": [[s, s + 0.1] for s in range(100, 400, 10)]},
    )

    found = of_rule(result, "switches/short-pulses")
    assert found
    assert [f.picture.limit for f in found if f.picture] == [None] * 2


def test_the_worst_of_a_rule_has_a_picture():
    found = of_rule(lost_speed(), "speed/signal-lost")

    assert worst_first(found)[0].picture is not None


def test_cancels_that_were_not_commanded_have_a_picture_and_the_riders_own_have_none():
    result = judged(
        pieces=[
            "speed to 100 at 1.5 m/s2",
            "cruise 100 km/h, gear 5, 200 s",
            "brake 2.5 m/s2 to 60",
        ],
        off={"cruise_engaged": [[HOLD_S + 120, HOLD_S + 121]]},
    )

    pictured = {c.cause: c.picture is not None for c in result.cancels}
    assert pictured == {"unexplained": True, "front_brake": False}
    picture = next(c.picture for c in result.cancels if c.picture)
    assert (picture.from_s, picture.to_s) == (-4.0, 3.0)
    assert {"front_brake", "clutch", "wheel_speed"} <= {c.channel for c in picture.curves}


def test_a_result_with_pictures_is_kept_and_read_back_as_it_was():
    result = lost_speed()

    text = canonical(adapter().dump_python(result, mode="json"))
    assert adapter().validate_json(text) == result


def test_an_hour_of_dangers_stays_a_small_file():
    hold = [f"cruise 100 km/h, gear 5, {3600} s"]
    brakes = [[float(s), s + 1.5] for s in range(100, 3600, 60)]
    result = judged(pieces=["speed to 100 at 1.5 m/s2", *hold], on={"front_brake": brakes})

    assert len(of_rule(result, "cruise/engaged-under-braking")) > 50
    assert sum(f.picture is not None for f in result.findings) <= 50
    assert len(canonical(adapter().dump_python(result, mode="json"))) < 400_000
