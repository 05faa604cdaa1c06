"""Speed droops each time after cruise is set, or while it holds.

What it checks
    The deepest lasting shortfall against the set speed (else against the speed at which
    cruise engaged) in the first minute of each engagement. It counts where most
    engagements of a ride sag.
Why it matters
    Cable slack, a leaking vacuum or a weak actuator: cruise slowly loses the speed.
What else looks like this
    A hill or a head wind, which do not meet every engagement; a rider who shuts the grip
    early; a hill that altitude shows, which is left out.
Next step
    Slack of the actuator's cable; on a vacuum system its hoses, valve and reservoir.
References
    A servo with cable slack drops up to 24 km/h after set and recovers within 5 to 20 s;
    a vacuum leak loses 1 to 3 km/h in 10 s (trade texts on servo systems).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cruise, motion
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    sag_kmh: float = threshold(3.0, "km/h", "beyond the hold band of a level road and a step")
    lasts_s: float = threshold(2.0, "s", "a gust or a bump is over sooner")
    longer_s: float = threshold(8.0, "s", "a sag after set needs some seconds to show")
    within_s: float = threshold(60.0, "s", "later, the road has changed")
    least: float = threshold(3.0, "engagements", "one or two may have met a hill")
    share: float = threshold(0.6, "", "of the engagements; hills do not meet most of them")
    steady_kmh: float = threshold(2.0, "km/h", "hold band of a level road: held low, not sagging")
    far_kmh: float = threshold(
        10.0, "km/h", "below the set speed with the throttle shut: cruise follows a vehicle"
    )
    shut: float = threshold(1.5, "%", "above its closed reading: no effort to regain the speed")
    climb_m: float = threshold(
        8.0, "m", "climbed within the time: a hill, where altitude is logged"
    )


@rule(
    needs=("cruise_engaged", "wheel_speed"),
    severity=Severity.FAULT,
    clear_events=3,
    clear_interval_s=1.0,
    raise_when=RaiseWhen(events=6, rides=2),
    cruise_only=True,
    holds_steady=True,
    asks="engagements of 8 s and longer",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each sagging engagement, where most of them sag."""
    judged, sagging = 0, []
    for engagement in cruise.engagements(ride):
        span = engagement.span
        if not engagement.sharp_start or span.length_s < limits.longer_s:
            continue
        window = Span(span.start_s, min(span.end_s, span.start_s + limits.within_s))
        if _climbs(ride, window, limits.climb_m):
            continue
        judged += 1
        sag = _sag(ride, window, limits)
        if sag is not None:
            sagging.append(sag)
    yield Exposure(events=judged)
    if len(sagging) < limits.least or len(sagging) < limits.share * judged:
        return
    for span, sag_kmh in sagging:
        yield Finding(
            span=span,
            message=f"speed sagged {sag_kmh:.1f} km/h below the set speed for "
            f"{span.length_s:.0f} s after cruise engaged; so in {len(sagging)} of "
            f"{judged} engagements",
            measured=sag_kmh,
            limit=limits.sag_kmh,
            unit="km/h",
            channels=("cruise_engaged",),
        )


def _sag(ride: Ride, window: Span, limits: Limits) -> tuple[Span, float] | None:
    """The longest stretch this far below the set speed, and its depth; None where none."""
    at = ride.slice(window)
    speed, set_kmh = ride.numbers("wheel_speed")[at], ride.numbers("cruise_set_speed")[at]
    if not np.isfinite(set_kmh).any():
        set_kmh = np.full(len(speed), np.nanmedian(speed[: max(1, len(speed) // 60)]))
    # A lowered set speed is followed, not sagged to.
    low = set_kmh - speed > limits.sag_kmh + 0.5 * motion.step_kmh(ride, "wheel_speed")
    longest = ride.where(low, begin=at.start, bridge_s=0.5).at_least(limits.lasts_s).longest
    # Engaged below the set speed: a resume, still on its way up.
    resumed = bool(set_kmh[0] - speed[0] > 0.5 * limits.sag_kmh)
    if longest is None or resumed:
        return None
    depth = set_kmh - speed
    if float(np.nanmax(depth)) > limits.far_kmh and _no_effort(ride, longest, limits):
        return None
    if _steady(ride, longest, window, limits):
        return None
    return longest, float(np.nanmax(depth))


def _steady(ride: Ride, low: Span, window: Span, limits: Limits) -> bool:
    """Does speed stay low at one level to the end? Then it is held there: another rule's matter."""
    if low.end_s < window.end_s - limits.lasts_s or low.length_s < limits.longer_s:
        return False
    speed = ride.numbers("wheel_speed")[ride.slice(Span(low.start_s + limits.lasts_s, low.end_s))]
    speed = speed[np.isfinite(speed)]
    if not len(speed):
        return False
    spread_kmh = float(np.quantile(speed, 0.9) - np.quantile(speed, 0.1))
    return spread_kmh < limits.steady_kmh


def _no_effort(ride: Ride, low: Span, limits: Limits) -> bool:
    """Whether the throttle is logged and shut as long as speed is low."""
    throttle = ride.numbers("throttle")[ride.rows(low)]
    return motion.median(throttle) <= motion.closed_reading(ride, "throttle") + limits.shut


def _climbs(ride: Ride, window: Span, climb_m: float) -> bool:
    if not ride.has("altitude"):
        return False
    height = ride.numbers("altitude")[ride.slice(window)]
    known = height[np.isfinite(height)]
    return bool(len(known) > 1 and known[-1] - known[0] > climb_m)
