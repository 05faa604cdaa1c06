"""Wheel speed stands still to the last digit while something else moves on.

What it checks
    Wheel speed unchanged for seconds above 20 km/h while engine speed in gear, the
    other wheel or GPS changes by more than steps and noise explain. A finely stepped
    signal that otherwise never stands is found by its standing alone, while another
    moves at all.
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
    1979, art. 2). To stay within 0.1 km/h for three seconds a bike may gain or lose no
    more than 0.009 m/s2, as much as a change of slope by 0.1 % makes (arithmetic).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.motion import Flags
from ridecheck.signals.ride import Ride

WITNESSES = ("engine_speed", "front_wheel_speed", "gps_speed")
FOLLOWS_S = {"engine_speed": 0.5, "front_wheel_speed": 0.0, "gps_speed": 2.0}
"""How late a witness may show what the bike did before: a needle half a second; speed over
ground up to a second, held for up to a second more (common practice)."""

AROUND_S = 20.0
"""Over so long on either side it is counted how often the signal stands from row to row ..."""

STEADY_MS2 = 0.3
"""... and over all rows of the ride with no more acceleration than this."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    frozen_s: float = threshold(4.0, "s", "a live speed changes by a step within seconds")
    moving_kmh: float = threshold(20.0, "km/h", "slower, sensors read nothing")
    changes: float = threshold(
        0.04, "", "of the witness, end to end, its step and speed's beside: slip and lean make 2 %"
    )
    still_s: float = threshold(
        3.0, "s", "no road is so level that a fine signal stands: it takes less than 0.01 m/s2"
    )
    still_rows: float = threshold(
        20.0, "rows", "fewer may lie on a level piece between two that were not"
    )
    fine_kmh: float = threshold(
        0.25, "km/h", "coarser steps a cruise control holds for a long time"
    )
    chance: float = threshold(
        0.001, "", "of one so long in the ride, did each row stand as often as those around"
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
    standing = motion.spans_where(ride, same, at_least_s=max(limits.still_s, 4 * refresh_s))
    odd = _not_by_chance(ride, same, standing, limits)
    for span in standing:
        long_enough = span.length_s >= max(limits.frozen_s, 4 * refresh_s)
        witness = _contradicts(ride, span, limits) if long_enough else ""
        if not witness and span in odd:
            witness = _moves(ride, span)
        if witness:
            yield Finding(
                span=span,
                message=f"wheel speed stood at {ride.at('wheel_speed', span.start_s):.1f} km/h for "
                f"{span.length_s:.1f} s while {witness}",
                measured=span.length_s,
                limit=limits.frozen_s if long_enough else limits.still_s,
                unit="s",
                channels=("wheel_speed",),
            )


def _not_by_chance(
    ride: Ride, same: Flags, standing: tuple[Span, ...], limits: Limits
) -> tuple[Span, ...]:
    """Stretches of a fine signal that is not still so long by chance, as it lives around them."""
    if motion.step_kmh(ride, "wheel_speed") > limits.fine_kmh:
        return ()
    known = np.isfinite(ride.numbers("wheel_speed"))
    live = known.copy()
    for span in standing:
        live[ride.slice(span)] = False
    with np.errstate(invalid="ignore"):
        steady = live & (np.abs(motion.acceleration(ride)) < STEADY_MS2)
    usual = (same[steady].sum() + 1.0) / (steady.sum() + 1.0)
    found = []
    for span in standing:
        around = ride.slice(Span(span.start_s - AROUND_S, span.end_s + AROUND_S))
        near = live[around]
        share = max(usual, (same[around][near].sum() + 1.0) / (near.sum() + 1.0))
        rows = int(known[ride.slice(span)].sum())
        if rows >= limits.still_rows and known.sum() * share**rows < limits.chance:
            found.append(span)
    return tuple(found)


def _moves(ride: Ride, span: Span) -> str:
    """Which other signal was alive meanwhile, as words; "" where none was."""
    for name in WITNESSES:
        values = ride.numbers(name)[ride.slice(span)]
        values = values[np.isfinite(values)]
        if ride.has(name) and len(values) > 3 and np.ptp(values) > 0:
            return (
                f"{name.replace('_', ' ')} moved on, and around that time speed itself changed "
                "from row to row"
            )
    return ""


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
