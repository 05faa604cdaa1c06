"""The logged gear is not the gear that engine and wheel turn in.

What it checks
    On steady stretches, the logged gear against the nearest rung of the model's ladder.
    It counts where the ratio stands within its computed tolerance of one rung and
    clearly nearer to it than to the logged gear's, for more than a second.
Why it matters
    A gear signal that wanders ends cruise and hides a slipping clutch.
What else looks like this
    The moments of a gear change; a clutch held at the same engine speed; ratios entered
    in the wrong order in the model file (then a gear is wrong always).
Next step
    Plug of the gear sensor (oil, chain fling); compare the digit shown with the gear.
References
    Neighbouring gears differ by 12 to 45 % in usual gearboxes (arithmetic from usual
    ratios). False values for fractions of a second in a change are normal.
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.model import Exposure, Finding, Severity
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import drivetrain, motion
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    longer_than_s: float = threshold(
        1.0, "s", "sensors pass through false values for fractions of a second in a change"
    )
    bridge_s: float = threshold(1.0, "s", "flicker between true and false values is one event")


@rule(
    needs=("wheel_speed", "engine_speed", "gear"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=1.5,
    raise_when=RaiseWhen(events=3),
    falsifies=("gear",),
    asks="steady riding in gear",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches on which the ratio clearly means another gear."""
    if not drivetrain.has_ladder(ride):
        return
    gear, rungs = ride.numbers("gear"), drivetrain.rungs(ride)
    rows = drivetrain.locked(ride) & (gear >= 1) & (rungs > 0)
    yield Exposure(seconds=float(motion.row_seconds(ride)[rows].sum()))
    wrong = rows & (rungs != gear)
    refresh_s = max(ride.interval_s(n) for n in ("wheel_speed", "engine_speed", "gear"))
    shortest_s = max(limits.longer_than_s, 2.5 * refresh_s)
    for span in motion.spans_where(ride, wrong, bridge_s=limits.bridge_s):
        if span.length_s <= shortest_s:
            continue
        at = ride.slice(span)
        logged = int(np.median(gear[at][wrong[at]]))
        meant = int(np.median(rungs[at][wrong[at]]))
        yield Finding(
            span=span,
            message=f"gear {logged} logged for {span.length_s:.1f} s at "
            f"{ride.at('wheel_speed', span.start_s):.0f} km/h while "
            f"{ride.at('engine_speed', span.start_s):.0f} rpm means gear {meant}",
            measured=float(logged),
            limit=float(meant),
            unit="gear",
            channels=("gear",),
        )
