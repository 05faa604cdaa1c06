"""Wheel speed and engine speed differ by the same amount in all gears.

What it checks
    Over steady riding, wheel speed against engine speed through the model's ratios, gear
    by gear. A difference beyond the tolerance that agrees in all gears used is found. So
    is speed at a multiple of what it should be, in each of the logged gears alike.
Why it matters
    It separates a changed sprocket, tyre or speed sensor from a fault, and every other
    judgement of the drive rests on it.
What else looks like this
    An instrument that reads high; a worn tyre; ratios entered wrongly in the model
    file. What the difference can be depends on where speed is taken from.
Next step
    Count sprocket teeth and read the tyre size; compare speed with GPS on a level road.
References
    V = 0.06 D n R (French order of 27 March 1979, art. 2). One tooth: 42 to 43 is 2.4 %,
    17 to 16 is 6.3 % (arithmetic). Wear of a tyre: up to 1.9 % (arithmetic).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.durations import spoken
from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import drivetrain
from ridecheck.signals.ride import Ride

READINGS = {
    "driven_wheel": "a changed sprocket or final drive, or the model's ratios; "
    "a tyre on this bike's sensor cannot show here",
    "gearbox_output": "the sensor's pulse setting or the model's ratios; neither a tyre nor a "
    "sprocket can show here on this bike's sensor",
    "front_wheel": "a tyre (front or rear), a changed sprocket, the speedometer, or the model's "
    "ratios",
    "unknown": "a sprocket or the model's ratios, or, if speed is taken from the front wheel, a "
    "tyre as well (where it is taken from is not stated)",
}


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    error: float = threshold(
        3.0, "%", "steps of both signals, needle lag and slip together stay within this, steady"
    )
    spread: float = threshold(1.5, "%", "gears that differ more than this do not share one cause")
    alone: float = threshold(
        10.0, "%", "no wear, tyre or pressure reads so far off: it raises the bike alone"
    )
    per_gear_s: float = threshold(
        60.0, "s", "a gear's median settles to a few tenths of a per cent in a minute"
    )


@rule(
    needs=("wheel_speed", "engine_speed"),
    severity=Severity.FAULT,
    clear_s=60.0,
    clear_interval_s=1.5,
    raise_when=RaiseWhen(events=2, rides=2),
    asks="steady riding in gear, a minute a gear",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding a ride at most: the bias all gears share."""
    factor = drivetrain.miscount(ride)
    if factor is not None:
        yield from _miscounted(ride, factor)
        return
    if not drivetrain.has_ladder(ride):
        return
    biases = {
        g: b for g, b in drivetrain.gear_biases(ride).items() if b.seconds >= limits.per_gear_s
    }
    yield Exposure(seconds=sum(b.seconds for b in biases.values()))
    if not biases:
        return
    percent = {g: 100.0 * b.bias - _stated(ride) for g, b in biases.items()}
    middle = float(np.median(list(percent.values())))
    same = [g for g, p in percent.items() if abs(p - middle) <= limits.spread]
    allowed = limits.error + _steps_percent(ride)
    if abs(middle) <= allowed or len(same) < len(percent):
        return
    gears = ", ".join(str(g) for g in sorted(same))
    yield Finding(
        span=Span(0.0, ride.duration_s),
        message=f"wheel speed reads {abs(middle):.1f} % {'above' if middle > 0 else 'below'} what "
        f"engine speed makes it, alike in gear {gears}; {allowed:.1f} % is allowed. "
        f"{_likely(ride, 1.0 + middle / 100.0)}",
        measured=middle,
        limit=allowed,
        unit="%",
        channels=("wheel_speed", "engine_speed"),
        strength=float(abs(middle) > limits.alone),
    )


def _likely(ride: Ride, factor: float) -> str:
    """What makes speed read this many times what it should."""
    unit = drivetrain.misreading(factor)
    if unit:
        return f"That is what speed {unit} reads: look at the unit in the layout first"
    return f"It can be {READINGS[ride.settings.speed_signal.taken_from]}"


def _miscounted(ride: Ride, factor: float) -> Verdicts:
    """Speed at a multiple of what engine speed makes it."""
    biases = drivetrain.gear_biases(ride)
    seconds = sum(b.seconds for b in biases.values())
    yield Exposure(seconds=seconds)
    gears = ", ".join(
        str(g) for g in sorted(biases) if biases[g].seconds >= drivetrain.limits(ride).alike_s
    )
    yield Finding(
        span=Span(0.0, ride.duration_s),
        message=f"wheel speed reads {factor:.2f} times what engine speed makes it, alike in gear "
        f"{gears} over {spoken(seconds)} of steady riding: its sensor counts pulses too many or "
        "too few, or its pulse setting is wrong",
        measured=100.0 * (factor - 1.0),
        limit=100.0 * drivetrain.limits(ride).miscounted,
        unit="%",
        channels=("wheel_speed", "gear"),
        strength=1.0,
    )


def _stated(ride: Ride) -> float:
    """What the model says its speed signal reads high by, in per cent."""
    return ride.settings.speed_signal.reads_high_percent


def _steps_percent(ride: Ride) -> float:
    """A truncating display reads half a step low on the middle; at 60 km/h and 3000 rpm."""
    engine_rpm = ride.channels["engine_speed"].step
    speed_kmh = max(ride.channels["wheel_speed"].step, ride.settings.speed_signal.resolution_kmh)
    return 100.0 * (0.5 * speed_kmh / 60.0 + 0.5 * engine_rpm / 3000.0)
