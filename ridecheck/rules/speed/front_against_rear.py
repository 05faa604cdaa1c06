"""The two wheels turn at speeds that do not go together.

What it checks
    The quotient of front and own wheel speed on straight, steady road: its middle over
    the ride against one, and lasting departures from that middle.
Why it matters
    A tyre of another size or pressure, or a sensor that misses pulses; cruise and the
    anti-lock brakes compare the same two.
What else looks like this
    Lean, braking, a spinning or locked wheel: all left out; small differences by tread
    and slip, which the middle of the ride takes up.
Next step
    Tyre pressures and sizes, front and rear; then rings and gaps of both sensors.
References
    Lean of 30 degrees makes a wheel read 3 to 4 % high, front and rear 1 % apart;
    drive slip 1 to 2 % (arithmetic from usual radii).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import brakes, motion
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    apart: float = threshold(4.0, "%", "slip, wear and pressure together stay within this")
    departs: float = threshold(5.0, "%", "from the ride's own middle: no slip on a steady road")
    departs_s: float = threshold(3.0, "s", "a spinning wheel or a bump is shorter")
    moving_kmh: float = threshold(30.0, "km/h", "slower, pulses are too few")
    least_s: float = threshold(60.0, "s", "a middle settles within a minute")


@rule(
    needs=("wheel_speed", "front_wheel_speed"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=1.0,
    raise_when=RaiseWhen(events=2, rides=2),
    asks="steady riding with both wheels logged",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """The middle of the ride, then departures from it."""
    if ride.settings.speed_signal.taken_from == "front_wheel":
        return  # the same wheel twice says nothing
    speed, front = ride.numbers("wheel_speed"), ride.numbers("front_wheel_speed")
    rows = _steady(ride, limits)
    steady_s = ride.where(rows).seconds
    yield Exposure(seconds=steady_s)
    if steady_s < limits.least_s:
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        percent = 100.0 * (speed / front - 1.0) - ride.settings.speed_signal.reads_high_percent
    middle = float(np.median(percent[rows]))
    step_percent = 100.0 * 0.5 * motion.step_kmh(ride, "wheel_speed") / limits.moving_kmh
    if abs(middle) > limits.apart + step_percent:
        yield Finding(
            span=Span(0.0, ride.duration_s),
            message=f"wheel speed reads {middle:+.1f} % against the front wheel over "
            f"{steady_s:.0f} s of steady riding; {limits.apart:.0f} % is allowed. "
            "It can be a tyre, front or rear, or either sensor's ring or setting",
            measured=middle,
            limit=limits.apart,
            unit="%",
            channels=("wheel_speed", "front_wheel_speed"),
        )
    departs = rows & (np.abs(percent - middle) > limits.departs + step_percent)
    for span in ride.where(departs).at_least(limits.departs_s):
        off = float(np.nanmedian(percent[ride.slice(span)])) - middle
        yield Finding(
            span=span,
            message=f"wheel speed read {off:+.1f} % more against the front wheel than in the "
            f"rest of the ride, for {span.length_s:.1f} s at "
            f"{ride.at('wheel_speed', span.start_s):.0f} km/h",
            measured=off,
            limit=limits.departs,
            unit="%",
            channels=("wheel_speed", "front_wheel_speed"),
        )


def _steady(ride: Ride, limits: Limits) -> np.ndarray:
    """Upright, neither braking nor accelerating, fast enough, no wheel spinning."""
    speed, front = ride.numbers("wheel_speed"), ride.numbers("front_wheel_speed")
    rows = (
        (speed > limits.moving_kmh)
        & (front > limits.moving_kmh)
        & (np.abs(motion.acceleration(ride)) < 0.5)
        & (np.abs(motion.acceleration(ride, "front_wheel_speed")) < 0.5)
        & ~(np.abs(ride.numbers("lean_angle")) > 15.0)
    )
    for name in ("abs_active", "traction_active"):
        rows &= ~motion.widened(ride, ride.numbers(name) == 1, 1.0)
    for signal in brakes.signals(ride):
        for run in signal.on.widened(0.5):
            rows[ride.slice(run)] = False
    return np.asarray(rows)
