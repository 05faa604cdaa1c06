"""Engine speed runs away from wheel speed under load.

What it checks
    In one of the two highest gears used, clutch out and throttle open: the ratio of
    engine to wheel speed stands above its rung while speed hardly changes, for longer
    than a second. Elsewhere in the ride the same gear must be seen on its rung, and the
    ratio must not stand on the rung of another gear.
Why it matters
    A worn clutch slips first in high gears on hills; cruise disengages when the engine
    flares.
What else looks like this
    Wheelspin (not where speed comes from the driven wheel or the gearbox); a gear
    change; the clutch lever touched where its switch is not logged; a gear signal that
    names another gear; lean, where speed comes from the front wheel.
Next step
    Free play of the clutch lever; then roll on in top gear from low engine speed on a
    road test, as the service manual describes it.
References
    A slipping clutch lets the ratio rise 3 to 20 % under load, high gears first (trade
    text on clutch diagnosis).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import drivetrain, motion
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    rise: float = threshold(0.04, "", "twice the scatter of a steady ratio")
    longer_than_s: float = threshold(1.0, "s", "shorter is a needle's lag or a missed shift")
    on_rung_s: float = threshold(
        5.0, "s", "in the same gear on its rung elsewhere in the ride: gear and ladder are right"
    )
    other_rung: float = threshold(
        0.5, "", "of it on the rung of another gear: the gear signal is wrong, nothing slips"
    )
    throttle: float = threshold(25.0, "%", "a clutch slips under load, not coasting")
    changing_ms2: float = threshold(
        1.2, "m/s2", "harder acceleration moves the ratio by the needle's lag alone"
    )
    lean_degrees: float = threshold(15.0, "degrees", "in bends an undriven wheel reads high")


@rule(
    needs=("wheel_speed", "engine_speed", "throttle", ("gear", "clutch")),
    severity=Severity.FAULT,
    clear_s=60.0,
    clear_interval_s=0.5,
    convict_interval_s=0.5,
    raise_when=RaiseWhen(events=3),
    asks="steady pulling in the two highest gears",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches on which the ratio stands above its gear's rung under load."""
    if not drivetrain.has_ladder(ride):
        return
    excess, gear = _excess(ride)
    loaded = _loaded(ride, gear, limits)
    yield Exposure(seconds=ride.where(loaded).seconds)
    slipping = loaded & (excess > np.maximum(limits.rise, drivetrain.tolerance(ride)))
    for span in ride.where(slipping, bridge_s=0.3).longer_than(limits.longer_than_s):
        at = ride.slice(span)
        if not _gear_known(ride, at, gear, excess, limits):
            continue
        worst = 100.0 * float(np.nanmax(excess[at]))
        spin = ride.settings.speed_signal.taken_from in ("front_wheel", "unknown")
        yield Finding(
            span=span,
            message=f"engine speed rose {worst:.0f} % above what gear {gear[at][0]:.0f} makes of "
            f"{ride.at('wheel_speed', span.start_s):.0f} km/h for {span.length_s:.1f} s under "
            "load: "
            + ("the clutch slips or the driven wheel spins" if spin else "the clutch slips"),
            measured=worst,
            limit=100.0 * limits.rise,
            unit="%",
            channels=("engine_speed", "wheel_speed"),
        )


def _excess(ride: Ride) -> tuple[np.ndarray, np.ndarray]:
    """Log of the ratio over the rung of the gear in use, and that gear; NaN unknown.

    The gear is the logged one; where none is logged, the last one the ladder showed.
    """
    if ride.has("gear"):
        gear = ride.numbers("gear")
    else:
        rungs = drivetrain.rungs(ride).astype(float)
        steady = np.where(drivetrain.steady(ride), rungs, 0.0)
        last = np.maximum.accumulate(np.where(steady > 0, np.arange(len(steady)), 0))
        gear = steady[last]
    gear = np.where(gear >= 1, gear, np.nan)
    ladder = ride.settings.drivetrain
    per_kmh = np.array([ladder.rpm_per_kmh(g + 1) for g in range(len(ladder.overall_ratios))])
    inside = np.isfinite(gear) & (gear <= len(per_kmh))
    rung = np.where(inside, per_kmh[np.where(inside, gear, 1).astype(int) - 1], np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        excess = np.log(drivetrain.ratio(ride) * drivetrain.scale(ride) / rung)
    return excess, np.where(inside, gear, np.nan)


def _loaded(ride: Ride, gear: np.ndarray, limits: Limits) -> np.ndarray:
    """Rows under load in one of the two highest gears used, away from any shift."""
    known = gear[np.isfinite(gear)]
    top = known.max() if len(known) else np.nan
    rows = (
        (gear >= top - 1)
        & (ride.numbers("throttle") > limits.throttle)
        & (np.abs(motion.acceleration(ride)) < limits.changing_ms2)
    )
    changed = np.concatenate(([False], np.nan_to_num(gear[1:] - gear[:-1], nan=1.0) != 0))
    rows &= ~motion.widened(ride, changed, 2.0)
    rows &= ~motion.widened(ride, ride.numbers("clutch") == 1, 1.5)
    if ride.has("lean_angle") and ride.settings.speed_signal.taken_from != "driven_wheel":
        rows &= ~(np.abs(ride.numbers("lean_angle")) > limits.lean_degrees)
    return np.asarray(rows)


def _gear_known(
    ride: Ride, at: slice, gear: np.ndarray, excess: np.ndarray, limits: Limits
) -> bool:
    """Does the gear hold elsewhere in the ride, and is the ratio here on no other's rung?"""
    same = (gear == gear[at][0]) & (np.abs(excess) < limits.rise / 2)
    if ride.where(same).seconds < limits.on_rung_s:
        return False
    rungs = drivetrain.rungs(ride)[at]
    counts = np.bincount(rungs[(rungs > 0) & (rungs != gear[at])].astype(int), minlength=1)
    return bool(counts.max() < limits.other_rung * len(rungs))
