"""The rider opens the grip and the throttle plate does not open.

What it checks
    Stretches with the grip clearly open while the plate stays closed, cruise not
    engaged, no traction or stability control at work, the engine below its limit. (The
    other way round, an open plate under a closed grip, is a danger and has its own rule.)
Why it matters
    An actuator, a sensor or its connector: the engine does not answer, or goes into a
    limp-home mode, in traffic.
What else looks like this
    Traction control and rev limiters, which close the plate; a riding mode with a slow
    start of its travel; a cold or stopped engine.
Next step
    Read the throttle system's own fault store; connectors of grip sensor and throttle body.
    Leave the throttle body's stops and its springs alone.
References
    Free play and zero drift of grip sensors 2 to 3 % (common practice of the trade).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import motion
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.ride import Ride

AIDS = ("traction_active", "abs_active")


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    grip_open: float = threshold(20.0, "%", "no riding mode leaves the plate shut at a fifth")
    plate_closed: float = shared(
        Definitions, "throttle_open", reason="above its lowest: idle control opens it so far"
    )
    longer_than_s: float = threshold(1.0, "s", "plate and filters follow within half of this")
    below_limiter: float = threshold(
        0.92, "", "of the red line: limiters close the plate above it, soft ones a little before"
    )
    moving_kmh: float = threshold(10.0, "km/h", "standing, people open the grip with key on")


@rule(
    needs=("throttle_grip", "throttle", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=10.0,
    clear_interval_s=0.2,
    convict_interval_s=0.5,
    asks="riding with the grip clearly open",
    raise_when=RaiseWhen(events=2),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches with the grip open and the plate closed."""
    grip, plate = ride.numbers("throttle_grip"), ride.numbers("throttle")
    rest, lowest = (motion.closed_reading(ride, n) for n in ("throttle_grip", "throttle"))
    opened = (grip > rest + limits.grip_open) & (ride.numbers("wheel_speed") > limits.moving_kmh)
    rpm = ride.numbers("engine_speed")
    drivetrain = ride.settings.drivetrain
    opened &= ~(rpm > limits.below_limiter * drivetrain.redline_rpm)
    opened &= ~(rpm < 0.5 * drivetrain.idle_rpm)
    for name in ("cruise_engaged", *AIDS):
        opened &= ~motion.widened(ride, ride.numbers(name) == 1, limits.longer_than_s)
    yield Exposure(seconds=ride.where(opened & np.isfinite(plate)).seconds)
    shut = opened & (plate < lowest + limits.plate_closed)
    shortest_s = limits.longer_than_s + max(
        ride.interval_s("throttle"), ride.interval_s("throttle_grip")
    )
    for span in ride.where(shut).longer_than(shortest_s):
        rows = ride.rows(span)
        asked, given = float(np.median(grip[rows])), float(np.median(plate[rows]))
        yield Finding(
            span=span,
            message=f"grip {asked:.0f} % open for {span.length_s:.1f} s at "
            f"{ride.at('wheel_speed', span.start_s):.0f} km/h and the plate stayed at "
            f"{given:.0f} %",
            measured=given,
            limit=lowest + limits.plate_closed,
            unit="%",
            channels=("throttle", "throttle_grip"),
        )
