"""Wheel speed stands still to the last digit while something else moves on.

What it checks
    Wheel speed unchanged for seconds above 20 km/h while engine speed in gear, the
    other wheel or GPS changes by more than steps and noise explain.
Why it matters
    A held value hides everything: cruise, slowing and dropouts cannot be judged by it.
What else looks like this
    Cruise holding a whole km/h on a level road, in which engine speed stands still as
    well; the clutch pulled; a slow instrument; GPS or a needle that follows late, which
    is why the start of the stretch is left out.
Next step
    Look at the logger and its bus first, then at the speed sensor.
References
    Engine and wheel turn together in gear: V = 0.06 D n R (French order of 27 March
    1979, art. 2).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Ride

WITNESSES = ("engine_speed", "front_wheel_speed", "gps_speed")
FOLLOWS_S = {"engine_speed": 0.5, "front_wheel_speed": 0.0, "gps_speed": 2.0}
"""How late a witness may show what the bike did before: a needle half a second; speed over
ground up to a second, held for up to a second more (common practice)."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    frozen_s: float = threshold(4.0, "s", "a live speed changes by a step within seconds")
    moving_kmh: float = threshold(20.0, "km/h", "slower, sensors read nothing")
    changes: float = threshold(
        0.04, "", "of the witness, end to end, its step and speed's beside: slip and lean make 2 %"
    )
    agree: float = threshold(
        0.6, "", "of the change must go one way: noise and gear changes go both"
    )


@rule(
    needs=("wheel_speed", WITNESSES),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=1.5,
    convict_interval_s=1.5,
    raise_when=RaiseWhen(events=2),
    falsifies=("wheel_speed",),
    asks="riding faster than 20 km/h",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each stretch of one speed that a witness contradicts."""
    speed = ride.numbers("wheel_speed")
    with np.errstate(invalid="ignore"):
        moving = speed > limits.moving_kmh
        same = np.concatenate((speed[1:] == speed[:-1], [False])) & moving
    yield Exposure(seconds=float(motion.row_seconds(ride)[moving].sum()))
    refresh_s = ride.interval_s("wheel_speed")
    for span in motion.spans_where(ride, same, at_least_s=max(limits.frozen_s, 4 * refresh_s)):
        witness = _contradicts(ride, span, limits)
        if witness:
            yield Finding(
                span=span,
                message=f"wheel speed stood at {ride.at('wheel_speed', span.start_s):.1f} km/h for "
                f"{span.length_s:.1f} s while {witness}",
                measured=span.length_s,
                limit=limits.frozen_s,
                unit="s",
                channels=("wheel_speed",),
            )


def _contradicts(ride: Ride, span: Span, limits: Limits) -> str:
    """What changed meanwhile, as words; "" where nothing did."""
    for name in WITNESSES:
        at = ride.slice(Span(min(span.start_s + FOLLOWS_S[name], span.end_s), span.end_s))
        values = ride.numbers(name)[at]
        if not ride.has(name) or not np.isfinite(values).all() or len(values) < 4:
            continue
        if name == "engine_speed" and not _tied(ride, ride.slice(span)):
            continue
        if values.min() <= 0 or ride.interval_s(name) > span.length_s / 3:
            continue
        quarter = max(1, len(values) // 4)
        first, last = float(np.median(values[:quarter])), float(np.median(values[-quarter:]))
        one_way = abs(last - first) >= limits.agree * float(np.ptp(values))
        speed = ride.at("wheel_speed", span.start_s)
        steps = motion.step_kmh(ride, "wheel_speed") / speed + ride.channels[name].step / first
        if one_way and abs(last / first - 1.0) > limits.changes + steps:
            unit = "rpm" if name == "engine_speed" else "km/h"
            return f"{name.replace('_', ' ')} went from {first:.0f} to {last:.0f} {unit}"
    return ""


def _tied(ride: Ride, at: slice) -> bool:
    """Clutch out, one gear, engine above idle all along, as far as logged."""
    clutch, gear = ride.numbers("clutch")[at], ride.numbers("gear")[at]
    rpm = ride.numbers("engine_speed")[at]
    known = gear[np.isfinite(gear)]
    one_gear = not len(known) or ((known == known[0]).all() and known[0] > 0)
    return bool(
        ride.has("gear")
        and one_gear
        and not (clutch == 1).any()
        and np.nanmin(rpm) > 1.3 * ride.settings.drivetrain.idle_rpm
    )
