"""How often each switch was on in a ride: what was used can be told from what is dead."""

from collections.abc import Mapping

from ridecheck.catalog import channels
from ridecheck.signals.ride import Ride


def measures(ride: Ride) -> Mapping[str, float]:
    """Times each logged switch was on, as ``times_on.<channel>``."""
    return {
        f"times_on.{name}": float(len(ride.runs(name).on()))
        for name, channel in channels().items()
        if channel.kind == "switch" and ride.has(name)
    }
