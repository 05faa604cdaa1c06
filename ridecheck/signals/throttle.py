"""Grip and plate: which of them shows the hand, and when each is open or closed."""

import numpy as np
from numpy.typing import NDArray

from ridecheck.signals.definitions import definitions
from ridecheck.signals.motion import closed_reading
from ridecheck.signals.ride import Ride, once

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

GRIP, PLATE = "throttle_grip", "throttle"


def by_hand(ride: Ride) -> str:
    """The channel that shows the hand best: grip, else plate; "" where neither is logged."""
    return next((name for name in (GRIP, PLATE) if ride.has(name)), "")


@once
def opening(ride: Ride, name: str) -> Floats:
    """Per cent that a grip or plate is open above its closed reading, (n,); NaN is blank."""
    return ride.numbers(name) - closed_reading(ride, name)


def is_open(ride: Ride, name: str) -> Flags:
    """Rows on which a grip or plate is open, (n,)."""
    return np.asarray(opening(ride, name) > definitions(ride).throttle_open)


def is_not_open(ride: Ride, name: str) -> Flags:
    """Rows on which a grip or plate is known and not open, (n,)."""
    return np.asarray(opening(ride, name) <= definitions(ride).throttle_open)


def is_closed(ride: Ride, name: str) -> Flags:
    """Rows on which a grip or plate is closed, (n,)."""
    return np.asarray(opening(ride, name) <= definitions(ride).throttle_closed)
