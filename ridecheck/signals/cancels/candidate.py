"""What an attribution is made of: candidates, and the case that one of them makes."""

import math
from dataclasses import dataclass

from ridecheck.core.model import Evidence
from ridecheck.signals.ride import SHARP_S, SLOWEST_S, Ride

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

UNEXPLAINED = "unexplained"

VOTE_KMH = 5.0
"""Slowing by no more than this is none."""


def seen(kind: str, **figures: float | str) -> Evidence:
    """A record of what was seen; its numbers are kept to a ten-thousandth."""
    kept = {n: v if isinstance(v, str) else round(float(v), 4) + 0.0 for n, v in figures.items()}
    return Evidence(kind, kept)


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that changed near the end of an engagement and may have ended it.

    at_s: when. pulse_s: how long it stayed on, NaN where that does not apply. impossible: no
    bike does what the signal shows.
    """

    cause: str
    channel: str
    at_s: float
    evidence: Evidence
    pulse_s: float = math.nan
    interval_s: float = 0.0
    inferred: bool = False
    impossible: bool = False

    @property
    def by_rider(self) -> bool:
        """Whether it is a control of the rider's."""
        return self.cause in RIDER

    @property
    def is_pressure(self) -> bool:
        """Whether a line pressure stands in for the switch: its pulses are not a contact's."""
        return self.channel.endswith("_pressure")

    @property
    def pulses_show(self) -> bool:
        """Whether it is logged fast enough for the length of a pulse to mean something."""
        return self.interval_s <= SLOWEST_S

    def no_longer_than(self, length_s: float) -> bool:
        """Whether the pulse may have lasted no longer than this, as far as the refresh shows."""
        return self.pulse_s <= length_s + self.interval_s + 1e-6

    def surely_within(self, length_s: float) -> bool:
        """Whether the pulse was seen sharply and lasted no longer than this."""
        return self.interval_s <= SHARP_S and self.pulse_s <= length_s + 1e-6


@dataclass(frozen=True, slots=True)
class Case:
    """A cancel at t_s and the cause it is put down to.

    others: what else changed near it. wanted_back: the rider engaged cruise again soon
    without slowing.
    """

    ride: Ride
    cause: Candidate
    t_s: float
    others: tuple[Candidate, ...] = ()
    wanted_back: bool = False
