"""The charging voltage lies outside what a battery needs.

What it checks
    The supply while the engine turns well above idle, over all such riding after the
    first two minutes: below the voltage of a full battery at rest, or above what
    regulators allow, for most of a minute or more.
Why it matters
    Running low, the control unit drops out in traffic with everything switched on;
    too high boils the battery and ends lamps and electronics.
What else looks like this
    A logger fed over a thin wire, which reads low by a constant; a flat battery in its
    first minutes; heated gear at low engine speed.
Next step
    Measure at the battery terminals at 5000 rpm with a voltmeter; then connectors of
    alternator and regulator, and the ground.
References
    13.2 to 14.8 V above 2000 rpm, a logger being right to 0.2 V; a full lead battery at
    rest 12.6 to 12.8 V (common practice of the trade).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    low_v: float = threshold(
        12.6, "V", "a full battery at rest: below, it feeds the bike instead of being fed"
    )
    high_v: float = threshold(15.2, "V", "regulators stop at 14.8 V, loggers are right to 0.2 V")
    least_s: float = threshold(60.0, "s", "heavy loads may outdo the alternator for a while")
    share: float = threshold(
        0.5, "", "of the time judged, or it is a load that comes and goes and no weak alternator"
    )
    charging_rpm: float = threshold(2000.0, "rpm", "above, alternators give what they should")
    first_s: float = threshold(120.0, "s", "after the start the battery takes up what it lost")


@rule(
    needs=("supply_voltage", "engine_speed"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=5.0,
    asks="riding with the engine charging",
    raise_when=RaiseWhen(events=2, rides=2),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding at most for too low, one for too high."""
    volts, rpm = ride.numbers("supply_voltage"), ride.numbers("engine_speed")
    fast_rpm = max(limits.charging_rpm, 1.7 * ride.settings.drivetrain.idle_rpm)
    judged = (rpm > fast_rpm) & np.isfinite(volts) & (ride.t_s >= limits.first_s)
    judged_s = ride.where(judged).seconds
    yield Exposure(seconds=judged_s)
    for word, limit_v, outside in (
        ("below", limits.low_v, judged & (volts < limits.low_v)),
        ("above", limits.high_v, judged & (volts > limits.high_v)),
    ):
        outside_s = ride.where(outside).seconds
        longest = ride.where(outside, bridge_s=5.0).longest
        if longest is None or outside_s < max(limits.least_s, limits.share * judged_s):
            continue
        middle_v = float(np.median(volts[outside]))
        yield Finding(
            span=longest,
            message=f"supply {word} {limit_v:.1f} V for {outside_s:.0f} of {judged_s:.0f} s with "
            f"the engine above {fast_rpm:.0f} rpm, {middle_v:.1f} V in the middle",
            measured=middle_v,
            limit=limit_v,
            unit="V",
            channels=("supply_voltage",),
        )
