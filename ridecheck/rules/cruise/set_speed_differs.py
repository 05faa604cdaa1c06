"""The set speed is another than the speed at which set was pressed.

What it checks
    At each engagement by the set button, the set speed shown against wheel speed at that
    moment, allowing for the display's reading high, its step, and the acceleration then.
Why it matters
    The unit stores another speed than the bike rides: a unit (mile or km), a constant,
    or a set speed that is not this press's.
What else looks like this
    A display that reads up to a tenth high, which is allowed for; set pressed while
    speeding up hard.
Next step
    See which unit display and layout use. Then compare the display, the log and GPS on
    a level road.
References
    Shown speed: true, or up to 10 % + 4 km/h above (UN Regulation No. 39, 5.3).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cruise, motion
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    above: float = threshold(0.10, "", "of speed: displays may read a tenth high")
    above_kmh: float = threshold(4.0, "km/h", "and four km/h beside")
    below_kmh: float = threshold(3.0, "km/h", "rounding and one refresh; displays never read low")
    least: float = threshold(2.0, "engagements", "one may be a press of set held to coast")
    late_s: float = threshold(1.0, "s", "between the speed taken and the flag")
    shown_s: float = threshold(
        2.0, "s", "a display polled twice a second, forward-filled, still shows the old speed"
    )


@rule(
    needs=("cruise_engaged", "cruise_set_speed", "wheel_speed", "switch_set"),
    severity=Severity.FAULT,
    clear_events=2,
    clear_interval_s=0.5,
    asks="engagements by the set button",
    raise_when=RaiseWhen(events=2, rides=2),
    cruise_only=True,
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding at most: the middle of what the engagements show."""
    seen = list(_seen(ride, limits))
    off = [(span, speed, set_kmh) for span, speed, set_kmh, fits in seen if not fits]
    yield Exposure(events=len(seen) - len(off))
    if len(off) < max(limits.least, 0.5 * len(seen)):
        return
    speed_kmh = float(np.median([speed for _, speed, _ in off]))
    set_kmh = float(np.median([shown for _, _, shown in off]))
    yield Finding(
        span=off[0][0],
        message=f"set was pressed at {speed_kmh:.0f} km/h and {set_kmh:.0f} km/h was stored, in "
        f"the middle of {len(off)} of {len(seen)} engagements",
        measured=set_kmh - speed_kmh,
        limit=limits.below_kmh,
        unit="km/h",
        channels=("cruise_set_speed",),
    )


def _seen(ride: Ride, limits: Limits) -> Iterator[tuple[Span, float, float, bool]]:
    """Engagements by set: span, speed then, set speed shown, and whether they fit."""
    refresh_s = ride.interval_s("cruise_set_speed")
    step_kmh = ride.channels["cruise_set_speed"].step + motion.step_kmh(ride, "wheel_speed")
    for engagement in cruise.engagements(ride):
        start_s = engagement.span.start_s
        read_s = start_s + max(refresh_s + 0.3, limits.shown_s)
        if not engagement.sharp_start or engagement.span.end_s < read_s:
            continue
        before = Span(start_s - 2.5, start_s)
        if ride.runs("switch_set").any_on(before) is not True:
            continue
        if ride.has("switch_resume") and ride.runs("switch_resume").any_on(
            Span(before.start_s, read_s)
        ):
            continue
        near = ride.numbers("wheel_speed")[ride.slice(Span(start_s - limits.late_s, start_s + 0.3))]
        set_kmh = ride.at("cruise_set_speed", read_s)
        if not np.isfinite(near).any() or np.isnan(set_kmh):
            continue
        lowest, highest = float(np.nanmin(near)), float(np.nanmax(near))
        low_kmh = lowest - limits.below_kmh - step_kmh
        high_kmh = highest * (1.0 + limits.above) + limits.above_kmh + step_kmh
        fits = low_kmh <= set_kmh <= high_kmh
        yield engagement.span, ride.at("wheel_speed", start_s), set_kmh, fits
