"""What the rules share that ask whether cruise disengages in time."""

import math

from ridecheck.core.model import Finding, Span
from ridecheck.signals.ride import Ride


def window_s(ride: Ride, channel: str, cancel_within_s: float) -> float:
    """How long cruise may show engaged after a channel changed: the model's time and the blur."""
    return cancel_within_s + ride.blur_s("cruise_engaged", channel)


def finding(
    ride: Ride,
    stayed: Span,
    allowed_s: float,
    *,
    channel: str,
    why: str,
    held: str = "",
    doubt: str = "",
    contact_only: bool = False,
) -> Finding:
    """Cruise engaged for too long.

    why: what should have ended it; held: for how long that was shown; doubt: what else it
    may be. contact_only: the finding is of the switch, not of cruise.
    """
    speed_kmh = ride.at("wheel_speed", stayed.start_s)
    at = "" if math.isnan(speed_kmh) else f" at {speed_kmh:.0f} km/h"
    return Finding(
        span=stayed,
        message=f"cruise stayed engaged for {stayed.length_s:.2f} s {why}{at}{held}; "
        f"it must disengage within {allowed_s:.2f} s{doubt}",
        measured=stayed.length_s,
        limit=allowed_s,
        unit="s",
        channels=(channel,) if contact_only else ("cruise_engaged", channel),
    )
