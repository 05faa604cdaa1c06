"""The commands. The only place that knows exit codes, terminals and options."""

from ridecheck.cli import (
    events,
    explaining,
)
from ridecheck.cli.app import main

__all__ = ["events", "explaining", "main"]
