"""The throttle stays open while the grip is closed and cruise is off.

What it checks
    With cruise not engaged and the grip at rest, the throttle plate must close: within
    the time the model allows plus one refresh and the stated skew after cruise disengages
    or the grip closes, and the time a plate may need.
Why it matters
    The engine drives on against the rider's hand.
What else looks like this
    A plate that rests above zero (the lowest reading of the ride is taken for closed);
    an engine's own small opening for idle or for a gear change; a grip sensor that
    reads zero with the grip open.
Next step
    Keep the bike in. Standing, engine off: open the grip and release it at both bar locks;
    it must snap shut. Look at the cables or the actuator.
References
    Return to idle within 1 s for light vehicles (FMVSS 124, S5.3, not written for
    motorcycles; figure from memory).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span, Unjudged
from ridecheck.rules.base import Verdicts, rule, shared, threshold
from ridecheck.signals import throttle
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    cancel_within_s: float = threshold(
        0.5,
        "s",
        "cruise may hold the plate until it has disengaged",
        model="cruise.cancel_within_s",
        loosened_by="raising",
    )
    plate_closes_s: float = threshold(
        1.0,
        "s",
        "longest a plate may take to close, dampers included",
        loosened_by="raising",
    )
    plate_open: float = shared(Definitions, "plate_drives")
    grip_closed: float = shared(Definitions, "throttle_closed")
    moving_kmh: float = threshold(
        10.0, "km/h", "at standstill a fast idle opens the plate", loosened_by="raising"
    )


@rule(
    needs=("throttle", "throttle_grip", "wheel_speed"),
    severity=Severity.DANGER,
    clear_s=10.0,
    clear_interval_s=0.1,
    checks=("throttle-snaps-shut", "actuator-cable-play"),
    asks="riding on with the grip closed and cruise off",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches with the grip closed, cruise off, moving, and the plate open."""
    cannot = _cannot_tell(ride, limits)
    if cannot:
        yield Unjudged(Span(0.0, ride.duration_s), cannot)
        return
    plate = ride.numbers(throttle.PLATE)
    closed = (
        (throttle.opening(ride, throttle.GRIP) <= limits.grip_closed)
        & _cruise_off(ride)
        & (ride.numbers("wheel_speed") > limits.moving_kmh)
    )
    stands_open = closed & (throttle.opening(ride, throttle.PLATE) > limits.plate_open)
    channels = [c for c in ("throttle", "throttle_grip", "cruise_engaged") if ride.has(c)]
    window_s = limits.cancel_within_s + ride.blur_s(*channels) + limits.plate_closes_s
    for span in ride.where(stands_open).longer_than(window_s):
        opening = float(np.nanmedian(plate[ride.slice(span)]))
        yield Finding(
            span=span,
            message=f"throttle plate stayed {opening:.0f} % open for {span.length_s:.1f} s with "
            f"the grip closed and cruise off, at {ride.at('wheel_speed', span.start_s):.0f} km/h; "
            f"it must close within {window_s:.2f} s",
            measured=span.length_s,
            limit=window_s,
            unit="s",
            channels=("throttle", "throttle_grip"),
        )
    yield Exposure(seconds=ride.where(closed).seconds)


def _cruise_off(ride: Ride) -> np.ndarray:
    """Rows on which cruise is known to be off; all rows of a bike that has none."""
    if ride.settings.cruise.fitted is False and not ride.has("cruise_engaged"):
        return np.ones(len(ride.t_s), dtype=bool)
    return np.asarray(ride.numbers("cruise_engaged") == 0)


def _cannot_tell(ride: Ride, limits: Limits) -> str:
    """Why grip and plate of this ride cannot be held against each other; "" if they can."""
    if not ride.has("cruise_engaged") and ride.settings.cruise.fitted is not False:
        return "whether cruise is engaged is not logged, so an open plate may be its work"
    opened = np.nanmax(throttle.opening(ride, throttle.GRIP))
    if opened < 3.0 * limits.grip_closed:
        return f"the grip never opened by more than {opened:.1f} % in this ride"
    return ""
