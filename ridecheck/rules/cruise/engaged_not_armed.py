"""Cruise is shown engaged while its main switch is shown off.

What it checks
    Engagements that begin with the main switch's lamp off and go on so. (A lamp that
    goes off while cruise holds is a command, and another rule's matter.)
Why it matters
    One of the two flags is not what the layout says; much is judged by both.
What else looks like this
    A lamp that is lit only while cruise is armed and not holding; a flag mapped the
    wrong way round; a lamp channel refreshed slowly.
Next step
    Compare both channels with the panel's lamps, standing, main switch off and on.
References
    Engaged implies armed (common practice of the trade).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cruise
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    longer_than_s: float = threshold(1.0, "s", "two lamps of one unit change within a second")
    moving_kmh: float = threshold(5.0, "km/h", "at standstill a self test can light the flag")


@rule(
    needs=("cruise_engaged", "cruise_armed"),
    severity=Severity.NOTE,
    clear_events=2,
    clear_interval_s=1.0,
    asks="engagements with the main switch on",
    raise_when=RaiseWhen(events=1_000_000),
    cruise_only=True,
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each engagement: armed, or not."""
    slack_s = limits.longer_than_s + sum(
        ride.interval_s(n) + ride.channels[n].skew_s for n in ("cruise_engaged", "cruise_armed")
    )
    armed = 0
    for engagement in cruise.engagements(ride):
        begin = Span(engagement.span.start_s, engagement.span.start_s + slack_s)
        speed = ride.numbers("wheel_speed")[ride.slice(engagement.span)]
        stands = np.isfinite(speed).any() and np.nanmax(speed) < limits.moving_kmh
        if engagement.span.length_s <= slack_s or stands:
            continue
        answer = ride.runs("cruise_armed").any_on(begin)
        armed += answer is True
        if answer is False:
            yield Finding(
                span=engagement.span,
                message=f"cruise engaged for {engagement.span.length_s:.0f} s with the main switch "
                "shown off from the start",
                measured=engagement.span.length_s,
                limit=slack_s,
                unit="s",
                channels=("cruise_engaged", "cruise_armed"),
            )
    yield Exposure(events=armed)
