"""A hand switch opens and closes faster than a hand can.

What it checks
    Bursts on the brake, clutch, roll-off and main switches: more edges within a second
    than a hand can make, while riding.
Why it matters
    A dirty, wet or worn contact: it ends cruise, and it decides for itself when.
What else looks like this
    A contact bouncing for some hundredths of a second as a control is worked, which is
    normal and left out; a lamp converter or modulator that pulses the brake line.
Next step
    Dirt, water and wear in the switch; its connector; anything spliced into its line.
References
    A hand makes fewer than eight edges a second (common practice). A brake lamp must
    burn steadily, so a pulsing line is never a lawful pattern (FMVSS 108, S5.5.10).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import Runs

SWITCHES = ("front_brake", "rear_brake", "brake_lamp", "clutch", "roll_off", "cruise_armed")


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    edges: float = threshold(6.0, "edges", "three presses within a second; a hand makes two")
    within_s: float = threshold(1.0, "s", "the time a burst of a worn contact lasts")
    bounce_s: float = threshold(
        0.035, "s", "shorter openings and closings are the bounce of one press, and normal"
    )
    moving_kmh: float = threshold(15.0, "km/h", "standing, riders play with their controls")


@rule(
    needs=("wheel_speed", SWITCHES),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=0.05,
    convict_interval_s=0.1,
    raise_when=RaiseWhen(events=2),
    falsifies=SWITCHES,
    asks="riding",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each burst on each switch; the lamp line only where no brake has its own channel."""
    speed = ride.numbers("wheel_speed")
    moving = speed > limits.moving_kmh
    yield Exposure(seconds=ride.where(moving).seconds)
    own = ride.has("front_brake") or ride.has("rear_brake")
    for channel in SWITCHES:
        if not ride.has(channel) or (channel == "brake_lamp" and own):
            continue
        for span, edges in _bursts(ride.runs(channel), limits):
            if not moving[ride.slice(span)].any():
                continue
            yield Finding(
                span=span,
                message=f"{channel.replace('_', ' ')} changed {edges} times in "
                f"{span.length_s:.2f} s at {ride.at('wheel_speed', span.start_s):.0f} km/h",
                measured=float(edges),
                limit=limits.edges,
                unit="edges",
                channels=(channel,),
            )


def _bursts(runs: Runs, limits: Limits) -> list[tuple[Span, int]]:
    """Stretches in which edges follow one another too fast, and how many there are."""
    at_s = _edges_s(runs, limits.bounce_s)
    need = int(limits.edges)
    if len(at_s) < need:
        return []
    dense = at_s[need - 1 :] - at_s[: -need + 1] <= limits.within_s
    found: list[tuple[Span, int]] = []
    for i in np.flatnonzero(dense):
        start_s, end_s = float(at_s[i]), float(at_s[i + need - 1])
        if found and start_s <= found[-1][0].end_s:
            start_s = found[-1][0].start_s
            found.pop()
        edges = int(((at_s >= start_s - 1e-9) & (at_s <= end_s + 1e-9)).sum())
        found.append((Span(start_s, end_s), edges))
    return found


def _edges_s(runs: Runs, bounce_s: float) -> np.ndarray:
    """Instants of the edges that are left when bounces are smoothed away."""
    lasting = runs.end_s - runs.start_s > bounce_s
    values, starts_s, sharp = runs.value[lasting], runs.start_s[lasting], runs.sharp_start[lasting]
    changed = np.concatenate(([False], values[1:] != values[:-1])) & (values >= 0)
    return np.asarray(starts_s[changed & sharp])
