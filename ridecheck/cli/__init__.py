"""The commands. The only place that knows exit codes, terminals and options."""

# Importing a module registers its commands; their order here is their order in --help.
from ridecheck.cli import screening  # isort: skip
from ridecheck.cli import tracing  # isort: skip
from ridecheck.cli import proving  # isort: skip
from ridecheck.cli import benching  # isort: skip
from ridecheck.cli import learning  # isort: skip
from ridecheck.cli import setting_up  # isort: skip
from ridecheck.cli import events  # isort: skip
from ridecheck.cli import explaining  # isort: skip
from ridecheck.cli import simulating  # isort: skip
from ridecheck.cli import unattended  # isort: skip
from ridecheck.cli.app import main

__all__ = [
    "benching",
    "events",
    "explaining",
    "learning",
    "main",
    "proving",
    "screening",
    "setting_up",
    "simulating",
    "tracing",
    "unattended",
]
