import pytest
from rides import ride_from

from ridecheck.core.model import Span
from ridecheck.signals import cancels
from ridecheck.signals.order import Move, moves, order

HELD = {"pieces": ["speed to 100 at 1.5 m/s2", "cruise 100 km/h, gear 5, 40 s"]}
END_S = 18.52 + 40.0
"""When the held piece ends: 100 km/h at 1.5 m/s2 takes 18.52 s."""


def cancelled(*following, **overlays):
    """A ride in which cruise held for 40 s and then let go; and when it let go."""
    ride = ride_from({"pieces": [*HELD["pieces"], *following], **overlays})
    return ride, cancels.cancels(ride)[0].t_s


def first(ride, t_s):
    near = Span(t_s - 1.0 - ride.interval_s("cruise_engaged"), t_s + 0.2)
    return order(moves(ride, t_s), t_s, near=near)


def named(ride, t_s):
    return [m.what for m in moves(ride, t_s)]


def test_a_brake_comes_before_cruise_lets_go_and_the_speed_falls_after():
    ride, t_s = cancelled("brake 2.5 m/s2 to 60")

    seen = [m.channel for m in moves(ride, t_s) if m.at_s >= t_s - 0.5]
    assert seen.index("front_brake") < seen.index("cruise_engaged") < seen.index("wheel_speed")


@pytest.mark.parametrize(
    ("following", "channel", "what"),
    [
        ("rear brake 2.5 m/s2 to 60", "rear_brake", "rear brake on"),
        ("clutch 0.7 m/s2 to 60", "clutch", "clutch pulled"),
        ("cancel 0.7 m/s2 to 60", "switch_cancel", "cancel button pressed"),
        ("roll off 0.7 m/s2 to 60", "roll_off", "throttle-closed switch on"),
    ],
)
def test_what_ended_it_came_first(following, channel, what):
    ride, t_s = cancelled(following, drop=["brake_lamp"])

    found = first(ride, t_s)

    assert found.first == channel
    assert found.sentence.startswith(f"{what} came first, 0.15 s before cruise disengaged")


def test_two_edges_in_one_row_cannot_be_told_apart():
    ride, t_s = cancelled("brake 2.5 m/s2 to 60")

    found = first(ride, t_s)

    assert found.first is None
    assert "brake lamp on and front brake on" in found.sentence
    assert found.sentence.endswith("which came first is undetermined at 20 Hz")


def test_an_edge_a_row_earlier_is_told_apart():
    ride, t_s = cancelled("brake 2.5 m/s2 to 60", off={"brake_lamp": [[END_S - 1, END_S + 0.05]]})

    assert first(ride, t_s).first == "front_brake"


def test_skew_stated_in_the_layout_hides_an_order_of_one_row():
    ride, t_s = cancelled(
        "brake 2.5 m/s2 to 60",
        off={"brake_lamp": [[END_S - 1, END_S + 0.05]]},
        skew={"brake_lamp": 0.1},
    )

    assert first(ride, t_s).first is None


def test_a_slow_channel_hides_the_order_it_is_part_of():
    ride, t_s = cancelled(
        "brake 2.5 m/s2 to 60",
        drop=["brake_lamp"],
        on={"rear_brake": [[END_S + 0.1, END_S + 3.0]]},
        refresh={"rear_brake": 1.0},
    )

    found = first(ride, t_s)

    assert found.first is None
    assert "is undetermined at" in found.sentence


def test_nothing_logged_moved():
    ride, t_s = cancelled(
        "100 km/h, gear 5, 5 s", off={"cruise_engaged": [[END_S, END_S + 5]]}, drop=["brake_lamp"]
    )

    found = first(ride, t_s)

    assert (found.first, found.rivals) == (None, ())
    assert found.sentence == "nothing logged changed before cruise disengaged"


def test_what_surely_came_after_is_no_first_mover():
    ride, t_s = cancelled(
        "100 km/h, gear 5, 5 s",
        off={"cruise_engaged": [[END_S, END_S + 5]]},
        on={"front_brake": [[END_S + 0.15, END_S + 0.5]]},
    )

    assert first(ride, t_s).first is None


def test_a_lost_speed_signal_is_a_jump_known_to_one_row():
    ride, t_s = cancelled(
        "100 km/h, gear 5, 5 s",
        off={"cruise_engaged": [[END_S + 0.1, END_S + 5]]},
        set={"wheel_speed": [[END_S, END_S + 0.4, 0.0]]},
    )

    jump = next(m for m in moves(ride, t_s) if m.channel == "wheel_speed")
    assert jump.what == "wheel speed falls"
    assert jump.span.length_s == pytest.approx(0.05, abs=1e-6)
    assert first(ride, t_s).first == "wheel_speed"


def test_a_supply_dip_comes_first():
    ride, t_s = cancelled(
        "100 km/h, gear 5, 5 s",
        channels=["supply_voltage"],
        off={"cruise_engaged": [[END_S + 0.15, END_S + 5]]},
        add={"supply_voltage": [[END_S, END_S + 0.3, -3.0]]},
    )

    assert first(ride, t_s).first == "supply_voltage"
    assert "supply voltage dips" in named(ride, t_s)


def test_a_hill_is_drift_and_no_first_mover():
    ride, t_s = cancelled("drift 0.25 m/s2 to 84", "coast 0.7 m/s2 to 60")

    assert first(ride, t_s).first is None


def test_an_edge_behind_a_blank_is_known_to_the_blank_only():
    ride, t_s = cancelled(
        "brake 2.5 m/s2 to 60",
        blank={"front_brake": [[END_S - 0.5, END_S + 0.05]]},
    )

    brake = next(m for m in moves(ride, t_s) if m.channel == "front_brake")
    assert brake.span.start_s <= END_S - 0.5 + 1e-6
    assert first(ride, t_s).first is None


def test_a_blank_is_no_edge():
    ride, t_s = cancelled(
        "100 km/h, gear 5, 5 s",
        off={"cruise_engaged": [[END_S, END_S + 5]]},
        blank={"clutch": [[END_S - 1.0, END_S - 0.5]]},
    )

    assert "clutch" not in {m.channel for m in moves(ride, t_s)}


@pytest.mark.parametrize(
    ("one", "other", "before"),
    [
        ((0.0, 0.05), (0.05, 0.1), True),
        ((0.0, 0.05), (0.04, 0.1), False),
        ((0.0, 0.05), (0.0, 0.05), False),
    ],
)
def test_surely_before_means_no_overlap(one, other, before):
    a = Move("clutch", one[1], Span(*one), True, "clutch pulled")
    b = Move("roll_off", other[1], Span(*other), True, "throttle-closed switch on")

    assert a.surely_before(b) is before
