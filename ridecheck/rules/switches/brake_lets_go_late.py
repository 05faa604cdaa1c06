"""A brake signal stays on after the braking is over.

What it checks
    Every use of a brake that slowed the bike: how long its signal stays on once the
    bike rides on, gaining speed or with the throttle open. It counts where a good part
    of the uses of a control end so, more often than once.
Why it matters
    A lever or pedal that hangs, a switch that sticks or residual pressure: cruise cannot
    be set, and the lamp no longer tells the traffic behind when the bike slows.
What else looks like this
    A rider who covers the brake, or trails it in slow bends with the throttle open, now
    and then; a lamp line with a box that lights it longer.
Next step
    Let the control go slowly and see whether it returns by itself; free play at the
    master cylinder or pedal; grease and dirt at the pivot; then the switch.
References
    A brake signal ends within 1 s of the slowing (common practice of the trade).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import brakes, motion
from ridecheck.signals.brakes import BrakeSignal
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import Run


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    late_s: float = threshold(1.0, "s", "a hand opens within this once the bike need not slow")
    slowed_ms2: float = threshold(1.0, "m/s2", "more than rolling out: the brake was meant")
    gained_kmh: float = threshold(
        4.0, "km/h", "speed won with the signal still on: the brake itself is off"
    )
    uses: float = threshold(2.0, "uses", "a rider covers the brake or trails it once")
    share: float = threshold(0.1, "", "of the uses of that control; a habit shows in fewer")
    slowest_kmh: float = threshold(
        15.0, "km/h", "below, hill starts and walking pace hold the brake"
    )


@dataclass(frozen=True, slots=True)
class _Use:
    """One braking: when it slowed last, when the signal ended, what was won in between."""

    span: Span
    late_s: float
    gained_kmh: float


@rule(
    needs=("wheel_speed", ("front_brake", "rear_brake", "brake_lamp")),
    severity=Severity.FAULT,
    clear_events=5,
    clear_interval_s=0.2,
    convict_interval_s=0.5,
    asks="brakings while riding whose signal ends in time",
    raise_when=RaiseWhen(events=3),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each control whose signal often ends late."""
    signals = [s for s in brakes.signals(ride) if not s.channel.endswith("pressure")]
    own = [s for s in signals if s.channel != "brake_lamp"]
    for signal in own or signals:
        uses = list(_uses(ride, signal, limits))
        late = [u for u in uses if _is_late(ride, u, signal, limits)]
        yield Exposure(events=len(uses) - len(late))
        if len(late) < max(limits.uses, limits.share * len(uses)):
            continue
        for use in late:
            yield Finding(
                span=use.span,
                message=f"{signal.label} stayed on {use.late_s:.1f} s after the slowing ended "
                f"while the bike gained {use.gained_kmh:.0f} km/h ({len(late)} of "
                f"{len(uses)} brakings)",
                measured=use.late_s,
                limit=limits.late_s,
                unit="s",
                channels=(signal.channel,),
            )


def _is_late(ride: Ride, use: _Use, signal: BrakeSignal, limits: Limits) -> bool:
    slack_s = signal.interval_s + signal.skew_s + motion.window_s(ride, "wheel_speed") / 2.0
    allowed_kmh = limits.gained_kmh + 2.0 * motion.step_kmh(ride, "wheel_speed")
    return use.late_s > limits.late_s + slack_s and use.gained_kmh > allowed_kmh


def _uses(ride: Ride, signal: BrakeSignal, limits: Limits) -> Iterator[_Use]:
    """Uses that slowed the bike and ended in sight, while it was riding."""
    for run in signal.runs.on():
        if run.sharp_start and run.sharp_end:
            use = _use(ride, run, limits)
            if use is not None:
                yield use


def _use(ride: Ride, run: Run, limits: Limits) -> _Use | None:
    rows = ride.slice(run.span)
    rate, speed = motion.acceleration(ride)[rows], ride.numbers("wheel_speed")[rows]
    with np.errstate(invalid="ignore"):
        slows = np.flatnonzero(rate < -limits.slowed_ms2)
    if not len(slows) or np.isnan(speed).any():
        return None
    after = speed[slows[-1] :]
    # After a stop the hand may hold the bike; it is late once the bike rides again.
    low_kmh = max(float(np.min(after)), limits.slowest_kmh)
    lowest = int(slows[-1]) + int(np.flatnonzero(after <= low_kmh)[-1])
    start_s = float(ride.t_s[rows][lowest])
    return _Use(
        span=Span(start_s, run.end_s),
        late_s=run.end_s - start_s,
        gained_kmh=float(speed[-1] - speed[lowest]),
    )
