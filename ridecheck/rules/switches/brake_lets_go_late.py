"""A brake signal stays on after the braking is over.

What it checks
    Every use of a brake that slowed the bike: how long its signal stays on once the
    bike rides on, gaining speed or with the throttle open. It counts where a good part
    of the uses of a control end so, more often than once.
Why it matters
    A lever or pedal that hangs, a switch that sticks or residual pressure: cruise cannot
    be set, and the lamp no longer shows the traffic behind that the bike slows.
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

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import brakes, motion, throttle
from ridecheck.signals.brakes import BrakeSignal
from ridecheck.signals.definitions import Definitions
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
    pulled_s: float = threshold(
        1.0, "s", "the engine pulling so long with the signal on: hand and foot overlap for less"
    )
    throttle_open: float = shared(Definitions, "throttle_open")
    pulled_kmh: float = threshold(
        25.0, "km/h", "slower, the rear brake is trailed against the engine on purpose"
    )
    uses: float = threshold(2.0, "uses", "a rider covers the brake or trails it once")
    share: float = threshold(0.1, "", "of the uses of that control; a habit shows in fewer")
    slowest_kmh: float = threshold(
        15.0, "km/h", "below, hill starts and walking pace hold the brake"
    )


@dataclass(frozen=True, slots=True)
class _Use:
    """One braking: what came between its slowing and the end of its signal.

    after: from the last slowing to the signal's end. gained_kmh: speed won in it. pulled:
    the longest stretch since the first slowing in which the throttle was open and the
    bike did not slow; None where there is none.
    """

    after: Span
    gained_kmh: float
    pulled: Span | None


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
            yield _finding(use, signal, f"{len(late)} of {len(uses)} brakings", limits)


def _finding(use: _Use, signal: BrakeSignal, share: str, limits: Limits) -> Finding:
    span, meanwhile = use.after, f"while the bike gained {use.gained_kmh:.0f} km/h"
    if use.pulled is not None and use.pulled.length_s > use.gained_kmh:
        span, meanwhile = use.pulled, "with the throttle open and no slowing"
    return Finding(
        span=span,
        message=f"{signal.label} stayed on {span.length_s:.1f} s after the slowing ended, "
        f"{meanwhile} ({share})",
        measured=span.length_s,
        limit=limits.late_s,
        unit="s",
        channels=(signal.channel,),
    )


def _is_late(ride: Ride, use: _Use, signal: BrakeSignal, limits: Limits) -> bool:
    slack_s = signal.interval_s + signal.skew_s + motion.window_s(ride, "wheel_speed") / 2.0
    allowed_kmh = limits.gained_kmh + 2.0 * motion.step_kmh(ride, "wheel_speed")
    gained = use.after.length_s > limits.late_s + slack_s and use.gained_kmh > allowed_kmh
    return gained or (use.pulled is not None and use.pulled.length_s > limits.pulled_s + slack_s)


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
    slows = np.flatnonzero(rate < -limits.slowed_ms2)
    if not len(slows) or np.isnan(speed).any():
        return None
    after = speed[slows[-1] :]
    # After a stop the hand may hold the bike; it is late once the bike rides again.
    low_kmh = max(float(np.min(after)), limits.slowest_kmh)
    lowest = int(slows[-1]) + int(np.flatnonzero(after <= low_kmh)[-1])
    return _Use(
        after=Span(float(ride.t_s[rows][lowest]), run.end_s),
        gained_kmh=float(speed[-1] - speed[lowest]),
        pulled=_pulled(ride, Span(float(ride.t_s[rows][slows[0]]), run.end_s - 1e-6), limits),
    )


def _pulled(ride: Ride, span: Span, limits: Limits) -> Span | None:
    """The longest stretch of a span with the throttle open and no slowing, None if none."""
    name = throttle.by_hand(ride)
    if not name:
        return None
    rows = ride.slice(span)
    pulls = throttle.opening(ride, name)[rows] > limits.throttle_open
    pulls &= motion.acceleration(ride)[rows] > -limits.slowed_ms2
    pulls &= ride.numbers("wheel_speed")[rows] > limits.pulled_kmh
    return ride.where(pulls, begin=rows.start).longest
