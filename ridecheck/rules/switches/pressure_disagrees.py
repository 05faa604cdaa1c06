"""Brake pressure and brake switch of one control disagree.

What it checks
    For each control with both channels: pressure well above what closes a lamp switch
    while the switch stays off, the other control being off too (linked brakes), and a
    switch on for long while the pressure is at rest and the bike rides.
Why it matters
    A switch that does not close lights no lamp and does not end cruise; one that stays
    closed hides the next braking.
What else looks like this
    A lever whose switch closes before any pressure, and fingers that rest on it; linked
    brakes, where one control puts pressure on both; a sensor that is not at zero at rest.
Next step
    Standing: pull the control slowly and watch lamp and pressure; adjust or replace the
    switch. A pressure switch is replaced, not adjusted.
References
    Lamp switches close at 1 to 3 bar, 100 to 300 kPa (common practice of the trade).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.catalog import channel_name
from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.brakes import CONTROLS
from ridecheck.signals.ride import Floats, Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    braking_kpa: float = threshold(
        500.0, "kPa", "well above the 3 bar at which the slowest lamp switch has closed"
    )
    rest_kpa: float = threshold(60.0, "kPa", "noise and residual pressure of a released brake")
    switch_s: float = threshold(0.3, "s", "switch, filter and one late row")
    rests_s: float = threshold(30.0, "s", "fingers and boots rest on a control for shorter times")
    moving_kmh: float = threshold(20.0, "km/h", "standing, riders hold a lever lightly for long")


@rule(
    needs=(
        ("front_brake", "rear_brake"),
        ("front_brake_pressure", "rear_brake_pressure"),
        "wheel_speed",
    ),
    severity=Severity.FAULT,
    clear_events=5,
    clear_interval_s=0.2,
    convict_interval_s=0.5,
    asks="brakings with switch and pressure",
    raise_when=RaiseWhen(events=3),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each control by itself."""
    for control in CONTROLS:
        pressure = f"{control}_pressure"
        if not ride.has(control, pressure):
            continue
        kpa = ride.numbers(pressure)
        kpa = kpa - float(np.nanquantile(kpa, 0.05))
        slack_s = limits.switch_s + sum(
            ride.interval_s(n) + ride.channels[n].skew_s for n in (control, pressure)
        )
        pressed = ride.where(kpa > limits.braking_kpa, bridge_s=0.1)
        yield Exposure(events=sum(ride.runs(control).any_on(s) is True for s in pressed))
        yield from _not_closing(ride, control, kpa, slack_s, limits)
        yield from _not_opening(ride, control, kpa, slack_s, limits)


def _not_closing(
    ride: Ride, control: str, kpa: Floats, slack_s: float, limits: Limits
) -> Iterator[Finding]:
    others = [c for c in CONTROLS if c != control and ride.has(c)]
    linked = np.zeros(len(kpa), dtype=bool)
    for other in others:
        linked |= motion.widened(ride, ride.numbers(other) == 1, slack_s)
    off = ride.numbers(control) == 0
    off &= ~motion.widened(ride, ~off, slack_s)
    bare = off & ~linked & (kpa > limits.braking_kpa)
    for span in ride.where(bare, bridge_s=0.1).at_least(slack_s):
        highest_kpa = float(np.nanmax(kpa[ride.slice(span)]))
        yield _finding(
            span,
            control,
            f"{channel_name(control)} pressure up to {highest_kpa / 100:.0f} bar for "
            f"{span.length_s:.1f} s and its switch stayed off",
            highest_kpa,
        )


def _not_opening(
    ride: Ride, control: str, kpa: Floats, slack_s: float, limits: Limits
) -> Iterator[Finding]:
    resting = (kpa < limits.rest_kpa) & (ride.numbers("wheel_speed") > limits.moving_kmh)
    resting_on = ride.when(control) & ride.where(resting)
    for span in resting_on.at_least(limits.rests_s + slack_s):
        yield _finding(
            span,
            control,
            f"{channel_name(control)} switch on for {span.length_s:.0f} s while riding with no "
            f"pressure above {limits.rest_kpa / 100:.1f} bar",
            limits.rest_kpa,
        )


def _finding(span: Span, control: str, message: str, measured: float) -> Finding:
    return Finding(span=span, message=message, measured=measured, unit="kPa", channels=(control,))
