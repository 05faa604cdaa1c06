"""Wheel speed drops out while the bike rides on.

What it checks
    Wheel speed, or the front wheel's own, collapses or stands at zero while engine speed
    in gear, the other wheel or GPS goes on as before. One dropout is from the last good
    value to the next.
Why it matters
    Even a fraction of a second ends cruise, and speedometer and ABS may depend on it.
What else looks like this
    A wheel locked by the brake, alone or with the engine, which is over within a second;
    inductive sensors that read nothing at walking pace; a clutch pulled and the engine
    kept turning.
Next step
    Connector, cable, air gap and toothed ring of the speed sensor; wiggle the cable while
    turning the wheel by hand.
References
    Tyres slow a motorcycle by at most about 11 m/s2, so a steeper fall is the signal
    (common practice).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import brakes, motion
from ridecheck.signals.ride import Ride

WHEELS = ("wheel_speed", "front_wheel_speed")
OTHERS = ("engine_speed", "front_wheel_speed", "gps_speed")
LOCKED_S = 1.0
"""No rider keeps a wheel locked for longer at speed, and anti-lock brakes release far sooner."""

PRESSURE_S = 0.1
"""From the first touch of a lever to the pressure that locks a wheel it takes longer."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    falls_below: float = threshold(
        0.7, "", "of its value before: no brake does this within two rows"
    )
    moving_kmh: float = threshold(20.0, "km/h", "slower, sensors read nothing and clutches slip")
    witness_s: float = threshold(
        2.0, "s", "of a long dropout its first seconds must show that the bike rode on"
    )
    standing_s: float = threshold(
        2.0, "s", "zero from the start with the engine pulling in gear: longer than any needle lag"
    )
    others_keep: float = threshold(
        0.85, "", "of its value: what shows that the bike rides on has not fallen more"
    )


@rule(
    needs=(WHEELS, OTHERS),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=0.15,
    raise_when=RaiseWhen(events=2),
    falsifies=WHEELS,
    asks="riding faster than 20 km/h",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each sudden fall of a wheel's speed that nothing else follows."""
    speed = ride.numbers("wheel_speed" if ride.has("wheel_speed") else "front_wheel_speed")
    yield Exposure(seconds=ride.where(speed > limits.moving_kmh).seconds)
    if ride.has("wheel_speed"):
        yield from _never_there(ride, speed, limits)
    for name in filter(ride.has, WHEELS):
        yield from _lost(ride, name, limits)


def _lost(ride: Ride, name: str, limits: Limits) -> Iterator[Finding]:
    """The dropouts of one wheel's speed that something else contradicts."""
    speed = ride.numbers(name)
    for start, end, judged_to in _dropouts(ride, name, limits):
        witness = _witness(ride, name, (start, judged_to), limits)
        if not witness:
            continue
        span = Span(float(ride.t_s[start]), float(ride.t_s[end]))
        before = float(speed[start - 1])
        lowest = float(np.nanmin(speed[start : end + 1]))
        yield Finding(
            span=span,
            message=f"{name.replace('_', ' ')} fell from {before:.0f} to {lowest:.0f} km/h for "
            f"{span.length_s:.2f} s while {witness}",
            measured=lowest,
            limit=limits.falls_below * before,
            unit="km/h",
            channels=(name,),
        )


def _dropouts(ride: Ride, name: str, limits: Limits) -> Iterator[tuple[int, int, int]]:
    """First and last row of each stretch below the value from which speed fell at once,
    and the row up to which something else must show that the bike rode on.

    "At once" is faster than tyres allow (``motion.changes``).
    """
    changes = motion.changes(ride, name)
    known, v, t_s = changes.rows, changes.kmh, changes.t_s
    segment = ride.segment[known]
    much = v[1:] < limits.falls_below * v[:-1]
    falls = changes.down & much & (v[:-1] > limits.moving_kmh)
    done_before = 0
    for i in np.flatnonzero(falls):
        if i < done_before:
            continue
        low = int(i) + 1
        same = segment[low:] == segment[low]
        back = np.flatnonzero((v[low:] >= limits.falls_below * v[i]) | ~same)
        end = int(low + (back[0] - 1 if len(back) else len(v) - low - 1))
        done_before = end + 1
        last_s = t_s[low] + limits.witness_s
        yield (
            int(known[low]),
            int(known[end]),
            int(known[np.searchsorted(t_s, min(last_s, t_s[end]))]),
        )


def _never_there(ride: Ride, speed: np.ndarray, limits: Limits) -> Iterator[Finding]:
    """Speed at zero while engine speed and gear say it cannot be (not for a front sensor)."""
    source = ride.settings.speed_signal.taken_from
    if source == "front_wheel" or not ride.has("engine_speed", "gear", "clutch"):
        return
    gear, rpm = ride.numbers("gear"), ride.numbers("engine_speed")
    ratios = ride.settings.drivetrain
    per_kmh = np.array(
        [np.nan, *(ratios.rpm_per_kmh(g + 1) for g in range(len(ratios.overall_ratios)))]
    )
    at = np.where((gear >= 1) & (gear < len(per_kmh)), gear, 0).astype(int)
    predicted_kmh = rpm / per_kmh[at]
    stands = (speed < 1.0) & (predicted_kmh > limits.moving_kmh)
    stands &= ~motion.widened(ride, ride.numbers("clutch") == 1, 1.0)
    for span in ride.where(stands).at_least(limits.standing_s):
        i = ride.index(span.start_s)
        if i and ride.segment[i - 1] == ride.segment[i] and speed[i - 1] > limits.moving_kmh:
            continue  # that is a fall, reported as one
        yield Finding(
            span=span,
            message=f"wheel speed stood at zero for {span.length_s:.1f} s while engine speed in "
            f"gear {gear[i]:.0f} meant {predicted_kmh[i]:.0f} km/h",
            measured=0.0,
            limit=float(predicted_kmh[i]),
            unit="km/h",
            channels=("wheel_speed",),
        )


def _witness(ride: Ride, name: str, rows: tuple[int, int], limits: Limits) -> str:
    """What shows that the bike rode on, as words; "" where nothing does."""
    start, end = rows
    length_s = float(ride.t_s[end] - ride.t_s[start])
    braked = _braked(ride, start, end)
    if length_s <= LOCKED_S and braked:
        return ""
    # A needle's lag hides what a wheel locked for a moment does to the engine.
    decides = length_s > LOCKED_S or braked is False
    if ride.has("engine_speed") and decides and _clutch_out(ride, start, end):
        rpm = ride.numbers("engine_speed")
        idle_rpm = ride.settings.drivetrain.idle_rpm
        before, during = rpm[max(start - 1, 0)], rpm[start : end + 1]
        if (
            before > 1.3 * idle_rpm
            and np.nanmin(during, initial=np.inf) >= limits.others_keep * before
        ):
            lowest = float(np.nanmin(during))
            return f"engine speed stayed at {lowest:.0f} rpm or more, {before:.0f} rpm before"
    for other_name in (n for n in (*WHEELS, "gps_speed") if n != name and ride.has(n)):
        other = ride.numbers(other_name)
        before, during = other[max(start - 1, 0)], other[start : end + 1]
        long_enough = length_s + ride.row_interval_s >= ride.interval_s(other_name)
        keeps = before > limits.moving_kmh and np.isfinite(during).any()
        if keeps and long_enough and np.nanmin(during) >= limits.others_keep * before:
            lowest = float(np.nanmin(during))
            return f"{other_name.replace('_', ' ')} stayed at {lowest:.0f} km/h or more"
    return ""


def _braked(ride: Ride, start: int, end: int) -> bool | None:
    """Could the wheel have locked: a brake on before it fell; None where that is not known.

    A brake that comes on in the very row of the fall has no pressure yet.
    """
    slowest_s = max((s.interval_s + s.skew_s for s in brakes.signals(ride)), default=0.0)
    last = start - 1 if slowest_s <= PRESSURE_S else end
    return brakes.any_on(ride, Span(float(ride.t_s[start]) - 0.5, float(ride.t_s[max(last, 0)])))


def _clutch_out(ride: Ride, start: int, end: int) -> bool:
    """Engine and wheel turn together: clutch out, not in neutral (as far as logged)."""
    rows = slice(max(start - 1, 0), end + 2)
    clutch, gear = ride.numbers("clutch")[rows], ride.numbers("gear")[rows]
    return not (clutch == 1).any() and not (gear == 0).any()
