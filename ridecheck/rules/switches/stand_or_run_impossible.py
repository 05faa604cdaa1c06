"""Side stand or run switch shows what cannot be.

What it checks
    The side stand down while the bike rides, and the run switch at stop while the
    engine turns on its own: standing, or gaining speed.
Why it matters
    Either of them stops the engine or ends cruise when its contact moves; a stand that
    reads down must not be ridden off on, and one that always reads up warns nobody.
What else looks like this
    A switch mapped the wrong way round; an engine that the rolling wheel turns after the
    run switch was used, which slows the bike and is left out.
Next step
    Side stand: switch, magnet and connector, dirt and water. Run switch: its contact at the
    bar and its connector.
References
    A stand switch down stops the engine in gear (common practice of the trade).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.intervals import NOTHING, Intervals
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    riding_kmh: float = threshold(10.0, "km/h", "faster than anyone pushes a bike")
    stand_s: float = threshold(1.0, "s", "a bump moves the stand's switch for a moment")
    engine_s: float = threshold(3.0, "s", "an engine that was stopped turns out within this")
    turning_rpm: float = threshold(500.0, "rpm", "no starter turns an engine so fast")
    gaining_ms2: float = threshold(0.4, "m/s2", "an engine dragged by the wheel slows the bike")


@rule(
    needs=(("side_stand", "run_switch"), "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=1.0,
    asks="riding",
    raise_when=RaiseWhen(events=2),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Stretches of riding on the stand, then of an engine that should not turn."""
    speed = ride.numbers("wheel_speed")
    riding = ride.where(speed > limits.riding_kmh)
    yield Exposure(seconds=riding.seconds)
    on_stand = riding & ride.when("side_stand")
    for span in on_stand.longer_than(limits.stand_s + ride.interval_s("side_stand")):
        yield Finding(
            span=span,
            message=f"side stand down for {span.length_s:.1f} s at "
            f"{ride.at('wheel_speed', span.start_s):.0f} km/h",
            measured=span.length_s,
            limit=limits.stand_s,
            unit="s",
            channels=("side_stand",),
        )
    for span in _running(ride, limits):
        rpm = float(np.nanmedian(ride.numbers("engine_speed")[ride.slice(span)]))
        yield Finding(
            span=span,
            message=f"run switch at stop for {span.length_s:.1f} s while the engine turns at "
            f"{rpm:.0f} rpm by itself",
            measured=rpm,
            limit=limits.turning_rpm,
            unit="rpm",
            channels=("run_switch",),
        )


def _running(ride: Ride, limits: Limits) -> Intervals:
    """Stretches with the run switch at stop and the engine driving, or turning at rest."""
    if not ride.has("run_switch", "engine_speed"):
        return NOTHING
    gain_ms2 = motion.slope(ride, ride.numbers("wheel_speed"), limits.engine_s) / motion.KMH_PER_MS
    own = (ride.numbers("wheel_speed") < 1.0) | (gain_ms2 > limits.gaining_ms2)
    turns = ride.numbers("engine_speed") > limits.turning_rpm
    running = ride.when("run_switch", 0) & ride.where(turns & own)
    return running.at_least(limits.engine_s + ride.interval_s("run_switch"))
