"""Cruise stays engaged after the rider closed the grip, pressed cancel or switched it off.

What it checks
    After the throttle-closed switch works, the cancel button is pressed or the main switch goes
    off, cruise must disengage within the time the model allows, plus one refresh of the
    channels and the skew stated in the layout.
Why it matters
    These are the rider's ways to end cruise without braking. A cruise control that
    does not listen to its rider must not be ridden.
What else looks like this
    A pulse of up to 0.2 s on a throttle-closed switch, which no hand makes; a button tapped so
    shortly that it shows in one row; channels not written at the same moment.
Next step
    Keep the bike in. Standing, engine off: turn the grip past closed and listen for the
    throttle-closed switch; then the control unit's own test of its inputs, as the service
    manual describes it.
References
    Causes that must end cruise and their latencies: common practice of the trade.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules import stays_engaged
from ridecheck.rules.base import Verdicts, rule, threshold
from ridecheck.signals import cancels, cruise, motion
from ridecheck.signals.intervals import EPSILON_S
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import Run

WORDS = {
    "roll_off": "the throttle-closed switch worked",
    "switch_cancel": "the cancel button was pressed",
    "cruise_armed": "the main switch went off",
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
    hand_s: float = threshold(
        0.2,
        "s",
        "a roll-off pulse up to this long is uncommanded; a button is held 0.1 s or more",
        loosened_by="raising",
    )
    moving_kmh: float = threshold(
        5.0, "km/h", "at standstill a self test can light everything at once", loosened_by="raising"
    )


@rule(
    needs=("cruise_engaged", ("roll_off", "switch_cancel", "cruise_armed")),
    severity=Severity.DANGER,
    clear_events=1,
    clear_interval_s=0.1,
    cruise_only=True,
    checks=("roll-off-click", "self-test-mode", "throttle-snaps-shut"),
    asks="grip, cancel or main switch ending cruise in time",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each command given while engaged: obeyed in time, or not."""
    for channel in WORDS:
        if not ride.has(channel) or not cruise.must_obey(ride, channel):
            continue
        window_s = stays_engaged.window_s(ride, channel, limits.cancel_within_s)
        for engagement in cruise.engagements(ride):
            command = next(_commands(ride, channel, engagement.span, limits.hand_s), None)
            if command is None:
                continue
            stayed = Span(command.start_s, engagement.span.end_s)
            if stayed.length_s <= window_s + EPSILON_S:
                yield Exposure(events=int(engagement.sharp_end))
            elif motion.moves(ride, stayed, limits.moving_kmh):
                yield _finding(ride, channel, stayed, window_s, command)


def _commands(ride: Ride, channel: str, engaged: Span, hand_s: float) -> Iterator[Run]:
    """Commands begun while engaged, held for more than one row and than a hand's shortest."""
    wanted = 0 if channel == "cruise_armed" else 1
    shortest_s = {"roll_off": hand_s, "switch_cancel": 0.1, "cruise_armed": 1.0}[channel]
    shortest_s = max(shortest_s, ride.interval_s(channel)) + EPSILON_S
    for run in ride.runs(channel).overlapping(engaged):
        begun = run.sharp_start and run.start_s > engaged.start_s + EPSILON_S
        if run.value == wanted and begun and run.length_s > shortest_s:
            yield run


def _finding(ride: Ride, channel: str, stayed: Span, window_s: float, command: Run) -> Finding:
    contradicted = channel == "roll_off" and cancels.grip_contradicts(ride, stayed.start_s)
    return stays_engaged.finding(
        ride,
        stayed,
        window_s,
        channel=channel,
        why=f"after {WORDS[channel]}",
        held=f" (for {command.length_s:.2f} s)",
        doubt="; the grip was open, so the switch itself is in doubt" if contradicted else "",
    )
