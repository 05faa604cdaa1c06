"""Something that moved near the end of an engagement and may have ended it."""

import math
from dataclasses import dataclass

RIDER = (
    "front_brake",
    "rear_brake",
    "brake_lamp",
    "clutch",
    "roll_off",
    "cancel_switch",
    "power_switch",
    "side_stand",
)
"""Causes that are a control of the rider's; the first of them weighs most."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that moved near a cancel and may have caused it.

    at_s: when. pulse_s: how long it stayed on, NaN where that does not apply. impossible: no
    bike does what the signal shows.
    """

    cause: str
    channel: str
    at_s: float
    evidence: str
    pulse_s: float = math.nan
    interval_s: float = 0.0
    inferred: bool = False
    impossible: bool = False
