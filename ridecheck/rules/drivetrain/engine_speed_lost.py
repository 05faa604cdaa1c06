"""Engine speed drops out or freezes while the bike rides on in gear.

What it checks
    Engine speed at zero (or blank of pulses) above 20 km/h with the clutch out and no
    neutral, coming back at what it was: for more than a second, or three times a ride for
    less; and engine speed that does not change by a digit while wheel speed in the same
    gear changes by more than a tenth.
Why it matters
    Cruise uses engine speed to guard against flare; every judgement of the drive rests
    on it.
What else looks like this
    An engine that really stopped (run switch, fuel) with the clutch in; idling with the
    clutch in while coasting; a logger that repeats its last value.
Next step
    Wire and connector of the engine speed signal; look whether the tachometer drops too.
References
    An engine in gear turns with the wheel: V = 0.06 D n R (French order of 27 March
    1979, art. 2).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Ride

REFRESHED = 3
"""Times that wheel speed must have changed meanwhile: a stalled logger stalls both."""

FINE_STEP_RPM = 10.0
"""Steps finer than this do not repeat by chance."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    longer_than_s: float = threshold(1.0, "s", "shorter dips are single pulses missed")
    short_s: float = threshold(0.15, "s", "a missed pulse or row is over sooner")
    short_times: float = threshold(3.0, "dips", "one or two short ones a ride may be single rows")
    frozen_s: float = threshold(
        5.0, "s", "a live engine speed changes within seconds while speed changes"
    )
    moving_kmh: float = threshold(20.0, "km/h", "slower, the clutch may be slipping")
    changes: float = threshold(0.1, "", "of wheel speed: twice what steps and needle lag explain")


@rule(
    needs=("wheel_speed", "engine_speed"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=1.5,
    raise_when=RaiseWhen(events=2),
    falsifies=("engine_speed",),
    asks="riding faster than 20 km/h",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches at zero, then stretches frozen."""
    speed, rpm = ride.numbers("wheel_speed"), ride.numbers("engine_speed")
    moving = speed > limits.moving_kmh
    turns = rpm >= 0.3 * ride.settings.drivetrain.idle_rpm
    yield Exposure(seconds=ride.where(moving & turns).seconds)  # what may be excused is none
    dead = moving & ~turns & np.isfinite(rpm) & _driven(ride)
    refresh_s = ride.interval_s("engine_speed")
    lost = ride.where(dead).longer_than(max(limits.short_s, 1.5 * refresh_s))
    lost = lost.where(lambda span: not _engine_stopped(ride, span))
    if len(lost) < limits.short_times:
        lost = lost.longer_than(max(limits.longer_than_s, 2.0 * refresh_s))
    for span in lost:
        yield _finding(ride, span, "engine speed read zero")
    yield from _frozen(ride, speed, rpm, limits)


def _driven(ride: Ride) -> np.ndarray:
    """Rows on which the wheel drives the engine, as far as clutch and gear are logged."""
    driven = ~motion.widened(ride, ride.numbers("clutch") == 1, 1.0)
    in_neutral = (ride.numbers("gear") == 0) | (ride.numbers("neutral_switch") == 1)
    return np.asarray(driven & ~in_neutral)


def _engine_stopped(ride: Ride, span: Span) -> bool:
    """May the engine really have stopped?

    Run switch off; or clutch and gear are not logged and engine speed does not come
    back at once (a signal comes back at what it was, an engine starts from idle).
    """
    if ride.has("run_switch") and ride.runs("run_switch").any_on(span) is not True:
        return True
    if ride.has("clutch") and (ride.has("gear") or ride.has("neutral_switch")):
        return False
    after = ride.numbers("engine_speed")[ride.slice(Span(span.end_s, span.end_s + 1.5))]
    before = ride.numbers("engine_speed")[ride.slice(Span(span.start_s - 1.5, span.start_s - 0.01))]
    idle_rpm = ride.settings.drivetrain.idle_rpm
    if not np.isfinite(after).any() or not np.isfinite(before).any():
        return True
    back = min(float(np.nanmax(after)), float(np.nanmax(before)))
    return back < 1.5 * idle_rpm


def _frozen(ride: Ride, speed: np.ndarray, rpm: np.ndarray, limits: Limits) -> Iterator[Finding]:
    """Stretches on which engine speed keeps its last digit while speed changes.

    A stretch may run across a gap, if engine speed comes in fine steps: that it is the
    same to the digit on both sides then is no chance.
    """
    fine = ride.channels["engine_speed"].step <= FINE_STEP_RPM
    breaks = np.diff(rpm) != 0
    if not fine:
        breaks |= np.diff(ride.segment) != 0
    first = np.flatnonzero(np.concatenate(([True], breaks)))
    last = np.append(first[1:], len(rpm)) - 1
    shortest_s = max(limits.frozen_s, 4.0 * ride.interval_s("engine_speed"))
    driven = _driven(ride)
    long = ride.t_s[last] - ride.t_s[first] >= shortest_s
    for a, b in zip(first[long], last[long], strict=True):
        at = slice(int(a), int(b) + 1)
        v = speed[at][np.isfinite(speed[at])]
        live = rpm[a] >= 1.3 * ride.settings.drivetrain.idle_rpm and len(v) > 1
        if not live or v.min() < limits.moving_kmh or not driven[at].all():
            continue
        refreshed = int(np.count_nonzero(np.diff(v)))
        if v.max() / v.min() - 1.0 < 2.0 * limits.changes or refreshed < REFRESHED:
            continue
        yield _finding(
            ride,
            Span(float(ride.t_s[a]), float(ride.t_s[b])),
            f"engine speed stood at {rpm[a]:.0f} rpm",
            f", {v.min():.0f} to {v.max():.0f} km/h",
        )


def _finding(ride: Ride, span: Span, what: str, more: str = "") -> Finding:
    speed_kmh = ride.at("wheel_speed", span.start_s)
    return Finding(
        span=span,
        message=f"{what} for {span.length_s:.2g} s while riding on at {speed_kmh:.0f} km/h{more}",
        measured=span.length_s,
        unit="s",
        channels=("engine_speed",),
    )
