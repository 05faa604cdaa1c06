"""How often a switch was on."""

from rides import ride_from

from ridecheck.rules.engine import measures

LOG = {"pieces": ["speed to 80 at 1.5 m/s2", "80 km/h, gear 5, 20 s", "brake 2.5 m/s2 to 40"]}


def test_counts_each_logged_switch():
    found = measures(ride_from(LOG))

    assert found["times_on.front_brake"] == 1.0
    assert found["times_on.rear_brake"] == 0.0
    assert found["last_on_s.front_brake"] > 30.0
    assert found["last_on_s.rear_brake"] == -1.0


def test_says_nothing_of_a_switch_that_is_not_logged():
    assert "times_on.clutch" not in measures(ride_from({**LOG, "drop": ["clutch"]}))
