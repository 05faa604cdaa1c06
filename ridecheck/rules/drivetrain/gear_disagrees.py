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
    Connector of the gear sensor (oil, chain fling); compare the digit shown with the gear.
References
    Neighbouring gears differ by 12 to 45 % in usual gearboxes (arithmetic from usual
    ratios). False values for fractions of a second in a change are normal.
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span, Unjudged
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import drivetrain
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    longer_than_s: float = threshold(
        1.0, "s", "sensors pass through false values for fractions of a second in a change"
    )
    bridge_s: float = threshold(1.0, "s", "flicker between true and false values is one event")
    throughout: float = threshold(
        0.3, "", "of steady riding: so much disagreement in several gears is no flickering sensor"
    )


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
    yield Exposure(seconds=ride.where(rows).seconds)
    wrong = rows & (rungs != gear)
    refresh_s = max(ride.interval_s(n) for n in ("wheel_speed", "engine_speed", "gear"))
    shortest_s = max(limits.longer_than_s, 2.5 * refresh_s)
    events = ride.where(wrong, bridge_s=limits.bridge_s)
    events = events.where(lambda span: span.length_s > shortest_s or _flicker(ride, span))
    wrong_s, all_s = (ride.where(r).seconds for r in (wrong, rows))
    if wrong_s > limits.throughout * all_s and len(np.unique(gear[wrong])) > 1:
        yield Unjudged(
            Span(0.0, ride.duration_s),
            f"gear and ratio disagree for {wrong_s:.0f} of {all_s:.0f} s, in several gears: "
            "rather another model's log, or gears in another order",
        )
        return
    for span in events:
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


def _flicker(ride: Ride, span: Span) -> bool:
    """Did the gear jump away and back to the same, the clutch out, faster than a hand shifts?"""
    around = Span(span.start_s - 0.6, span.end_s + 0.6)
    gear = ride.numbers("gear")
    before, after = gear[ride.slice(around)][0], gear[ride.slice(around)][-1]
    rungs = drivetrain.rungs(ride)[ride.slice(around)]
    clutch_out = ride.runs("clutch").any_on(around) is False
    return bool(before == after and clutch_out and rungs[0] == before and (rungs == rungs[0]).all())
