"""Rides kept for the boards are the rides that would be made."""

import kept_rides
import pytest
from kept_rides import simulated

from ridecheck.simulate.population import POPULATIONS, draw_bike


@pytest.fixture
def drawn(tmp_path, monkeypatch):
    monkeypatch.setenv("RIDECHECK_KEPT_RIDES", str(tmp_path))
    bike = draw_bike(POPULATIONS["tuning"], (60_001, 1), bike="B1", rides=1, rate_hz=5.0)
    return bike.spec, bike.rides[0].plan, (60_001, 1)


def test_a_kept_ride_is_the_ride_made_anew(drawn, monkeypatch):
    made = simulated(*drawn)
    monkeypatch.setattr(kept_rides, "simulate_ride", None)  # only the disk can give it now
    kept = simulated(*drawn)

    assert kept.samples.equals(made.samples)
    assert kept.truth == made.truth


def test_rides_of_another_simulator_are_not_taken(drawn, monkeypatch):
    simulated(*drawn)
    monkeypatch.setattr(kept_rides, "_simulator", lambda: "other code")
    monkeypatch.setattr(kept_rides, "simulate_ride", lambda *_: "made anew")

    assert simulated(*drawn) == "made anew"


def test_nothing_is_kept_unless_asked_for(drawn, tmp_path, monkeypatch):
    monkeypatch.delenv("RIDECHECK_KEPT_RIDES")
    simulated(*drawn)

    assert not list(tmp_path.iterdir())
