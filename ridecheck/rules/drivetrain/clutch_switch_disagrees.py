"""The clutch switch says one thing, engine and wheel another.

What it checks
    Clutch shown pulled for seconds while engine and wheel turn together in a gear; and
    clutch never shown pulled over many gear changes in which the ratio broke free.
Why it matters
    A switch stuck on keeps cruise from engaging; a dead or bridged one lets the engine
    flare with cruise on.
What else looks like this
    Fingers resting on the lever within its free play; a quick-shifter, which changes
    gear with the clutch out.
Next step
    Free play of the lever; the switch's continuity, lever in and out.
References
    Clutch switch is set before the clutch opens (SAE J1939-71, SPN 598).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import drivetrain, motion
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    locked_s: float = threshold(
        5.0, "s", "a lever pulled that long lets engine and wheel part, at any change of speed"
    )
    moving_kmh: float = threshold(30.0, "km/h", "slower, a matched engine speed is no chance")
    varies: float = threshold(
        0.04, "", "speed must change this much, or a held engine speed could match by chance"
    )
    long_s: float = threshold(30.0, "s", "nobody coasts with the clutch pulled for half a minute")
    long_share: float = threshold(0.6, "", "of it with the ratio on a rung; changes take the rest")
    breaks: float = threshold(
        15.0, "changes", "so many changes of gear with no clutch are no quick-shifter's whole ride"
    )


@rule(
    needs=("wheel_speed", "engine_speed", "clutch"),
    severity=Severity.FAULT,
    clear_events=5,
    clear_interval_s=0.2,
    convict_interval_s=0.5,
    raise_when=RaiseWhen(events=2),
    falsifies=("clutch",),
    asks="clutch pulls while riding",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Pulled but locked, then never pulled."""
    if not drivetrain.has_ladder(ride):
        return
    yield from _pulled_but_locked(ride, limits)
    pulls = [r for r in ride.runs("clutch").on() if ride.at("wheel_speed", r.start_s) > 15.0]
    yield Exposure(events=len(pulls))
    changes = [] if ride.runs("clutch").on() else _idle_changes(ride)
    if len(changes) >= limits.breaks:
        yield Finding(
            span=Span(changes[0], changes[-1]),
            message=f"clutch never shown pulled in {len(changes)} changes of gear in which engine "
            "speed ran free of wheel speed",
            measured=float(len(changes)),
            limit=limits.breaks,
            unit="changes",
            channels=("clutch",),
        )


def _pulled_but_locked(ride: Ride, limits: Limits) -> Iterator[Finding]:
    speed, rungs = ride.numbers("wheel_speed"), drivetrain.rungs(ride)
    for run in ride.when("clutch").at_least(limits.locked_s):
        at = ride.rows(run)
        v, gears = speed[at], rungs[at]
        rpm = ride.numbers("engine_speed")[at]
        idling = not np.nanmedian(rpm) > 1.3 * ride.settings.drivetrain.idle_rpm
        if idling or not np.isfinite(v).all() or np.median(v) < limits.moving_kmh:
            continue
        if run.length_s < limits.long_s and v.min() < limits.moving_kmh:
            continue
        locked = gears[0] > 0 and (gears == gears[0]).mean() > 0.95
        varied = locked and v.max() / v.min() - 1.0 >= limits.varies
        # Over half a minute gears may be changed, but nobody coasts so long at speed.
        long = run.length_s >= limits.long_s and (gears > 0).mean() > limits.long_share
        if varied or long:
            yield Finding(
                span=run,
                message=f"clutch shown pulled for {run.length_s:.1f} s while engine and wheel "
                f"turned together in gear {np.median(gears[gears > 0]):.0f}, {v.min():.0f} to "
                f"{v.max():.0f} km/h",
                measured=run.length_s,
                limit=limits.locked_s,
                unit="s",
                channels=("clutch",),
            )


def _idle_changes(ride: Ride) -> list[float]:
    """Instants at which the gear in use changed with engine speed free in between (s)."""
    rungs = np.where(drivetrain.calm(ride), drivetrain.rungs(ride), 0)
    known = np.flatnonzero(rungs > 0)
    rate = np.abs(motion.slope(ride, ride.numbers("engine_speed"), 0.4))
    before, after = known[:-1], known[1:]
    apart_s = ride.t_s[after] - ride.t_s[before]
    changed = (rungs[before] != rungs[after]) & (apart_s > 0.1) & (apart_s < 6.0)
    changed &= ride.segment[before] == ride.segment[after]
    found = []
    for a, b in zip(before[changed], after[changed], strict=True):
        between = rate[a:b][np.isfinite(rate[a:b])]
        if len(between) and between.max() > 500.0:
            found.append(float(ride.t_s[b]))
    return found
