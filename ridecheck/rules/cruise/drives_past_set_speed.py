"""Cruise goes on accelerating above its set speed, the rider's grip closed.

What it checks
    Cruise engaged, the grip closed and no button pressed for some seconds, and the bike,
    already well above the set speed, still gains speed with the throttle plate open.
Why it matters
    Above the set speed a control closes the throttle. One that pulls on does not stop at
    any speed that its rider chose.
What else looks like this
    A downhill, on which the plate is shut; the rider's own throttle over cruise, which
    shows on the grip; a set speed lowered by taps, which the plate obeys at once; a set
    speed shown by a display that reads high, which makes it look too high and never too low.
Next step
    Keep the bike in. Standing, engine off: the throttle must snap shut; then cables,
    actuator and the control unit's own test, as the service manual describes it.
References
    A speed control reduces the throttle while speed is above the set one (ISO 2575 names
    the telltale, not the limit; this limit is common practice of the trade).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import Verdicts, rule, shared, threshold
from ridecheck.signals import cruise, motion, presses, throttle
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.ride import Ride

BUTTONS = ("switch_set", "switch_resume")


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    over_kmh: float = threshold(
        8.0, "km/h", "overshoot of a resume in hilly country", loosened_by="raising"
    )
    gains_ms2: float = threshold(
        0.3, "m/s2", "noise and the end of an overshoot are less", loosened_by="raising"
    )
    longer_than_s: float = threshold(
        2.0, "s", "a plate and its actuator close within a second", loosened_by="raising"
    )
    plate_open: float = shared(Definitions, "plate_drives")
    grip_rest_s: float = threshold(
        2.0, "s", "after the grip closes, the plate may still be on its way", loosened_by="raising"
    )


@rule(
    needs=("cruise_engaged", "cruise_set_speed", "wheel_speed", "throttle", "throttle_grip"),
    severity=Severity.DANGER,
    clear_s=120.0,
    clear_interval_s=0.5,
    cruise_only=True,
    checks=("throttle-snaps-shut", "actuator-cable-play", "self-test-mode"),
    asks="holding with the grip closed",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches above the set speed that still gain speed under power."""
    opened = ~throttle.is_not_open(ride, throttle.GRIP)
    rests = ride.where(~motion.widened(ride, opened, limits.grip_rest_s))
    alone = ride.when("cruise_engaged") & rests
    yield Exposure(seconds=alone.seconds)
    speed = ride.numbers("wheel_speed")
    over = (
        (speed > ride.numbers("cruise_set_speed") + limits.over_kmh)
        & (throttle.opening(ride, throttle.PLATE) > limits.plate_open)
        & (motion.acceleration(ride) > limits.gains_ms2)
    )
    past = (alone & ride.where(over)).joined(0.3).longer_than(limits.longer_than_s)
    # Nobody pressed a button in the stretch or just before.
    for span in past.apart_from(presses.may_show(ride, BUTTONS, after_s=cruise.SETTLE_S)):
        yield _finding(ride, span, limits)


def _finding(ride: Ride, span: Span, limits: Limits) -> Finding:
    at = ride.slice(span)
    speed, set_kmh = ride.numbers("wheel_speed")[at], ride.numbers("cruise_set_speed")[at]
    most_kmh = float(np.nanmax(speed - set_kmh))
    return Finding(
        span=span,
        message=f"cruise drove the bike from {speed[0]:.0f} to {np.nanmax(speed):.0f} km/h, "
        f"{most_kmh:.0f} km/h above the set speed, throttle "
        f"{np.nanmedian(ride.numbers('throttle')[at]):.0f} % open and the grip closed",
        measured=most_kmh,
        limit=limits.over_kmh,
        unit="km/h",
        channels=("throttle", "cruise_set_speed"),
    )
