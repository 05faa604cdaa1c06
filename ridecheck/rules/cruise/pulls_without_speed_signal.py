"""Cruise goes on driving the bike after its speed signal is lost.

What it checks
    Wheel speed reads nothing while engine speed shows that the bike rides on, cruise stays
    engaged for longer than any unit may take to notice, and engine speed, clutch out and
    grip closed, climbs meanwhile.
Why it matters
    A control that believes the bike stands still opens the throttle without end.
What else looks like this
    A tap of the logger that comes loose while the unit's own wire is good: then engine
    speed stays where it was, and this rule says nothing; a wheel locked by its brake, on
    which cruise ends; a change of gear, in which engine speed leaps and the clutch shows.
Next step
    Keep the bike in. Speed sensor, plug and cable, the wheel turned by hand; then the
    control unit's own test, as the service manual describes it.
References
    A speed control ends when it loses its speed input (SAE J1939-71, SPN 595 to 597, from
    memory; common practice of the trade).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.rules.base import Verdicts, rule, threshold
from ridecheck.signals import motion, throttle
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    nothing_kmh: float = threshold(
        3.0, "km/h", "sensors read nothing below walking pace", loosened_by="lowering"
    )
    noticed_s: float = threshold(
        2.0, "s", "filters of speed take up to 2 s (common practice)", loosened_by="raising"
    )
    climbs: float = threshold(
        0.08, "", "of engine speed: hunting of a hold and noise are less", loosened_by="raising"
    )
    turning: float = threshold(
        1.5, "", "times idle: an engine that a rolling wheel turns", loosened_by="raising"
    )


@rule(
    needs=("cruise_engaged", "wheel_speed", "engine_speed"),
    severity=Severity.DANGER,
    clear_s=120.0,
    clear_interval_s=0.5,
    cruise_only=True,
    checks=("wheel-turned-by-hand", "speed-sensor-gap", "self-test-mode"),
    asks="riding with cruise engaged and both speeds shown",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches engaged with no wheel speed, in which engine speed climbs."""
    speed, rpm = ride.numbers("wheel_speed"), ride.numbers("engine_speed")
    known = ride.when("cruise_engaged") & ride.where(np.isfinite(speed) & np.isfinite(rpm))
    yield Exposure(seconds=known.seconds)
    turning = rpm > limits.turning * ride.settings.drivetrain.idle_rpm
    driven = ~(motion.widened(ride, ride.numbers("clutch") == 1, 1.0) | (ride.numbers("gear") == 0))
    lost = known & ride.where((speed < limits.nothing_kmh) & turning & driven)
    for span in lost.at_least(limits.noticed_s):
        at = ride.rows(span)
        climb = float(rpm[at].max() / rpm[at][0] - 1.0)
        if climb >= limits.climbs and not _by_hand(ride, at):
            yield Finding(
                span=span,
                message=f"cruise stayed engaged for {span.length_s:.1f} s with wheel speed at "
                f"nothing, and engine speed climbed {100.0 * climb:.0f} % to {rpm[at].max():.0f} "
                "rpm",
                measured=span.length_s,
                limit=limits.noticed_s,
                unit="s",
                channels=("wheel_speed", "engine_speed"),
            )


def _by_hand(ride: Ride, at: slice) -> bool:
    """Was the grip open, or the gear another at the end?"""
    gear = ride.numbers("gear")[at]
    gear = gear[np.isfinite(gear)]
    if len(gear) and gear.min() != gear.max():
        return True
    return bool(throttle.is_open(ride, throttle.GRIP)[at].any())
