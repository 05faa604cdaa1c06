"""Cruise stays engaged while the clutch is pulled.

What it checks
    With the clutch switch on and cruise engaged, cruise must disengage within the time the
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

from ridecheck.core.model import Exposure, Severity
from ridecheck.rules import stays_engaged
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cruise
from ridecheck.signals.intervals import EPSILON_S
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
    window_s = stays_engaged.window_s(ride, "clutch", limits.cancel_within_s)
    for span in (ride.when("clutch") & cruise.engaged(ride)).longer_than(window_s):
        stuck = span.length_s > limits.stuck_s
        yield stays_engaged.finding(
            ride,
            span,
            window_s,
            channel="clutch",
            why="with the clutch pulled",
            doubt="; so long that the switch looks stuck" if stuck else "",
            contact_only=stuck,
        )
    clutch = ride.runs("clutch")
    pulls = clutch.where((clutch.value == 1) & clutch.sharp_start) & cruise.engaged(ride)
    ends_s = {e.span.end_s for e in cruise.engagements(ride) if e.sharp_end}
    in_time = pulls.where(pulls.length_s <= window_s + EPSILON_S)
    yield Exposure(events=sum(pull.end_s in ends_s for pull in in_time))
