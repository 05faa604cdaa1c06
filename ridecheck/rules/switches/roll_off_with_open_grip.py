"""The throttle-closed switch says the grip is closed while the grip is open.

What it checks
    The throttle-closed switch on while the grip (or, no grip logged and cruise not engaged,
    the throttle) is open by more than free play and zero drift, for more than a moment.
Why it matters
    Both cannot be true. A shifted switch ends cruise when the hand rests, or when cruise
    itself moves the cable.
What else looks like this
    The grip opened again within a row or two of a flick; a switch mapped the wrong way
    round; a throttle channel that reads above zero when closed.
Next step
    Adjust the throttle-closed switch; ask what was changed at bars, grips or cables.
References
    Roll-off and an open grip exclude one another by the making of the switch (common
    practice of the trade).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import motion
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    grip_open: float = shared(Definitions, "throttle_open")
    longer_than_s: float = threshold(
        0.15, "s", "a grip let past closed and opened again, its channel late; and one refresh"
    )


@rule(
    needs=("roll_off", ("throttle_grip", "throttle")),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=0.1,
    convict_interval_s=0.2,
    raise_when=RaiseWhen(events=2),
    falsifies=("roll_off",),
    asks="riding with the grip open",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches with the switch on and the grip open."""
    own = ride.has("throttle_grip")
    name = "throttle_grip" if own else "throttle"
    grip = ride.numbers(name)
    rest = motion.closed_reading(ride, name)
    is_open = grip > rest + limits.grip_open
    if not own:
        # The plate may be cruise's own work, and lags the grip.
        is_open &= ~motion.widened(ride, ride.numbers("cruise_engaged") == 1, 1.0)
    yield Exposure(seconds=ride.where(is_open).seconds)
    both = ride.where(is_open) & ride.when("roll_off")
    shortest_s = limits.longer_than_s + max(ride.interval_s("roll_off"), ride.interval_s(name))
    for span in both.longer_than(shortest_s):
        opening = float(np.nanmedian(grip[ride.slice(span)])) - rest
        yield Finding(
            span=span,
            message=f"throttle-closed switch on for {span.length_s:.2f} s while the "
            f"{name.replace('_', ' ')} is {opening:.0f} % open",
            measured=opening,
            limit=limits.grip_open,
            unit="%",
            channels=("roll_off",),
        )
