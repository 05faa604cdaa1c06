"""Planted faults, by name. Importing this package registers them all."""

from ridecheck.simulate.faults import actuator, brakes, controls, drivetrain, logger, supply
from ridecheck.simulate.faults.base import FAULTS, TRIGGERS, About, Fault

__all__ = [
    "FAULTS",
    "TRIGGERS",
    "About",
    "Fault",
    "actuator",
    "brakes",
    "controls",
    "drivetrain",
    "logger",
    "supply",
]
