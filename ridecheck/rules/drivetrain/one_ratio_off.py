"""Wheel speed and engine speed disagree in one gear and agree in the others.

What it checks
    The difference of measured and modelled speed gear by gear, over steady riding: one
    gear's against the middle of the others.
Why it matters
    The ratio entered for that gear is wrong, or the gear signal reports another number
    there; every judgement in that gear is off until it is put right.
What else looks like this
    A clutch that slips in top gear under load (not constant); too little riding in a
    gear (not judged). A tyre or a sprocket cannot do it: they move all gears alike.
Next step
    Compare the model file's ratio of that gear with the service manual's.
References
    V = 0.06 D n R (French order of 27 March 1979, art. 2), gear by gear.
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import drivetrain
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    off: float = threshold(
        2.0, "%", "medians over half a minute agree within half a per cent, steps included"
    )
    per_gear_s: float = threshold(30.0, "s", "a gear's median settles in half a minute")


@rule(
    needs=("wheel_speed", "engine_speed"),
    severity=Severity.WATCH,
    clear_s=90.0,
    clear_interval_s=1.5,
    raise_when=RaiseWhen(events=2, rides=2),
    asks="steady riding in three gears",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each gear against the others, where three are known."""
    if not (ride.has("gear") or drivetrain.has_ladder(ride)):
        return
    found = drivetrain.gear_biases(ride)
    known = {g: 100.0 * b.bias for g, b in found.items() if b.seconds >= limits.per_gear_s}
    if len(known) < 3:
        return
    yield Exposure(seconds=sum(found[g].seconds for g in known))
    for gear, percent in known.items():
        others = [p for g, p in known.items() if g != gear]
        middle = float(np.median(others))
        agree = max(abs(p - middle) for p in others) <= limits.off / 2
        if agree and abs(percent - middle) > limits.off + _step_percent(ride):
            yield Finding(
                span=Span(0.0, ride.duration_s),
                message=f"in gear {gear} wheel speed reads {percent - middle:+.1f} % against "
                f"engine speed, other gears {middle:+.1f} %: that gear's ratio in the model "
                "file, or the gear signal there; not a tyre",
                measured=percent - middle,
                limit=limits.off,
                unit="%",
                channels=("gear",),
            )


def _step_percent(ride: Ride) -> float:
    """Half a step of engine speed at 2500 rpm: all of a constant ride may sit on one side."""
    return 100.0 * 0.5 * ride.channels["engine_speed"].step / 2500.0
