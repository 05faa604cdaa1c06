"""When does it happen: cancels counted against what went on, tested exactly.

Each occasion splits the engaged time in two. Were the occasion of no matter, each cancel
would fall into it with the occasion's share of engaged time: an exact binomial test
(one-sided), corrected for the number of occasions tried by Holm's method (Scandinavian
Journal of Statistics 6, 1979; cited from memory).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Cancel
from ridecheck.core.statistics import binomial_tail
from ridecheck.signals import motion
from ridecheck.signals.over_rides import LEAN_DEGREES, WARM_UP_S, bumpy
from ridecheck.signals.ride import Ride

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

LEAST_CANCELS = 3
"""Fewer cancels than this cannot stand out, however they fall."""
SURE = 0.05
GEAR_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Occasion:
    """How many cancels fell into an occasion that took a share of the engaged time.

    p: chance of as many or more if the occasion were of no matter. p_corrected: for the
    number of occasions tried.
    """

    name: str
    cancels: int
    of: int
    share: float
    p: float
    p_corrected: float
    tried: int

    @property
    def stands_out(self) -> bool:
        """Is it unlikely to be chance?"""
        return self.p_corrected < SURE

    @property
    def sentence(self) -> str:
        """Counts, not stories."""
        return (
            f"{self.name}: {self.cancels} of {self.of} cancels, {100 * self.share:.2g} % of "
            f"engaged time (p {self.p_corrected:.2g} after {self.tried} tries)"
        )


def occasions(ride: Ride, cancels: Sequence[Cancel]) -> tuple[Occasion, ...]:
    """Every occasion the log shows, the most marked first; () where cancels are too few.

    cancels: those uncommanded or with no logged cause.
    """
    if len(cancels) < LEAST_CANCELS or not ride.has("cruise_engaged"):
        return ()
    engaged = ride.numbers("cruise_engaged") == 1
    at = np.array([max(ride.index(c.t_s) - 1, 0) for c in cancels])
    found = []
    for name, where in _tried(ride, engaged):
        known = ~np.isnan(where)
        seconds = motion.row_seconds(ride) * (engaged & known)
        hits = where[at]
        of = int((~np.isnan(hits)).sum())
        if seconds.sum() <= 0 or of < LEAST_CANCELS:
            continue
        share = float(seconds[where == 1].sum() / seconds.sum())
        if 0.0 < share < 1.0:
            found.append(_occasion(name, int((hits == 1).sum()), of, share))
    return _corrected(found)


def _occasion(name: str, cancels: int, of: int, share: float) -> Occasion:
    p = binomial_tail(cancels, of, share)
    return Occasion(name, cancels, of, share, p, p, 1)


def _corrected(found: Sequence[Occasion]) -> tuple[Occasion, ...]:
    """Holm: the k-th smallest of m times m - k + 1, never falling, at most 1."""
    ordered = sorted(found, key=lambda o: (o.p, o.name))
    corrected, floor = [], 0.0
    for k, occasion in enumerate(ordered):
        floor = max(floor, min(1.0, occasion.p * (len(ordered) - k)))
        corrected.append(replace(occasion, p_corrected=floor, tried=len(ordered)))
    return tuple(corrected)


def _tried(ride: Ride, engaged: Flags) -> Iterator[tuple[str, Floats]]:
    """Occasions as rows: 1 in it, 0 not, NaN unknown."""
    if ride.has("vertical_acceleration"):
        yield "within 0.5 s of a bump", bumpy(ride)
    if ride.has("lean_angle"):
        lean = np.abs(ride.numbers("lean_angle"))
        yield f"leaning more than {LEAN_DEGREES:.0f} degrees", _rows(lean, lean > LEAN_DEGREES)
    if ride.duration_s > 1.25 * WARM_UP_S:
        yield "in the first 20 minutes", (ride.t_s < WARM_UP_S).astype(float)
    for name, word, high in QUARTERS:
        if ride.has(name):
            values = ride.numbers(name)
            known = values[engaged & ~np.isnan(values)]
            if len(known) < 20 or np.ptp(known) <= 0:
                continue
            limit = float(np.quantile(known, 0.75 if high else 0.25))
            inside = values > limit if high else values < limit
            yield f"{word} {limit:.4g} {UNITS[name]}", _rows(values, inside)
    if ride.has("gear"):
        gear = ride.numbers("gear")
        for number in np.unique(gear[engaged & ~np.isnan(gear)]):
            if (gear[engaged] == number).mean() >= GEAR_SHARE:
                yield f"in gear {number:.0f}", _rows(gear, gear == number)


QUARTERS = (
    ("wheel_speed", "faster than", True),
    ("throttle", "throttle wider than", True),
    ("supply_voltage", "supply below", False),
    ("coolant_temperature", "coolant hotter than", True),
    ("coolant_temperature", "coolant colder than", False),
    ("air_temperature", "air colder than", False),
)
"""Highest or lowest quarter of the engaged time, by channel."""
UNITS = {
    "wheel_speed": "km/h",
    "throttle": "%",
    "supply_voltage": "V",
    "coolant_temperature": "degC",
    "air_temperature": "degC",
}


def _rows(values: Floats, inside: Flags) -> Floats:
    """1 inside, 0 outside, NaN where the channel is blank."""
    return np.where(np.isnan(values), np.nan, inside.astype(float))
