"""Planted faults, by name. Importing this package registers them all."""

from ridecheck.simulate.faults import brakes, drivetrain
from ridecheck.simulate.faults.base import FAULTS, TRIGGERS, About, Fault

__all__ = ["FAULTS", "TRIGGERS", "About", "Fault", "brakes", "drivetrain"]
