"""Engine speed reads what this engine cannot turn.

What it checks
    Engine speed beyond the model's limit by more than a limiter allows; up and back
    faster than any crankshaft can be turned or braked, whatever clutch and gear do; or
    leaping and falling back within a moment while wheel speed runs on, in gear.
Why it matters
    Spikes and double pulses trip the flare guard of cruise, and point at ignition
    interference or a wrong pulse setting.
What else looks like this
    A missed gear, a blip between gears or the clutch pulled with the throttle open, all
    of which rise and fall no faster than the engine can; a limit entered too low in the
    model file.
Next step
    Spark plugs, leads and routing near the engine speed wire; the logger's pulses per turn.
References
    An unloaded engine of 100 N m and 0.07 kg m2 gains 1430 rad/s2, 13600 rpm a second
    (arithmetic); a clutch of 260 N m takes hold of it with two and a half times that.
    Engine and wheel turn together in gear: V = 0.06 D n R (French order of 27 March
    1979, art. 2).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import drivetrain, motion
from ridecheck.signals.ride import Floats, Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    over: float = threshold(0.1, "", "limiters overshoot by some per cent, model files round")
    leap: float = threshold(0.25, "", "more than a needle can follow within a fifth of a second")
    back_s: float = threshold(0.6, "s", "longer is a real flare, which a clutch or shift makes")
    moving_kmh: float = threshold(30.0, "km/h", "slower, the clutch may be slipping")
    rises_rpm_per_s: float = threshold(
        20000.0, "rpm/s", "half as much again as a touring engine gains with no load"
    )
    flash_s: float = threshold(
        0.25, "s", "interference lasts one or two samples; a clutch that grabs holds on"
    )


@rule(
    needs=("engine_speed", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=0.25,
    convict_interval_s=0.25,
    raise_when=RaiseWhen(events=3),
    falsifies=("engine_speed",),
    asks="engine speed",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches beyond the limit, then flashes and leaps up and back."""
    rpm = ride.numbers("engine_speed")
    yield Exposure(seconds=ride.where(np.isfinite(rpm)).seconds)
    most = ride.settings.drivetrain.redline_rpm * (1.0 + limits.over)
    over = ride.where(rpm > most, bridge_s=0.2)
    done = [(span, "over the model's limit") for span in over]
    for found, from_what in (
        (_flashes(ride, limits), "up and back"),
        (_leaps(ride, limits, most), "a leap"),
    ):
        for span in found:
            if not any(span.overlaps(other) for other, _ in done):
                at = ride.index(span.start_s)
                usual = _middle(ride, 2.0 * limits.back_s, slice(at, at + 1))
                done.append((span, f"{from_what} from {usual[0]:.0f} rpm"))
    for span, what in done:
        highest = float(np.nanmax(rpm[ride.slice(span)]))
        yield Finding(
            span=span,
            message=f"engine speed read {highest:.0f} rpm for {span.length_s:.2f} s at "
            f"{ride.at('wheel_speed', span.start_s):.0f} km/h, {what}",
            measured=highest,
            limit=most,
            unit="rpm",
            channels=("engine_speed",),
        )


def _flashes(ride: Ride, limits: Limits) -> Iterator[Span]:
    """From a rise that no crankshaft makes to the fall back that none makes either."""
    known = np.flatnonzero(np.isfinite(ride.numbers("engine_speed")))
    rpm, t_s = ride.numbers("engine_speed")[known], ride.t_s[known]
    same_segment = np.diff(ride.segment[known]) == 0
    step_s = np.maximum(np.diff(t_s), ride.interval_s("engine_speed"))
    possible_rpm = limits.rises_rpm_per_s * step_s
    change_rpm = np.where(same_segment, np.diff(rpm), 0.0)
    rises = (change_rpm > possible_rpm) & (rpm[1:] > (1.0 + limits.leap) * rpm[:-1])
    done = -1
    for i in map(int, np.flatnonzero(rises)):
        if i < done:
            continue
        last = int(np.searchsorted(t_s, t_s[i] + limits.flash_s + step_s[i], "right"))
        falls = np.flatnonzero(change_rpm[i + 1 : last] < -possible_rpm[i + 1 : last])
        back = i + 2 + int(falls[0]) if len(falls) else 0
        if back and abs(rpm[back] / rpm[i] - 1.0) < limits.leap:
            done = back
            yield Span(float(t_s[i + 1]), float(t_s[back]))


def _leaps(ride: Ride, limits: Limits, most_rpm: float) -> Iterator[Span]:
    """Away from clutch and gear changes: short stretches far above the running median."""
    rpm, over_s = ride.numbers("engine_speed"), 2.0 * limits.back_s
    rows = _rows(ride, over_s)
    settled = (ride.numbers("wheel_speed") > limits.moving_kmh) & _undisturbed(ride)
    leaps = settled & (rpm > _lowest(ride, rows) * (1.0 + limits.leap)) & (rpm <= most_rpm)
    for near in _stretches(leaps, rows):  # a median is no lower: only here may one leap
        leaps[near] &= rpm[near] > _middle(ride, over_s, near) * (1.0 + limits.leap)
    for span in ride.where(leaps, bridge_s=0.2):
        if span.length_s <= limits.back_s and not _wheel_leaps(ride, span):
            yield span


def _rows(ride: Ride, over_s: float) -> int:
    return max(3, round(over_s / ride.row_interval_s)) | 1


def _middle(ride: Ride, over_s: float, at: slice) -> Floats:
    """Running median of engine speed over a time, on some rows."""
    rows = _rows(ride, over_s)
    begin = max(at.start - rows // 2, 0)
    around = ride.samples["engine_speed"][begin : at.stop + rows // 2]
    series = around.rolling_median(rows, min_samples=1, center=True)
    return np.asarray(series.to_numpy(), dtype=float)[at.start - begin : at.stop - begin]


def _lowest(ride: Ride, rows: int) -> Floats:
    """At most the lowest engine speed around each row: the lowest of three blocks of rows."""
    rpm = np.nan_to_num(ride.numbers("engine_speed"), nan=np.inf)
    starts = np.arange(0, len(rpm), rows)
    low = np.minimum.reduceat(rpm, starts)
    low = np.minimum(np.minimum(low, np.append(low[1:], np.inf)), np.append(np.inf, low[:-1]))
    return np.repeat(low, rows)[: len(rpm)]


def _stretches(flags: np.ndarray, rows: int) -> list[slice]:
    """Stretches of rows that hold all the flags, those close together as one."""
    at = np.flatnonzero(flags)
    if not len(at):
        return []
    first = np.flatnonzero(np.diff(at, prepend=-2 * rows) > rows)
    last = np.append(first[1:], len(at)) - 1
    return [slice(int(at[a]), int(at[b]) + 1) for a, b in zip(first, last, strict=True)]


def _undisturbed(ride: Ride) -> np.ndarray:
    """Rows away from clutch and gear changes, as far as these are logged."""
    working = (ride.numbers("clutch") == 1) | drivetrain.gear_changed(ride)
    return ~motion.widened(ride, working, 1.5)


def _wheel_leaps(ride: Ride, span: Span) -> bool:
    """Does wheel speed rise along: a wheel that spins, or one that loses the road?"""
    busy = ride.runs("traction_active").any_on(Span(span.start_s - 1.0, span.end_s + 1.0))
    before = ride.at("wheel_speed", span.start_s - 0.5)
    speed = ride.numbers("wheel_speed")[ride.slice(Span(span.start_s - 0.3, span.end_s + 0.3))]
    rises = np.isfinite(speed).any() and before > 0 and np.nanmax(speed) > 1.05 * before
    return bool(rises or (ride.has("traction_active") and busy))
