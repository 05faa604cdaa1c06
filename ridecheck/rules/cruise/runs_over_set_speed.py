"""Cruise drives the bike beyond its set speed.

What it checks
    While cruise holds with the grip closed: speed above the set speed by more than hills
    explain, the throttle plate open all the while.
Why it matters
    The actuator does not close far enough, or a controller is wrong.
What else looks like this
    Downhill, where the plate is shut and the engine brakes as it can; the rider's own
    throttle, which the grip shows; the way down after the set speed was lowered.
Next step
    Friction and free travel of the actuator and its cable, engine off.
References
    Above the set speed only by the rider's own throttle or a hill (the making of a
    cruise control; SAE J1939-71, SPN 595: an override is not a cancel).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import cruise, throttle
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    over_kmh: float = threshold(5.0, "km/h", "hold band on hills")
    longer_than_s: float = threshold(10.0, "s", "overshoot after a crest is over sooner")
    plate_open: float = shared(Definitions, "plate_drives")


@rule(
    needs=("cruise_engaged", "cruise_set_speed", "wheel_speed", "throttle", "throttle_grip"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=0.5,
    convict_interval_s=1.0,
    raise_when=RaiseWhen(events=2),
    cruise_only=True,
    asks="settled holding",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches of holding above the set speed with the plate open and the grip closed."""
    settled = cruise.during(ride, "hold")
    yield Exposure(seconds=settled.seconds)
    plate, speed = ride.numbers(throttle.PLATE), ride.numbers("wheel_speed")
    over = (
        (speed > ride.numbers("cruise_set_speed") + limits.over_kmh)
        & (throttle.opening(ride, throttle.PLATE) > limits.plate_open)
        & throttle.is_not_open(ride, throttle.GRIP)
    )
    for span in (settled & ride.where(over)).joined(0.5).longer_than(limits.longer_than_s):
        at = ride.slice(span)
        most = float(np.nanmax(speed[at] - ride.numbers("cruise_set_speed")[at]))
        yield Finding(
            span=span,
            message=f"cruise drove up to {most:.0f} km/h over the set speed for "
            f"{span.length_s:.0f} s, throttle {np.nanmedian(plate[at]):.0f} % open, "
            "the grip closed",
            measured=most,
            limit=limits.over_kmh,
            unit="km/h",
            channels=("throttle",),
        )
