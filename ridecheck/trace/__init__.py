"""One log looked at closely: each cancel of a ride to its second, each control at the bench.

Nothing here weighs a bike.
"""

from ridecheck.trace.occasions import Occasion
from ridecheck.trace.records import (
    Detectable,
    NextRide,
    RideTrace,
    Strip,
    StripChannel,
    TracedCancel,
    View,
)
from ridecheck.trace.ride import trace_ride

__all__ = [
    "Detectable",
    "NextRide",
    "Occasion",
    "RideTrace",
    "Strip",
    "StripChannel",
    "TracedCancel",
    "View",
    "trace_ride",
]
