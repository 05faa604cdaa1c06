"""Cruise stays engaged where this model's cruise cannot hold.

What it checks
    Cruise engaged well below the model's lowest cruise speed, far above its highest, or
    with neutral shown while riding, for longer than any unit takes to disengage.
Why it matters
    Either the flag or the model file is wrong, and much else is judged by them; or the
    unit does not keep its own limits.
What else looks like this
    A flag mapped the wrong way round; limits in the model file taken from another model;
    a long downhill or the rider's own throttle above the highest speed.
Next step
    Compare the model file with the owner's manual; see what the flag does standing still.
References
    Units filter speed over up to 2 s and read their own display, up to a tenth high
    (common practice; UN Regulation No. 39, 5.3, for the tenth).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    low: float = threshold(0.85, "", "of the lowest speed: the display may read a tenth high")
    low_kmh: float = threshold(4.0, "km/h", "hysteresis of the lowest speed, and rounding")
    high: float = threshold(1.25, "", "of the highest: a downhill or an override goes over it")
    longer_than_s: float = threshold(3.0, "s", "filters of speed and gear take up to 2 s")
    moving_kmh: float = threshold(5.0, "km/h", "at standstill a self test can light the flag")
    riding_kmh: float = threshold(20.0, "km/h", "slower, neutral may be meant")


@rule(
    needs=("cruise_engaged", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=1.0,
    asks="riding with cruise engaged",
    raise_when=RaiseWhen(events=2, rides=2),
    cruise_only=True,
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches too slow, too fast, or in neutral."""
    engaged = ride.numbers("cruise_engaged") == 1
    yield Exposure(seconds=ride.where(engaged).seconds)
    shortest_s = limits.longer_than_s + ride.interval_s("cruise_engaged")
    for where, flags in _outside(ride, limits):
        for span in ride.where(engaged & flags).longer_than(shortest_s):
            speed_kmh = float(np.nanmedian(ride.numbers("wheel_speed")[ride.slice(span)]))
            yield Finding(
                span=span,
                message=f"cruise engaged for {span.length_s:.1f} s at {speed_kmh:.0f} km/h, "
                f"{where}",
                measured=speed_kmh,
                unit="km/h",
                channels=("cruise_engaged",),
            )


def _outside(ride: Ride, limits: Limits) -> Iterator[tuple[str, NDArray[np.bool_]]]:
    model, speed = ride.settings.cruise, ride.numbers("wheel_speed")
    neutral = ride.numbers("neutral_switch" if ride.has("neutral_switch") else "gear")
    shown = neutral == (1 if ride.has("neutral_switch") else 0)
    yield (
        f"far under the model's lowest cruise speed of {model.minimum_kmh:.0f} km/h",
        (speed < limits.low * model.minimum_kmh - limits.low_kmh) & (speed > limits.moving_kmh),
    )
    yield (
        f"far over the model's highest cruise speed of {model.maximum_kmh:.0f} km/h",
        speed > limits.high * model.maximum_kmh,
    )
    yield "with neutral shown", shown & (speed > limits.riding_kmh)
