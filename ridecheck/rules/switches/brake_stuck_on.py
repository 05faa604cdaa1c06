"""A brake signal stays on while the bike does not slow.

What it checks
    A brake signal on for more than a minute above 30 km/h, while for most of the time
    the bike holds or gains speed and the throttle is not shut all along.
Why it matters
    The brake lamp means nothing to the traffic behind, and cruise can not be set.
What else looks like this
    A brake dragged downhill (throttle shut, speed falling); a boot resting on the
    pedal; a switch with its polarity the wrong way round in the layout.
Next step
    Standing: watch the lamp while each control returns; then switch and adjustment.
References
    Brake lamps must not stay on after the brake is released (NHTSA interpretation on
    FMVSS 108, S5.5.4). One minute: common practice, riders do not drag a brake so long.
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import Verdicts, rule, shared, threshold
from ridecheck.signals import brakes, motion
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.intervals import NOTHING
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    on_s: float = threshold(60.0, "s", "riders do not drag a brake for a minute")
    moving_kmh: float = threshold(30.0, "km/h", "in slow traffic a brake is held for long")
    slowing_ms2: float = threshold(0.2, "m/s2", "slower than this is not braking")
    share: float = threshold(0.6, "", "most of the time; the rest may be real braking")
    gaining_s: float = threshold(
        3.0, "s", "time spent gaining speed with the brake on; a dragged brake gains none"
    )
    plate_open: float = shared(
        Definitions, "throttle_open", reason="of the plate: less open all along, it was shut"
    )
    gaining_ms2: float = threshold(0.3, "m/s2", "more than a slope does to a dragged brake")


@rule(
    needs=(
        "wheel_speed",
        ("front_brake", "rear_brake", "brake_lamp", "front_brake_pressure", "rear_brake_pressure"),
    ),
    severity=Severity.FAULT,
    clear_s=60.0,
    clear_interval_s=2.0,
    falsifies=("front_brake", "rear_brake", "brake_lamp"),
    asks="riding faster than 30 km/h",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each on-run of each braking signal, cut to the time spent above walking pace."""
    a = motion.acceleration(ride)
    fast = ride.where((ride.numbers("wheel_speed") > limits.moving_kmh) & np.isfinite(a))
    yield Exposure(seconds=fast.seconds)
    steady = fast & ride.where(a >= -limits.slowing_ms2)
    gaining = fast & ride.where(a > limits.gaining_ms2)
    reported = NOTHING
    for signal in brakes.signals(ride):  # the lamp line last: it only repeats a switch
        for run in signal.on.at_least(limits.on_s).apart_from(reported):
            moving_s, steady_s = (fast & run).seconds, (steady & run).seconds
            if moving_s < limits.on_s or steady_s < limits.share * moving_s:
                continue
            # Held at one speed to a fraction, or gaining: neither is a dragged brake.
            driven = steady_s > 0.95 * moving_s or (gaining & run).seconds >= limits.gaining_s
            if driven and not _throttle_shut(ride, ride.rows(run), limits):
                reported |= run
                yield _finding(ride, signal, run, moving_s, moving_s - steady_s, limits)


def _throttle_shut(ride: Ride, at: slice, limits: Limits) -> bool:
    """Throttle closed all along: a brake dragged downhill."""
    plate = ride.numbers("throttle")[at]  # its closed reading is not known if it never moved
    return bool(np.isfinite(plate).any() and np.nanquantile(plate, 0.9) < limits.plate_open)


def _finding(
    ride: Ride,
    signal: brakes.BrakeSignal,
    run: Span,
    moving_s: float,
    slowing_s: float,
    limits: Limits,
) -> Finding:
    always = run.length_s > 0.95 * ride.duration_s
    return Finding(
        span=run,
        message=f"{signal.label} on for {run.length_s:.0f} s, {moving_s:.0f} s of them "
        f"above {limits.moving_kmh:.0f} km/h and only {slowing_s:.0f} s slowing"
        + ("; on all the ride: its polarity in the layout may be wrong" if always else ""),
        measured=moving_s,
        limit=limits.on_s,
        unit="s",
        channels=(signal.channel,),
    )
