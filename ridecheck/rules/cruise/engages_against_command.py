"""Cruise engages while the rider says no: throttle rolled closed, or cancel held.

What it checks
    The throttle-closed switch or the cancel button is on before cruise engages, and both
    stay on together for longer than the model allows, plus one refresh of the channels and
    the skew stated in the layout. (A brake or the clutch that is on as cruise engages is
    judged by the rules on brake and clutch.)
Why it matters
    Cruise takes hold against the hand of its rider.
What else looks like this
    A switch that is stuck on in the log alone: an open grip beside it says so, and the
    finding says so too; channels not written at the same moment.
Next step
    Keep the bike in. Standing, engine off: turn the grip past closed and listen for the
    switch; then the control unit's own test of its inputs, as the service manual
    describes it.
References
    An action given where it must not be: unsafe control action of the second kind
    (Leveson and Thomas, STPA Handbook, 2018; from memory). Causes that must keep cruise
    from engaging: common practice of the trade.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules import stays_engaged
from ridecheck.rules.base import Verdicts, rule, threshold
from ridecheck.signals import cruise, motion
from ridecheck.signals.intervals import NOTHING, Intervals
from ridecheck.signals.ride import Ride

WORDS = {
    "roll_off": "the throttle rolled past closed",
    "switch_cancel": "the cancel button held",
}


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    cancel_within_s: float = threshold(
        0.5,
        "s",
        "longer than the latency of switch and unit (0.02 to 0.2 s) and flag (0.2 s)",
        model="cruise.cancel_within_s",
        loosened_by="raising",
    )
    moving_kmh: float = threshold(
        5.0, "km/h", "at standstill a self test can light everything at once", loosened_by="raising"
    )


@rule(
    needs=("cruise_engaged", ("roll_off", "switch_cancel")),
    severity=Severity.DANGER,
    clear_events=1,
    clear_interval_s=0.2,
    cruise_only=True,
    checks=("roll-off-click", "self-test-mode", "throttle-snaps-shut"),
    asks="engagements with grip and cancel at rest",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each engagement: everything at rest, or one of the two on before it and after."""
    channels = [c for c in WORDS if ride.has(c) and cruise.must_obey(ride, c)]
    begun = [e.span for e in cruise.engagements(ride) if e.sharp_start]
    against = NOTHING
    for channel in channels:
        window_s = stays_engaged.window_s(ride, channel, limits.cancel_within_s)
        for span in _held_from(ride, channel, begun).longer_than(window_s):
            if motion.moves(ride, span, limits.moving_kmh):
                against |= span
                yield _finding(ride, channel, span, window_s)
    obeyed = Intervals.of(begun).apart_from(against)
    yield Exposure(events=len(obeyed) if channels else 0)


def _held_from(ride: Ride, channel: str, begun: Sequence[Span]) -> Intervals:
    """From each engaging on, the time for which an input that was on before stays on."""
    both = ride.when(channel) & Intervals.of(begun)
    on = ride.runs(channel)
    return both.where(
        lambda span: (
            any(span.start_s == engaged.start_s for engaged in begun)
            and on.value_at(span.start_s - ride.row_interval_s / 2) == 1
        )
    )


def _finding(ride: Ride, channel: str, both: Span, window_s: float) -> Finding:
    speed_kmh = ride.at("wheel_speed", both.start_s)
    at = "" if math.isnan(speed_kmh) else f" at {speed_kmh:.0f} km/h"
    return Finding(
        span=both,
        message=f"cruise engaged{at} with {WORDS[channel]}, and stayed engaged for "
        f"{both.length_s:.2f} s with it; {window_s:.2f} s is allowed",
        measured=both.length_s,
        limit=window_s,
        unit="s",
        channels=("cruise_engaged", channel),
    )
