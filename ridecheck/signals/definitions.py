"""What several rules ask, with one answer each: its number, the reason and where that is from.

A fleet, model or bike file sets one under ``[thresholds."shared/definitions"]``; rules follow.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from ridecheck.core.model import LimitUsed
from ridecheck.core.thresholds import in_force, threshold
from ridecheck.signals.ride import Ride, once

ID = "shared/definitions"

T = TypeVar("T")

PRACTICE = "common practice"
SIMULATED = "from simulated rides"


@dataclass(frozen=True, slots=True)
class Definitions:
    """Numbers that more than one rule judges by."""

    throttle_closed: float = threshold(
        1.5,
        "%",
        "a grip or plate no further above its closed reading is closed: drift of its zero, noise",
        source=PRACTICE,
        loosened_by="lowering",
        tightest=1.5,  # a grip that opens by little would count as closed, and hide the rest
    )
    throttle_open: float = threshold(
        4.0,
        "%",
        "a grip or plate further above its closed reading is open: free play and drift of its "
        "zero are 2 to 3 %, idle control opens a plate hardly more",
        source=PRACTICE,
    )
    plate_drives: float = threshold(
        6.0,
        "%",
        "a plate further above its closed reading drives the bike: idle control opens it less",
        source=PRACTICE,
        loosened_by="raising",
    )
    coasting_ms2: float = threshold(
        2.0,
        "m/s2",
        "a closed throttle and the wind slow a bike by up to this without brake or hill",
        source="common practice; 40 CFR 86.529-98 for the road load",
        loosened_by="raising",
    )
    braking_ms2: float = threshold(
        2.5,
        "m/s2",
        "harder than a closed throttle, wind and a usual hill together",
        source=PRACTICE,
        loosened_by="raising",
    )
    hardest_ms2: float = threshold(
        11.0,
        "m/s2",
        "tyres on a dry road do no more; steeper is the signal, not the bike",
        source=PRACTICE,
        loosened_by="lowering",
    )
    gains_ms2: float = threshold(
        5.0,
        "m/s2",
        "no touring bike gains speed faster; steeper is the signal, or a wheel that spins",
        source=PRACTICE,
        loosened_by="lowering",
    )
    parted: float = threshold(
        0.06,
        "",
        "change of engine speed over wheel speed that shows engine and wheel parted: twice what "
        "a locked drive and its two signals make",
        source=SIMULATED,
    )
    locked: float = threshold(
        0.03,
        "",
        "change of engine speed over wheel speed within which a drive stays locked, the steps of "
        "both signals beside",
        source=SIMULATED,
    )


def definitions(ride: Ride) -> Definitions:
    """The definitions for the bike of a ride."""
    return values(ride, ID, Definitions)


def used(ride: Ride) -> Mapping[str, LimitUsed]:
    """Their values and who set each, by name."""
    return {value.name: value for value in _in_force(ride, ID, Definitions)[1]}


def values(ride: Ride, table_id: str, table: type[T]) -> T:
    """A table of limits that is no rule's own, for the bike of a ride."""
    found: T = _in_force(ride, table_id, table)[0]
    return found


@once
def _in_force(ride: Ride, table_id: str, table: type) -> tuple[Any, tuple[LimitUsed, ...]]:
    settings = ride.settings
    return in_force(
        table,
        danger=True,
        overrides=settings.thresholds.get(table_id, {}),
        cruise=settings.cruise,
    )
