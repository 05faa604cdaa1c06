"""Odometer and speed show different distances, or the odometer runs back.

What it checks
    The odometer's gain against the distance that wheel speed makes, over all stretches
    with both; and that the odometer never falls.
Why it matters
    One of the two is in another unit, counts wrongly, or the log is not of one bike. The
    speed signal is what cruise holds.
What else looks like this
    An instrument that reads high by up to a tenth, which is allowed for; missing rows,
    which are left out; a short ride against a counter of whole kilometres.
Next step
    Compare both with GPS or kilometre posts; then unit and constant of the instrument,
    tyre size, the speed sensor's ring.
References
    Shown speed: true up to 10 % + 4 km/h high (UN Regulation No. 39, 5.3). Mile 1.609344
    km, exact. A tyre wears by up to 1.9 % of its circumference (arithmetic).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.core.units import KM_PER_MILE
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals.ride import Floats, Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    short: float = threshold(
        0.12, "", "shown speed may run a tenth over what the odometer counts, tyre wear beside"
    )
    long: float = threshold(
        0.05, "", "speed is never shown too low; tyre wear and lean together make 2 to 3 %"
    )
    least_km: float = threshold(
        3.0, "km", "over less, bends and one step of the odometer weigh too much"
    )
    least_steps: float = threshold(
        20.0, "steps", "of the odometer: one step more or less is then a twentieth"
    )
    mile_within: float = threshold(0.08, "", "of the mile's factor, to name the unit as likely")


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Rows with both channels from one new value of the odometer to another."""

    span: Span
    odometer_km: float
    speed_km: float


@rule(
    needs=("odometer", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=30.0,
    asks="riding with odometer and speed",
    raise_when=RaiseWhen(events=2, rides=2),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each fall of the odometer; then the sums, one finding at most."""
    falls = tuple(_falls(ride))
    yield from falls
    stretches = tuple(_stretches(ride))
    odometer_km = sum(s.odometer_km for s in stretches)
    speed_km = sum(s.speed_km for s in stretches)
    step_km = _step_km(ride)
    if falls or max(speed_km, odometer_km) < max(limits.least_km, limits.least_steps * step_km):
        return
    yield Exposure(seconds=sum(s.span.length_s for s in stretches))
    slack = 2.0 * step_km * len(stretches) / max(speed_km, odometer_km)
    ratio = odometer_km / max(speed_km, 1e-6)
    if 1.0 - limits.short - slack <= ratio <= 1.0 + limits.long + slack:
        return
    longest = max(stretches, key=lambda s: s.span.length_s)
    yield Finding(
        span=longest.span,
        message=f"the odometer went on by {odometer_km:.1f} km while wheel speed makes "
        f"{speed_km:.1f} km; {_reading(ride, ratio, limits)}",
        measured=ratio,
        limit=1.0 + limits.long if ratio > 1.0 else 1.0 - limits.short,
        unit="ratio",
        channels=("odometer", "wheel_speed"),
    )


def _reading(ride: Ride, ratio: float, limits: Limits) -> str:
    """What such a ratio can be, for where this model takes its speed."""
    if abs(max(ratio, 1 / max(ratio, 1e-6)) / KM_PER_MILE - 1.0) < limits.mile_within:
        return "that is the factor of the mile: one of them is in miles"
    if ride.settings.speed_signal.taken_from == "unknown":
        return "a unit, the instrument's constant, or the sensor of one of them"
    wheel = ride.settings.speed_signal.taken_from.replace("_", " ")
    return (
        f"speed is taken from the {wheel}: its pulse count, the instrument's constant, or a "
        "unit; a tyre that both count by cannot show here"
    )


def _falls(ride: Ride) -> Iterator[Finding]:
    odometer = ride.samples["odometer"].to_numpy().astype(float)
    known = np.flatnonzero(~np.isnan(odometer))
    loss_km = -np.diff(odometer[known])
    for i in np.flatnonzero(loss_km > 1.5 * max(_step_km(ride), 0.01)):
        yield Finding(
            span=Span(float(ride.t_s[known[i]]), float(ride.t_s[known[i + 1]])),
            message=f"the odometer fell from {odometer[known[i]]:.1f} to "
            f"{odometer[known[i + 1]]:.1f} km",
            measured=-float(loss_km[i]),
            limit=0.0,
            unit="km",
            channels=("odometer",),
        )


def _stretches(ride: Ride) -> Iterator[_Stretch]:
    """Uninterrupted stretches, from the first to the last change of the odometer in each."""
    speed, odometer = ride.numbers("wheel_speed"), ride.numbers("odometer")
    known = np.isfinite(speed) & np.isfinite(odometer)
    for span in ride.where(known).at_least(10.0):
        rows = ride.rows(span)
        changes = np.flatnonzero(np.diff(odometer[rows]) != 0) + rows.start + 1
        if len(changes) < 2:
            continue
        a, b = int(changes[0]), int(changes[-1])
        yield _Stretch(
            Span(float(ride.t_s[a]), float(ride.t_s[b])),
            float(odometer[b] - odometer[a]),
            _distance_km(ride.t_s[a : b + 1], speed[a : b + 1]),
        )


def _distance_km(t_s: Floats, speed_kmh: Floats) -> float:
    return float(np.trapezoid(speed_kmh, t_s) / 3600.0)


def _step_km(ride: Ride) -> float:
    """Step of the odometer: as measured, else its smallest change."""
    step_km = ride.channels["odometer"].step
    if step_km > 0:
        return step_km
    changes = np.abs(np.diff(ride.numbers("odometer")))
    changes = changes[changes > 1e-6]
    return float(np.quantile(changes, 0.05)) if len(changes) else 1.0
