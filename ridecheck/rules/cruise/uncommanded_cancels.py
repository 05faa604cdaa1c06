"""Cruise disengages uncommanded, and the log shows on which signal.

What it checks
    Each end of an engagement that trace calls uncommanded and for which it names a cause: a
    uncommanded pulse of a switch, a signal that was lost, a leap of a speed, a dip of
    the supply. (A cancel with no logged cause is another rule's matter.) Three of one cause
    raise a bike to inspect, whatever else is said of that signal.
Why it matters
    The bike slows in traffic with no brake lamp. What ended cruise three times is no chance.
What else looks like this
    One pulse or two: a glove on a lever, a stone against the pedal, a bump.
Next step
    trace shows each of them with its signal: switch, plug and cable of the one that stands
    there most.
References
    Must-cancel inputs and their latencies: common practice of the trade. A control action
    given uncommanded: unsafe control action of the second kind (Leveson and
    Thomas, STPA Handbook, 2018; from memory).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cancels, cruise
from ridecheck.signals.ride import Ride

CHANNELS = {
    "brake_lamp": ("brake_lamp",),
    "cancel_switch": ("switch_cancel",),
    "power_switch": ("cruise_armed",),
    "signal_lost": ("wheel_speed",),
    "speed_jump": ("wheel_speed",),
    "engine_flare": ("engine_speed",),
    "engine_off": ("engine_speed",),
    "gear_change": ("gear",),
    "supply": ("supply_voltage",),
}
"""Channels on which a cause shows; a switch shows on its own."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    slowest_kmh: float = threshold(
        20.0, "km/h", "at walking pace cruise has nothing to hold; the flag is a lamp test"
    )
    before_s: float = threshold(1.0, "s", "what ended cruise lies within this before its end")


@rule(
    needs=("cruise_engaged", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=0.1,
    raise_when=RaiseWhen(events=3, of_one_kind=True),
    cruise_only=True,
    doubt_counts=True,
    asks="riding with cruise engaged",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each uncommanded cancel with a logged cause."""
    yield Exposure(seconds=cruise.totals(ride).engaged_s)
    for cancel in cancels.cancels(ride):
        if cancel.commanded is not False or cancel.cause == "unexplained":
            continue
        # A lost signal reads nothing at the cancel itself: the bike was as fast as just before.
        before = Span(cancel.t_s - 3.0 * limits.before_s, cancel.t_s)
        speed_kmh = float(np.nan_to_num(ride.numbers("wheel_speed")[ride.slice(before)]).max())
        if speed_kmh < limits.slowest_kmh:
            continue
        by = cancel.cause.replace("_", " ")
        yield Finding(
            span=Span(cancel.t_s - limits.before_s, cancel.t_s),
            message=f"cruise disengaged at {speed_kmh:.0f} km/h, uncommanded: {by} in the "
            f"{limits.before_s:.0f} s before",
            measured=speed_kmh,
            unit="km/h",
            channels=("cruise_engaged", *CHANNELS.get(cancel.cause, (cancel.cause,))),
        )
