"""Rides with known faults: physics, riders, cruise control, sensors, loggers, and the truth."""

from ridecheck.simulate.dialects import DIALECTS, write_log
from ridecheck.simulate.faults import FAULTS
from ridecheck.simulate.fleet import simulate_fleet
from ridecheck.simulate.ride import SimulatedRide, simulate_ride

FAULT_NAMES = tuple(sorted(FAULTS))

__all__ = [
    "DIALECTS",
    "FAULT_NAMES",
    "SimulatedRide",
    "simulate_fleet",
    "simulate_ride",
    "write_log",
]
