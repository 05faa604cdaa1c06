"""How often and when last each switch was on: what is dead can be separated from what is unused."""

from collections.abc import Mapping

from ridecheck.core.catalog import channels
from ridecheck.signals.ride import Ride

NEVER_S = -1.0
"""Last time of a switch that was on in no row."""


def measures(ride: Ride) -> Mapping[str, float]:
    """Of each logged switch: ``times_on.<channel>`` and ``last_on_s.<channel>``."""
    found: dict[str, float] = {}
    for name, channel in channels().items():
        if channel.kind == "switch" and ride.has(name):
            on = ride.runs(name).on()
            found[f"times_on.{name}"] = float(len(on))
            found[f"last_on_s.{name}"] = on[-1].end_s if on else NEVER_S
    return found
