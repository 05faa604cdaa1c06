"""Cruise holds another speed than the one it was set to.

What it checks
    The middle of speed less set speed in each piece of settled holding, of up to a
    minute, and over all holding of the ride, against the model's hold tolerance widened
    by the steps of both channels. It counts where piece and ride are off on the same
    side. The first 10 s after engaging, setting or overriding are left out. What the
    display shows above the speed at which set was pressed is taken off.
Why it matters
    A constant difference is a scale (tyre, instrument); a lasting shortfall is a weak
    actuator.
What else looks like this
    Hills and wind, which average out over enough holding; a hill beyond power, where the
    throttle is wide open, and a downhill with the throttle shut, both left out; an
    instrument that reads high, which shows so at once when set is pressed.
Next step
    Compare speed with GPS on a level road at the speed cruise was set to.
References
    One maker's module holds within 2 km/h on a flat level road (dealer training text).
    Speedometer: 0 to 10 % + 4 km/h high (UN Regulation No. 39, 5.3).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import cruise, motion
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.ride import Ride

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    hold_tolerance_kmh: float = threshold(
        2.0, "km/h", "mean error on a level road", model="cruise.hold_tolerance_kmh"
    )
    least_s: float = threshold(
        20.0, "s", "of holding in a ride; shorter holding can lie on one gust or slope"
    )
    piece_s: float = threshold(5.0, "s", "of one piece: longer than a gust")
    longest_s: float = threshold(60.0, "s", "of one piece: beyond a minute the road is another")
    hill_percent: float = threshold(
        2.0, "%", "gradient above which holding is left out, where altitude is logged"
    )
    reads_high: float = threshold(0.10, "", "of speed: displays may read a tenth high")
    wide_open: float = threshold(60.0, "%", "throttle beyond which a hill takes all there is")
    far_kmh: float = threshold(
        10.0, "km/h", "below the set speed: no unit errs by so much; it follows a vehicle"
    )
    shut: float = shared(Definitions, "throttle_closed")


@rule(
    needs=("cruise_engaged", "cruise_set_speed", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=1.5,
    raise_when=RaiseWhen(events=3),
    cruise_only=True,
    asks="settled holding on a level road",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each piece of holding that is off, where the whole ride is off as well."""
    set_kmh = ride.numbers("cruise_set_speed")
    error_kmh = ride.numbers("wheel_speed") - set_kmh
    # A display that reads high makes speed seem low; it excuses that, and nothing else.
    excess_kmh = set_kmh * (1.0 - 1.0 / _reads_high(ride, limits))
    error_kmh = np.where(error_kmh < 0, np.minimum(error_kmh + excess_kmh, 0.0), error_kmh)
    usable = np.isfinite(error_kmh) & _level(ride, limits.hill_percent)
    usable &= ~_at_its_end(ride, error_kmh, limits) & ~(error_kmh < -limits.far_kmh)
    if ride.settings.cruise.adaptive:
        usable &= error_kmh >= 0.0
    pieces = list(_pieces(ride, usable, limits))
    rows = np.concatenate([r for _, r in pieces]) if pieces else np.empty(0, dtype=int)
    held_s = float(motion.row_seconds(ride)[rows].sum())
    yield Exposure(seconds=held_s)
    if held_s < limits.least_s:
        return
    middle_kmh = float(np.median(error_kmh[rows]))
    allowed_kmh = limits.hold_tolerance_kmh + 0.5 * (
        motion.step_kmh(ride, "wheel_speed") + ride.channels["cruise_set_speed"].step
    )
    if abs(middle_kmh) <= allowed_kmh:
        return
    for span, of_piece in pieces:
        off_kmh = float(np.median(error_kmh[of_piece]))
        if off_kmh * np.sign(middle_kmh) <= allowed_kmh:
            continue
        yield Finding(
            span=span,
            message=f"cruise held {abs(off_kmh):.1f} km/h "
            f"{'above' if off_kmh > 0 else 'below'} the set {np.median(set_kmh[of_piece]):.0f} "
            f"km/h for {span.length_s:.0f} s, and {abs(middle_kmh):.1f} km/h over all "
            f"{held_s:.0f} s of holding; {allowed_kmh:.1f} km/h is allowed",
            measured=off_kmh,
            limit=allowed_kmh,
            unit="km/h",
            channels=("wheel_speed", "cruise_set_speed"),
        )


def _reads_high(ride: Ride, limits: Limits) -> float:
    """How much the set speed shown is above wheel speed as set is pressed, as a factor from 1."""
    refresh_s = ride.interval_s("cruise_set_speed")
    factors = []
    for engagement in cruise.engagements(ride):
        start_s = engagement.span.start_s
        pressed = Span(start_s - 2.5, start_s)
        by_set = ride.has("switch_set") and ride.runs("switch_set").any_on(pressed) is True
        resumed = ride.has("switch_resume") and ride.runs("switch_resume").any_on(pressed)
        read_s = start_s + refresh_s + 0.3
        if not engagement.sharp_start or not by_set or resumed or engagement.span.end_s < read_s:
            continue
        speed_kmh = ride.at("wheel_speed", start_s)
        shown_kmh = ride.at("cruise_set_speed", read_s)
        if speed_kmh > 0 and shown_kmh > 0:
            factors.append(shown_kmh / speed_kmh)
    if not factors:
        return 1.0
    return float(np.clip(np.median(factors), 1.0, 1.0 + limits.reads_high))


def _pieces(
    ride: Ride, usable: NDArray[np.bool_], limits: Limits
) -> Iterator[tuple[Span, NDArray[np.int64]]]:
    """Settled holding cut into equal pieces of at most a minute, and their usable rows."""
    seconds = motion.row_seconds(ride)
    for phase in cruise.phases(ride):
        if phase.kind != "hold":
            continue
        count = int(np.ceil(phase.span.length_s / limits.longest_s))
        edges_s = np.linspace(phase.span.start_s, phase.span.end_s, count + 1).tolist()
        for start_s, end_s in pairwise(edges_s):
            at = ride.slice(Span(start_s, end_s - 1e-6))
            rows = np.arange(at.start, at.stop)[usable[at]]
            if seconds[rows].sum() >= limits.piece_s:
                yield Span(start_s, end_s), rows


def _at_its_end(ride: Ride, error_kmh: Floats, limits: Limits) -> NDArray[np.bool_]:
    """Rows on which cruise did what it could: wide open below, or shut above the set speed."""
    throttle = ride.numbers("throttle")
    if not np.isfinite(throttle).any():
        return np.zeros(len(error_kmh), dtype=bool)
    closed_at = motion.closed_reading(ride, "throttle")
    return np.asarray(
        ((error_kmh < 0) & (throttle > limits.wide_open))
        | ((error_kmh > 0) & (throttle < closed_at + limits.shut))
    )


def _level(ride: Ride, hill_percent: float) -> np.ndarray:
    """Rows on a level road as far as altitude shows; all rows where it is not logged."""
    if not ride.has("altitude"):
        return np.ones(len(ride.t_s), dtype=bool)
    climb_ms = motion.slope(ride, ride.numbers("altitude"), 10.0)
    speed_ms = np.maximum(ride.numbers("wheel_speed") / motion.KMH_PER_MS, 1.0)
    return ~(np.abs(climb_ms) / speed_ms * 100.0 > hill_percent)
