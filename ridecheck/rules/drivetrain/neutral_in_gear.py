"""Neutral is shown while engine and wheel turn together in a gear.

What it checks
    The neutral switch, or a logged gear of neutral, at speed with the ratio standing on
    a rung of the ladder.
Why it matters
    Cruise disengages in neutral, and the starter's interlock rests on the same switch.
What else looks like this
    A real false neutral, in which engine speed runs free of wheel speed; a needle
    passing a rung by chance for a moment.
Next step
    Connector and adjustment of the neutral switch or gear sensor.
References
    In neutral nothing ties engine and wheel (the making of a gearbox).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import drivetrain, motion
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    moving_kmh: float = threshold(20.0, "km/h", "slower, neutral on the move is usual")
    keeps: float = shared(
        Definitions, "locked", reason="of engine speed: in a real neutral it runs off"
    )
    around_s: float = threshold(0.5, "s", "before and after, to see whether the ratio stays")


@rule(
    needs=("wheel_speed", "engine_speed", ("neutral_switch", "gear")),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=0.2,
    convict_interval_s=0.2,
    raise_when=RaiseWhen(events=2),
    falsifies=("neutral_switch", "gear"),
    asks="riding in gear",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each stretch of neutral at speed on which the ratio never moved."""
    speed = ride.numbers("wheel_speed")
    moving = speed > limits.moving_kmh
    yield Exposure(seconds=ride.where(moving & (drivetrain.rungs(ride) > 0)).seconds)
    log_ratio = np.log(drivetrain.ratio(ride))
    for name, value in (("neutral_switch", 1), ("gear", 0)):
        if not ride.has(name):
            continue
        for run in ride.runs(name).of(value):
            if not run.sharp_start:
                continue
            at = ride.slice(_around(run.start_s, run.end_s, limits.around_s))
            here = log_ratio[at]
            if not moving[at].all() or not np.isfinite(here).all():
                continue
            clutched = ride.runs("clutch").any_on(_around(run.start_s, run.end_s, 1.0))
            if np.ptp(here) > _allowed(ride, at, limits) or (ride.has("clutch") and clutched):
                continue
            word = "neutral switch on" if name == "neutral_switch" else "gear shown as neutral"
            yield Finding(
                span=run.span,
                message=f"{word} for {run.length_s:.2f} s at "
                f"{ride.at('wheel_speed', run.start_s):.0f} km/h while engine speed stayed tied to "
                f"wheel speed within {100 * np.ptp(here):.1f} %",
                measured=run.length_s,
                unit="s",
                channels=(name,),
            )


def _around(start_s: float, end_s: float, by_s: float) -> Span:
    return Span(start_s - by_s, end_s + by_s)


def _allowed(ride: Ride, at: slice, limits: Limits) -> float:
    """Scatter of a locked ratio: the limit, and what the steps of both signals feign."""
    rpm, v = ride.numbers("engine_speed")[at], ride.numbers("wheel_speed")[at]
    steps = ride.channels["engine_speed"].step / rpm + motion.step_kmh(ride, "wheel_speed") / v
    return limits.keeps + float(np.nanmax(steps))
