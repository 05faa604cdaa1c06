"""Engine speed reads what this engine cannot turn.

What it checks
    Engine speed beyond the model's limit by more than a limiter allows, or leaping and
    falling back within a moment while wheel speed runs on, in gear.
Why it matters
    Spikes and double pulses trip the flare guard of cruise, and point at ignition
    interference or a wrong pulse setting.
What else looks like this
    A missed gear or the clutch pulled with the throttle open; a limit entered too low
    in the model file.
Next step
    Plugs, leads and routing near the engine speed wire; the logger's pulses per turn.
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


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    over: float = threshold(0.1, "", "limiters overshoot by some per cent, model files round")
    leap: float = threshold(0.25, "", "more than a needle can follow within a fifth of a second")
    back_s: float = threshold(0.6, "s", "longer is a real flare, which a clutch or shift makes")
    moving_kmh: float = threshold(30.0, "km/h", "slower, the clutch may be slipping")


@rule(
    needs=("engine_speed", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=0.25,
    convict_interval_s=0.25,
    raise_when=RaiseWhen(events=5),
    falsifies=("engine_speed",),
    asks="engine speed",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches beyond the limit, then leaps up and back."""
    rpm, speed = ride.numbers("engine_speed"), ride.numbers("wheel_speed")
    yield Exposure(seconds=float(motion.row_seconds(ride)[np.isfinite(rpm)].sum()))
    most = ride.settings.drivetrain.redline_rpm * (1.0 + limits.over)
    with np.errstate(invalid="ignore"):
        over = rpm > most
        usual = _middle(ride, 2.0 * limits.back_s)
        settled = (speed > limits.moving_kmh) & _undisturbed(ride)
        leaps = settled & (rpm > usual * (1.0 + limits.leap)) & ~over
    for flags, what in ((over, "over the model's limit"), (leaps, "a leap")):
        for span in motion.spans_where(ride, flags, bridge_s=0.2):
            if flags is leaps and span.length_s > limits.back_s:
                continue
            highest = float(np.nanmax(rpm[ride.slice(span)]))
            if flags is leaps and _wheel_leaps(ride, span):
                continue
            yield Finding(
                span=span,
                message=f"engine speed read {highest:.0f} rpm for {span.length_s:.2f} s at "
                f"{ride.at('wheel_speed', span.start_s):.0f} km/h, {what}"
                + (f" from {usual[ride.index(span.start_s)]:.0f} rpm" if flags is leaps else ""),
                measured=highest,
                limit=most,
                unit="rpm",
                channels=("engine_speed",),
            )


def _middle(ride: Ride, over_s: float) -> np.ndarray:
    """Running median of engine speed over a time."""
    rows = max(3, round(over_s / ride.row_interval_s)) | 1
    series = ride.samples["engine_speed"].rolling_median(rows, min_samples=1, center=True)
    return np.asarray(series.to_numpy(), dtype=float)


def _undisturbed(ride: Ride) -> np.ndarray:
    """Rows away from clutch and gear changes, as far as these are logged."""
    gear = ride.numbers("gear")
    changed = np.concatenate(([False], np.nan_to_num(gear[1:] - gear[:-1]) != 0))
    busy = motion.widened(ride, (ride.numbers("clutch") == 1) | changed, 1.5)
    return np.asarray(~busy)


def _wheel_leaps(ride: Ride, span: Span) -> bool:
    """Does wheel speed rise along: a wheel that spins, or one that lets go of the road?"""
    busy = ride.runs("traction_active").any_on(Span(span.start_s - 1.0, span.end_s + 1.0))
    before = ride.at("wheel_speed", span.start_s - 0.5)
    speed = ride.numbers("wheel_speed")[ride.slice(Span(span.start_s - 0.3, span.end_s + 0.3))]
    rises = np.isfinite(speed).any() and before > 0 and np.nanmax(speed) > 1.05 * before
    return bool(rises or (ride.has("traction_active") and busy))
