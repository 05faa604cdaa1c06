"""Cruise stays engaged while a brake is on.

What it checks
    Whenever a brake switch (or the lamp line, or a line pressure standing in for a
    switch) is on and cruise is engaged, cruise must let go within the time the model
    allows, plus one refresh of the channels and the skew stated in the layout.
Why it matters
    The rider brakes against the engine. Both brakes must end cruise, always.
What else looks like this
    Channels that are not written at the same moment (state the skew in the layout);
    a brake input bouncing for single samples; a lamp test at standstill, which is left
    out; on a lamp line, front and rear are not told apart.
Next step
    Keep the bike in. Standing, engine off: each brake control alone must light the
    lamp; then the control unit's own test of its brake inputs, as the service manual
    describes it.
References
    Brake switch closes before the brake works, so that cruise lets go first (SAE
    J1939-71, SPN 597). Either brake control alone must be seen (NHTSA interpretation of
    8 September 1972 on FMVSS 108).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Cancel, Exposure, Finding, Severity, Span
from ridecheck.rules.base import Verdicts, rule, threshold
from ridecheck.signals import brakes, cancels, cruise
from ridecheck.signals.ride import Ride


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
    engaged = ride.channels["cruise_engaged"]
    late: set[float] = set()
    told: list[Span] = []  # the lamp line, judged last, only repeats a switch
    for signal in brakes.signals(ride):
        refresh_s = max(signal.interval_s, engaged.interval_s)
        window_s = limits.cancel_within_s + refresh_s + max(signal.skew_s, engaged.skew_s)
        for engagement in cruise.engagements(ride):
            for run in signal.runs.overlapping(engagement.span):
                if run.value != 1:
                    continue
                both = Span(
                    max(run.start_s, engagement.span.start_s),
                    min(run.end_s, engagement.span.end_s),
                )
                if both.length_s > window_s + 1e-6 and _seen_s(ride, both) > limits.cancel_within_s:
                    late.add(engagement.span.end_s)
                    repeats = signal.control == "brake_lamp" and any(s.overlaps(both) for s in told)
                    if _moving(ride, both, limits.moving_kmh) and not repeats:
                        told.append(both)
                        yield _finding(ride, signal, both, window_s)
    yield Exposure(events=sum(c.t_s not in late for c in _ended_by_brake(ride)))


def _ended_by_brake(ride: Ride) -> list[Cancel]:
    """Cancels that a brake made, the signal seen from edge to cancel.

    A lamp may light just after the cancel it stands for: its filament needs a fifth of a
    second. It counts where no other control moved first.
    """
    causes = {"front_brake", "rear_brake", "brake_lamp"}
    return [c for c in cancels.cancels(ride) if c.cause in causes]


def _finding(ride: Ride, signal: brakes.BrakeSignal, both: Span, window_s: float) -> Finding:
    speed_kmh = ride.at("wheel_speed", both.start_s)
    at = "" if np.isnan(speed_kmh) else f" at {speed_kmh:.0f} km/h"
    unsure = brakes.not_told_apart(ride) if signal.control == "brake_lamp" else ""
    return Finding(
        span=both,
        message=f"cruise stayed engaged for {both.length_s:.2f} s with {signal.label} on{at}; "
        f"it must let go within {window_s:.2f} s" + (f" ({unsure})" if unsure else ""),
        measured=both.length_s,
        limit=window_s,
        unit="s",
        channels=("cruise_engaged", signal.channel),
    )


def _seen_s(ride: Ride, both: Span) -> float:
    """From the first to the last row that shows both: where rows are missing, less than the span.

    A channel filled forward counts as shown; its refresh is in the window.
    """
    t_s = ride.t_s[ride.slice(Span(both.start_s, both.end_s - 1e-6))]
    return float(t_s[-1] - t_s[0]) + 1e-6 if len(t_s) else 0.0


def _moving(ride: Ride, span: Span, faster_than_kmh: float) -> bool:
    """Moving at some time within a span; True where no speed is logged."""
    speed = ride.numbers("wheel_speed")[ride.slice(span)]
    return not np.isfinite(speed).any() or bool(np.nanmax(speed) > faster_than_kmh)
