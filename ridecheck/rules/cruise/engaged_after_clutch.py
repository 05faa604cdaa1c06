"""Cruise stays engaged while the clutch is pulled.

What it checks
    With the clutch switch on and cruise engaged, cruise must let go within the time the
    model allows, plus one refresh of the channels and the skew stated in the layout.
Why it matters
    The engine flares: cruise opens the throttle against no load.
What else looks like this
    Fingers resting on the lever, which close the switch without freeing the clutch;
    a clutch switch stuck on; a model whose cruise reads the clutch from engine speed.
Next step
    Look at the free play of the clutch lever and work its switch by hand while watching
    the input.
References
    Clutch switch is set before the clutch opens (SAE J1939-71, SPN 598).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cruise
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    cancel_within_s: float = threshold(
        0.5,
        "s",
        "longer than the latency of switch and unit (0.1 s) and flag (0.2 s)",
        model="cruise.cancel_within_s",
    )
    stuck_s: float = threshold(
        60.0, "s", "a clutch shown pulled longer than this with cruise at work is a stuck switch"
    )


@rule(
    needs=("cruise_engaged", "clutch"),
    severity=Severity.FAULT,
    clear_events=1,
    clear_interval_s=0.1,
    raise_when=RaiseWhen(events=2),
    cruise_only=True,
    asks="clutch pulls that end cruise in time",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each stretch with the clutch pulled and cruise engaged."""
    if "clutch" not in ride.settings.cruise.must_cancel:
        return
    engaged, clutch = ride.channels["cruise_engaged"], ride.channels["clutch"]
    refresh_s = max(clutch.interval_s, engaged.interval_s)
    window_s = limits.cancel_within_s + refresh_s + max(clutch.skew_s, engaged.skew_s)
    for engagement in cruise.engagements(ride):
        for run in ride.runs("clutch").overlapping(engagement.span):
            if run.value != 1:
                continue
            both = Span(
                max(run.start_s, engagement.span.start_s), min(run.end_s, engagement.span.end_s)
            )
            in_time = both.length_s <= window_s + 1e-6
            if in_time and run.sharp_start and engagement.sharp_end:
                if run.end_s >= engagement.span.end_s:
                    yield Exposure(events=1)
            elif not in_time:
                yield _finding(ride, both, window_s, limits.stuck_s)


def _finding(ride: Ride, both: Span, window_s: float, stuck_s: float) -> Finding:
    speed_kmh = ride.at("wheel_speed", both.start_s)
    at = "" if np.isnan(speed_kmh) else f" at {speed_kmh:.0f} km/h"
    stuck = "; so long that the switch looks stuck" if both.length_s > stuck_s else ""
    return Finding(
        span=both,
        message=f"cruise stayed engaged for {both.length_s:.2f} s with the clutch pulled{at}; "
        f"it must let go within {window_s:.2f} s{stuck}",
        measured=both.length_s,
        limit=window_s,
        unit="s",
        channels=("clutch",) if stuck else ("cruise_engaged", "clutch"),
    )
