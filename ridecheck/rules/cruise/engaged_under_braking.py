"""Cruise stays engaged while a brake is on.

What it checks
    Whenever a brake switch (or the lamp line, or a line pressure standing in for a
    switch) is on and cruise is engaged, cruise must disengage within the time the model
    allows, plus one refresh of the channels and the skew stated in the layout.
Why it matters
    The rider brakes against the engine. Both brakes must end cruise, always.
What else looks like this
    Channels that are not written at the same moment (state the skew in the layout);
    a brake input bouncing for single samples; a lamp test at standstill, which is left
    out; on a lamp line, front and rear are not separated.
Next step
    Keep the bike in. Standing, engine off: each brake control alone must light the
    lamp; then the control unit's own test of its brake inputs, as the service manual
    describes it.
References
    Brake switch closes before the brake works, so that cruise disengages first (SAE
    J1939-71, SPN 597). Either brake control alone must be seen (NHTSA interpretation of
    8 September 1972 on FMVSS 108).
"""

from dataclasses import dataclass

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules import stays_engaged
from ridecheck.rules.base import Verdicts, rule, threshold
from ridecheck.signals import brakes, cancels, cruise, motion
from ridecheck.signals.intervals import EPSILON_S, NOTHING
from ridecheck.signals.ride import Ride

BRAKES = ("front_brake", "rear_brake", "brake_lamp")
"""Causes that are a brake. A lamp may light just after the cancel it stands for: its filament
needs a fifth of a second. It counts where no other control came first."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    cancel_within_s: float = threshold(
        0.5,
        "s",
        "longer than the latency of switch and unit (0.01 to 0.1 s) and flag (0.2 s)",
        model="cruise.cancel_within_s",
        loosened_by="raising",
    )
    moving_kmh: float = threshold(
        5.0,
        "km/h",
        "at standstill a lamp or self test can light everything at once",
        loosened_by="raising",
    )


@rule(
    needs=(
        "cruise_engaged",
        ("front_brake", "rear_brake", "brake_lamp", "front_brake_pressure", "rear_brake_pressure"),
    ),
    severity=Severity.DANGER,
    clear_events=1,
    clear_interval_s=0.1,
    cruise_only=True,
    checks=("lamp-by-each-control", "self-test-mode", "throttle-snaps-shut"),
    asks="brakings that end cruise in time",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each stretch with a brake on and cruise engaged: too long, or ended in time."""
    said = late = NOTHING
    for signal in brakes.signals(ride):  # the lamp line last: it only repeats a switch
        window_s = stays_engaged.window_s(ride, signal.channel, limits.cancel_within_s)
        both = (signal.on & cruise.engaged(ride)).longer_than(window_s)
        both = both.where(lambda span: _seen(ride, span, limits.cancel_within_s))
        late |= cruise.engaged(ride).touching(both)
        both = both.where(lambda span: motion.moves(ride, span, limits.moving_kmh))
        fresh = both.apart_from(said) if signal.control == "brake_lamp" else both
        said |= fresh
        yield from (_finding(ride, signal, span, window_s) for span in fresh)
    ended = [c for c in cancels.cancels(ride) if c.cause in BRAKES and not late.holds(c.t_s)]
    yield Exposure(events=len(ended))


def _finding(ride: Ride, signal: brakes.BrakeSignal, both: Span, window_s: float) -> Finding:
    unsure = brakes.not_told_apart(ride) if signal.control == "brake_lamp" else ""
    return stays_engaged.finding(
        ride,
        both,
        window_s,
        channel=signal.channel,
        why=f"with {signal.label} on",
        doubt=f" ({unsure})" if unsure else "",
    )


def _seen(ride: Ride, both: Span, longer_than_s: float) -> bool:
    """Do the rows that show both reach over so long? Where rows are missing, it was not seen.

    A channel filled forward counts as shown; its refresh is in the window.
    """
    t_s = ride.t_s[ride.rows(both)]
    return len(t_s) > 0 and float(t_s[-1] - t_s[0]) > longer_than_s - EPSILON_S
