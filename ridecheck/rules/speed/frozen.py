"""Wheel speed stands still to the last digit while something else moves on.

What it checks
    Wheel speed unchanged for seconds above 20 km/h while engine speed in gear, the
    other wheel or GPS changes by more than steps and noise explain; or unchanged for seconds
    and then at once at another speed, further off than a bike gains or loses in that time,
    and staying there. Where cruise held on over such a leap, whether its throttle answered.
Why it matters
    A held value hides everything: cruise, slowing and dropouts cannot be judged by it.
What else looks like this
    Cruise holding a whole km/h on a level road, in which engine speed stands still as
    well; the clutch pulled; a slow instrument; GPS or a needle that follows late, which
    is why the start of the stretch is left out; a dropout or a spike after steady riding,
    which comes back; rows that a logger wrote twice, in which all else stands as well.
Next step
    Where cruise's throttle answered the leap, or cruise ended at it, the bike's own signal
    stood: speed sensor, connector and cable. Where it took no notice, the logger and its bus.
References
    Engine and wheel turn together in gear: V = 0.06 D n R (French order of 27 March
    1979, art. 2).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import motion
from ridecheck.signals.definitions import Definitions
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
    stood_s: float = threshold(
        3.0, "s", "before a leap: shorter, whole km/h stand before any hard braking"
    )
    rise_ms2: float = shared(Definitions, "gains_ms2")
    fall_ms2: float = shared(Definitions, "hardest_ms2")
    held_ms2: float = threshold(
        3.0, "m/s2", "either way while cruise holds on: nobody brakes, and it pulls gently"
    )
    leap_steps: float = threshold(3.0, "steps", "of the signal, beside what the bike can do")
    stays_s: float = threshold(3.0, "s", "a dropout or spike is back sooner")
    answered_kmh: float = threshold(1.5, "km/h", "a smaller leap need not be answered")
    answer: float = threshold(
        0.8, "% a km/h", "against the leap: a cruise control's gain is about one (common practice)"
    )
    no_notice: float = threshold(
        1.0, "% throttle", "either way, and at rest before: two steps of the channel"
    )
    ends_kmh: float = threshold(8.0, "km/h", "a leap that a unit disengages at")


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
    moving = speed > limits.moving_kmh
    same = np.concatenate((speed[1:] == speed[:-1], [False])) & moving
    yield Exposure(seconds=ride.where(moving).seconds)
    refresh_s = ride.interval_s("wheel_speed")
    for span in ride.where(same).at_least(max(limits.stood_s, 4 * refresh_s)):
        witness = _contradicts(ride, span, limits) if span.length_s >= limits.frozen_s else ""
        leap_kmh = _leap_kmh(ride, span, limits)
        if not witness and leap_kmh:
            witness = f"the bike rode on: then it leapt by {leap_kmh:+.1f} km/h"
        if witness:
            answer, shown_by = _cruise_answers(ride, span, leap_kmh, limits)
            yield Finding(
                span=span,
                message=f"wheel speed stood at {ride.at('wheel_speed', span.start_s):.1f} km/h for "
                f"{span.length_s:.1f} s while {witness}{answer}",
                measured=span.length_s,
                limit=limits.stood_s if leap_kmh else limits.frozen_s,
                unit="s",
                channels=("wheel_speed", *shown_by),
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


def _leap_kmh(ride: Ride, span: Span, limits: Limits) -> float:
    """Leap of speed at the end of a stretch, km/h; 0 where the bike can do that or it comes back.

    The stretch ends at the last row with the old value.
    """
    speed, i = ride.numbers("wheel_speed"), ride.index(span.end_s) + 1
    if i >= len(speed) or ride.segment[i] != ride.segment[i - 1] or not _else_moves(ride, span):
        return 0.0
    stays = Span(float(ride.t_s[i]), float(ride.t_s[i]) + limits.stays_s)
    after = speed[ride.slice(stays)]
    leap_kmh = float(speed[i] - speed[i - 1])
    if ride.t_s[-1] < stays.end_s or not np.isfinite(after).all():
        return 0.0
    took_s = float(ride.t_s[i] - ride.t_s[i - 1]) + ride.interval_s("wheel_speed")
    around = ride.slice(Span(span.end_s - HELD_S, span.end_s + HELD_S))
    rate_ms2 = limits.rise_ms2 if leap_kmh > 0 else limits.fall_ms2
    if (ride.numbers("cruise_engaged")[around] == 1).all():
        rate_ms2 = limits.held_ms2
    step_kmh = max(motion.step_kmh(ride, "wheel_speed"), 0.1)
    can_kmh = rate_ms2 * motion.KMH_PER_MS * took_s + limits.leap_steps * step_kmh
    comes_back = np.abs(after - speed[i - 1]).min() < abs(leap_kmh) / 2
    if abs(leap_kmh) <= can_kmh or comes_back or after.min() < limits.moving_kmh:
        return 0.0
    return leap_kmh


def _else_moves(ride: Ride, span: Span) -> bool:
    """Does any other quick number change meanwhile? Where none does, rows are repeated."""
    rows = ride.slice(Span(span.start_s, span.end_s - 1e-6))
    seen = [ride.numbers(name)[rows] for name in ("engine_speed", "throttle", "gps_speed")]
    return any(len(np.unique(values[np.isfinite(values)])) > 2 for values in seen)


HELD_S = 1.0
"""Before the leap cruise must have held on for so long, its throttle nearly at rest."""

ANSWERS_S = 1.5
"""Within this a cruise control's throttle has answered a leap; its lag is under a second."""

ENDS_S = 0.3
"""A unit that sees a leap it cannot believe disengages within this, and two rows."""

OWN = "; cruise {}: the bike's own signal stood"
LOG = "; cruise took no notice of it: only the log stood"


def _cruise_answers(
    ride: Ride, span: Span, leap_kmh: float, limits: Limits
) -> tuple[str, tuple[str, ...]]:
    """What cruise did at the leap, in words, and the channel that shows it; nothing if unknown.

    The throttle answers against the leap: a bike that is suddenly too fast gets less of it.
    """
    engaged, throttle = ride.numbers("cruise_engaged"), ride.numbers("throttle")
    before = ride.slice(Span(span.end_s - HELD_S, span.end_s - 1e-6))
    after = ride.slice(Span(span.end_s + 1e-6, span.end_s + ANSWERS_S))
    if abs(leap_kmh) < limits.answered_kmh or not (engaged[before] == 1).all():
        return "", ()
    late_s = ENDS_S + 2.0 * ride.row_interval_s
    if abs(leap_kmh) >= limits.ends_kmh and ride.at("cruise_engaged", span.end_s + late_s) == 0:
        return OWN.format("ended at once"), ("throttle",)
    then, now = throttle[before], throttle[after]
    known = len(then) > 3 and np.isfinite(then).all() and np.isfinite(now).all()
    if not known or not (engaged[after] == 1).all() or np.ptp(then) > limits.no_notice:
        return "", ()
    room = float(np.median(then)) - motion.closed_reading(ride, "throttle")
    moved = -np.sign(leap_kmh) * (now - float(np.median(then)))
    wanted = limits.answer * abs(leap_kmh)
    if moved.max() >= min(wanted, 4.0) and moved.max() > limits.no_notice:
        return OWN.format("moved the throttle at once"), ("throttle",)
    if np.abs(moved).max() <= limits.no_notice and (leap_kmh < 0 or room > 2.0):
        return LOG, ("cruise_engaged",)
    return "", ()


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
