"""Speed falls below the set one while cruise holds, and the throttle does not open for it.

What it checks
    Stretches of an engagement in which speed falls away below an unchanged set speed and
    the throttle is no wider open at their end than at their start; and engagements by
    the set button that begin with the throttle shut while speed drops.
Why it matters
    The control asks for more, and the actuator does not pull: vacuum that leaks away, a
    slack cable, a drive that slips.
What else looks like this
    A hill beyond the engine's power: then the throttle opens as far as it can. Speed
    coming back from above after a downhill or the rider's own throttle. The last moments
    before a cancel, when a brake may be on already.
Next step
    On a vacuum system its hoses, valve and reservoir; else slack and free movement of
    the actuator's cable.
References
    A vacuum leak loses 1 to 3 km/h in 10 s; a slack cable drops the speed after each set
    (trade texts on servo systems). A control that feeds back speed opens the throttle
    when speed falls (the making of a cruise control).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import cruise, motion
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.ride import Ride, once

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

GRID_S = 1.0
"""Means over a second: a gust and the steps of both signals are smoothed, a sag is not."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    below_kmh: float = threshold(3.0, "km/h", "beyond the hold band of a level road")
    falls_kmh: float = threshold(2.0, "km/h", "a fall that any control answers")
    from_kmh: float = threshold(
        0.5, "km/h", "below set at the start; from above, speed may fall with the throttle shut"
    )
    lasts_s: float = threshold(4.0, "s", "an actuator has moved by then; vacuum takes 0.5 to 2 s")
    within_s: float = threshold(60.0, "s", "over a longer time the road has changed")
    before_end_s: float = threshold(1.6, "s", "before a cancel a brake may be on already")
    far_kmh: float = threshold(
        8.0, "km/h", "below the set speed for long: cruise follows a vehicle, or is given up soon"
    )
    follows_s: float = threshold(15.0, "s", "held there; an actuator that gives up goes on falling")
    follows_kmh: float = threshold(4.0, "km/h", "spread of speed behind a vehicle")
    power_left: float = threshold(60.0, "%", "wider open, it is the engine that gives no more")
    shut: float = shared(Definitions, "throttle_closed")
    shut_s: float = threshold(
        0.5, "s", "of shut throttle after set; a cable in order pulls at once"
    )
    dips_kmh: float = threshold(2.0, "km/h", "lost after set; 5 to 10 s of a slack cable")
    after_set_s: float = threshold(8.0, "s", "slack is wound up by then")
    winds_up_s: float = threshold(5.0, "s", "a slack cable recovers within 5 to 20 s")
    hand_off_s: float = threshold(1.5, "s", "the button released and the grip closed by then")
    recovers_kmh: float = threshold(
        0.8, "km/h", "won back by then; what stays low is held there, not let down"
    )


@rule(
    needs=("cruise_engaged", "cruise_set_speed", "wheel_speed", "throttle"),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=1.0,
    convict_interval_s=1.0,
    raise_when=RaiseWhen(events=3),
    cruise_only=True,
    holds_steady=True,
    asks="cruise holding, set speed and throttle logged",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """At most one finding an engagement: the deepest fall, else a throttle shut after set."""
    alone = _alone(ride)
    for engagement in cruise.engagements(ride):
        span = engagement.span
        whole = Span(span.start_s, span.end_s - limits.before_end_s)
        if whole.length_s < limits.lasts_s:
            continue
        yield Exposure(seconds=whole.length_s)
        rows = ride.slice(whole)
        held = ride.where(alone[rows], begin=rows.start).at_least(3.0 * GRID_S)
        falls = [found for stretch in held if (found := _fall(ride, stretch, limits))]
        if falls:
            yield max(falls, key=lambda f: f.measured or 0.0)
        elif engagement.sharp_start and (shut := _shut_after_set(ride, whole, limits)):
            yield shut


def _alone(ride: Ride) -> Flags:
    """Rows on which cruise alone works to one set speed, (n,)."""
    alone = np.zeros(len(ride.t_s), dtype=bool)
    for span in cruise.during(ride, "hold", "settling"):
        alone[ride.rows(span)] = True
    for name in ("traction_active", "abs_active"):
        alone &= ride.numbers(name) != 1
    set_kmh = ride.numbers("cruise_set_speed")
    return np.asarray(alone & (np.diff(set_kmh, prepend=set_kmh[:1]) == 0))


@once
def _below(ride: Ride) -> tuple[Floats, Flags]:
    """Speed below the set one, and the rows on which it and the throttle are known, (n,)."""
    below = ride.numbers("cruise_set_speed") - ride.numbers("wheel_speed")
    return below, np.isfinite(below) & np.isfinite(ride.numbers("throttle"))


def _means(ride: Ride, held: Span) -> tuple[Floats, Floats, Floats]:
    """Per second of a stretch: its start, speed below the set one, throttle."""
    (below, known), throttle = _below(ride), ride.numbers("throttle")
    cell, means = motion.cell_means(ride, held, GRID_S, known, below, throttle)
    return held.start_s + cell * GRID_S, means[0], means[1]


def _fall(ride: Ride, held: Span, limits: Limits) -> Finding | None:
    """The deepest fall of a stretch that the throttle did not answer."""
    at_s, below, throttle = _means(ride, held)
    if not (below >= limits.below_kmh).any():
        return None
    step_kmh = motion.step_kmh(ride, "wheel_speed")
    best: tuple[float, int, int] | None = None
    for first in np.flatnonzero(below >= limits.from_kmh).tolist():
        later = slice(first + int(limits.lasts_s / GRID_S), first + int(limits.within_s / GRID_S))
        fell = below[later] - below[first]
        unanswered = (
            (fell >= limits.falls_kmh + 0.5 * step_kmh)
            & (below[later] >= limits.below_kmh)
            & (throttle[later] <= throttle[first])
            & (throttle[later] < limits.power_left)
        )
        if unanswered.any():
            last = int(np.flatnonzero(unanswered)[np.argmax(fell[unanswered])])
            if best is None or fell[last] > best[0]:
                best = (float(fell[last]), first, later.start + last)
    if best is None:
        return None
    fell_kmh, first, last = best
    if _followed(below[last:], limits):
        return None
    return Finding(
        span=Span(float(at_s[first]), float(at_s[last]) + GRID_S),
        message=f"speed fell by {fell_kmh:.1f} km/h to {below[last]:.1f} km/h below the set speed "
        f"in {at_s[last] - at_s[first]:.0f} s while the throttle "
        f"{_moved(float(throttle[first]), float(throttle[last]))}",
        measured=fell_kmh,
        limit=limits.falls_kmh,
        unit="km/h",
        channels=("throttle",),
    )


def _moved(first: float, last: float) -> str:
    """How the throttle moved, at the figures that are printed."""
    if round(first) == round(last):
        return f"stayed at {first:.0f} %"
    return f"went from {first:.0f} % to {last:.0f} %"


def _followed(below: Floats, limits: Limits) -> bool:
    """Whether speed, once fallen, is held far below the set one: behind another vehicle."""
    held = below[: int(limits.follows_s / GRID_S)]
    long = len(held) >= int(limits.follows_s / GRID_S)
    return long and bool(held.min() > limits.far_kmh and np.ptp(held) < limits.follows_kmh)


def _shut_after_set(ride: Ride, whole: Span, limits: Limits) -> Finding | None:
    """Engaged near the set speed with the throttle shut, and speed dropped below it."""
    early = Span(whole.start_s, min(whole.end_s, whole.start_s + limits.after_set_s))
    alone = Span(early.start_s + limits.hand_off_s, early.end_s)
    kinds = {p.kind for p in cruise.phases(ride) if _overlap_s(p.span, alone) > 0}
    if early.length_s < limits.winds_up_s or kinds - {"hold", "settling"}:
        return None
    rows = ride.slice(early)
    t_s, throttle = ride.t_s[rows], ride.numbers("throttle")[rows]
    below = ride.numbers("cruise_set_speed")[rows] - ride.numbers("wheel_speed")[rows]
    known = np.isfinite(below)
    from_kmh = _middle(below[known & (t_s <= early.start_s + GRID_S)])
    to_kmh = _middle(below[known & (t_s >= early.end_s - GRID_S)])
    if np.isnan(from_kmh) or np.isnan(to_kmh) or abs(from_kmh) > limits.below_kmh:
        return None
    closed_at = motion.closed_reading(ride, "throttle")
    half = t_s <= early.start_s + 0.5 * limits.after_set_s
    shut = half & (throttle <= closed_at + limits.shut)
    shut_s = float(motion.row_seconds(ride)[rows][shut].sum())
    # A twentieth of the rows may be noise; the dip itself lasts longer.
    lowest_kmh = float(np.quantile(below[known], 0.95))
    dip_kmh = lowest_kmh - max(from_kmh, 0.0)
    half_step_kmh = 0.5 * motion.step_kmh(ride, "wheel_speed")
    if shut_s < limits.shut_s or dip_kmh < limits.dips_kmh + half_step_kmh:
        return None
    if lowest_kmh - to_kmh < limits.recovers_kmh + half_step_kmh:
        return None
    return Finding(
        span=early,
        message=f"cruise engaged with the throttle shut for {shut_s:.1f} s, and speed dropped "
        f"{dip_kmh:.1f} km/h below the set speed",
        measured=dip_kmh,
        limit=limits.dips_kmh,
        unit="km/h",
        channels=("throttle",),
    )


def _middle(values: Floats) -> float:
    return float(np.median(values)) if len(values) else float("nan")


def _overlap_s(a: Span, b: Span) -> float:
    return min(a.end_s, b.end_s) - max(a.start_s, b.start_s)
