"""A brake signal is on while the engine pulls the bike along.

What it checks
    A brake signal on for seconds, in them a stretch in which the throttle is open and
    speed holds or rises; real braking may come before or after it. Longer than a minute
    it is reported as stuck on.
Why it matters
    A switch that lights the lamp unasked: hot pressure switch, film on a contact, no
    free play. Cruise cannot be set, the traffic behind sees a lamp that means nothing.
What else looks like this
    A boot or two fingers resting on a control for a few seconds; a brake dragged in
    slow traffic; a start on a hill.
Next step
    Standing, then with the engine warm: watch the lamp while nobody touches a control;
    free play, then the switch.
References
    Brake lamps must not stay on after the brake is released (NHTSA interpretation on
    FMVSS 108, S5.5.4). Recalls for pressure switches that light the lamp when hot are on
    public record.
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import brakes, motion, throttle
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.intervals import NOTHING
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    on_s: float = threshold(4.0, "s", "a boot or fingers rest on a control for up to 3 s")
    stuck_s: float = threshold(60.0, "s", "longer is reported as stuck on")
    moving_kmh: float = threshold(30.0, "km/h", "in slow traffic a brake is dragged for long")
    steady_ms2: float = threshold(0.25, "m/s2", "slower than this is not braking")
    pulled_s: float = threshold(3.5, "s", "of it in one stretch; hand and foot overlap for less")
    shift_s: float = threshold(1.5, "s", "a gear change shuts the throttle for no longer")
    gains_ms2: float = threshold(0.35, "m/s2", "more than a slope gives a dragged brake")
    gains_s: float = threshold(1.5, "s", "gaining speed so long shows that no brake drags")
    hard_open: float = threshold(10.0, "%", "above closed: nobody pulls so hard against a brake")
    alone_kmh: float = threshold(
        20.0, "km/h", "gained under a brake signal: no boot, hill or dragged brake lets "
        "a bike gain so much, and it raises the bike alone",
    )  # fmt: skip
    throttle_open: float = shared(Definitions, "throttle_open")


@rule(
    needs=(
        "wheel_speed",
        ("throttle", "throttle_grip"),
        ("front_brake", "rear_brake", "brake_lamp", "front_brake_pressure", "rear_brake_pressure"),
    ),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=1.0,
    raise_when=RaiseWhen(events=3),
    asks="riding faster than 35 km/h",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each on-run of each braking signal between seconds and a minute."""
    a = motion.acceleration(ride)
    opening = throttle.opening(ride, "throttle" if ride.has("throttle") else "throttle_grip")
    fast = ride.where(ride.numbers("wheel_speed") > limits.moving_kmh)
    yield Exposure(seconds=fast.seconds)
    pulling = fast & ride.where((a >= -limits.steady_ms2) & (opening > limits.throttle_open))
    gaining = pulling & ride.where(a > limits.gains_ms2)
    said = NOTHING
    for signal in brakes.signals(ride):  # the lamp line last: it only repeats a switch
        on = signal.on.at_least(limits.on_s) - signal.on.at_least(limits.stuck_s)
        for run in on.apart_from(said):
            for pull in (pulling & run).joined(limits.shift_s):
                pulled_s, gained_s = (pulling & pull).seconds, (gaining & pull).seconds
                hard = motion.median(opening[ride.rows(pull)]) > limits.hard_open
                if pulled_s >= limits.pulled_s and (hard or gained_s >= limits.gains_s):
                    said |= run
                    yield _finding(ride, signal, run, pull, pulled_s, limits)
                    break


def _finding(
    ride: Ride, signal: brakes.BrakeSignal, run: Span, pull: Span, pulled_s: float, limits: Limits
) -> Finding:
    speed = ride.numbers("wheel_speed")[ride.rows(pull)]
    gained_kmh = float(np.nan_to_num(speed[-1] - speed[0]))
    return Finding(
        span=run,
        message=f"{signal.label} on for {run.length_s:.1f} s, {pulled_s:.1f} s of them "
        f"from {speed[0]:.0f} to {speed[-1]:.0f} km/h with the throttle open and no slowing",
        measured=pulled_s,
        limit=limits.pulled_s,
        unit="s",
        channels=(signal.channel,),
        strength=float(np.clip(gained_kmh / limits.alone_kmh, 0.0, 1.0)),
    )
