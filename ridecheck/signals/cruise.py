"""Cruise control as the log shows it: engagements and their phases."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.catalog import PANEL
from ridecheck.core.model import Span
from ridecheck.signals import motion, throttle
from ridecheck.signals.intervals import Intervals
from ridecheck.signals.ride import Ride, once
from ridecheck.signals.switches import Run

Floats = NDArray[np.float64]

Flags = NDArray[np.bool_]

CHANNELS = ("cruise_engaged", "cruise_armed", "cruise_set_speed")

FLICKER_S = 0.25
"""An engaged flag gone, or there, no longer than this is chatter of the flag: no hand
cancels and sets again in a quarter of a second."""

PANEL_S = 0.5
"""Two presses of set or resume within this, as cruise disengages, are none of a hand's."""

SETTLE_S = 10.0
"""Cable slack and lag are over this long after engaging or a new set speed."""


@dataclass(frozen=True, slots=True)
class Engagement:
    """Rows in which cruise was engaged without a break.

    sharp_start, sharp_end: the edge was seen between two adjacent rows of known value;
    an edge hidden by a gap or blank is neither an engagement nor a cancel.
    log_end: still engaged at the ride's last row.
    """

    span: Span
    sharp_start: bool
    sharp_end: bool
    log_end: bool


@dataclass(frozen=True, slots=True)
class Totals:
    """A ride's sums. engagements counts those whose start was seen, and the first row's."""

    engagements: int
    engaged_s: float
    engaged_km: float
    distance_km: float


def logged(ride: Ride) -> bool:
    """Is any cruise channel logged?"""
    return any(ride.has(name) for name in CHANNELS)


@once
def engagements(ride: Ride) -> tuple[Engagement, ...]:
    """Engagements in order; flicker of the flag up to FLICKER_S is smoothed away first."""
    merged: list[Run] = []
    for run in ride.runs("cruise_engaged"):
        if run.value != 1:
            continue
        previous = merged[-1] if merged else None
        flicker = previous is not None and previous.sharp_end and run.sharp_start
        if previous is not None and flicker and _flag_chatters(ride, previous.end_s, run.start_s):
            merged[-1] = Run(previous.start_s, run.end_s, 1, previous.sharp_start, run.sharp_end)
        else:
            merged.append(run)
    last_s = ride.t_s[-1] if len(ride.t_s) else 0.0
    return tuple(
        Engagement(r.span, r.sharp_start, r.sharp_end, log_end=bool(r.end_s > last_s))
        for r in merged
        if not (_is_flicker(r) and not pressed_before(ride, r.start_s))
    )


def must_obey(ride: Ride, channel: str) -> bool:
    """Whether cruise must disengage by an input; by the grip only where the model says so."""
    return channel != "roll_off" or channel in ride.settings.cruise.must_cancel


@once
def engaged(ride: Ride) -> Intervals:
    """When cruise was engaged."""
    return Intervals.of(e.span for e in engagements(ride))


def _flag_chatters(ride: Ride, end_s: float, again_s: float) -> bool:
    """Is a gap of the flag its own chatter? Not where the panel chatters: it sets cruise again."""
    short = again_s - end_s <= FLICKER_S + 1e-9
    return short and not panel_chatters(ride, Span(end_s - PANEL_S, again_s))


def panel_chatters(ride: Ride, span: Span) -> bool:
    """Do set and resume go on more often in a stretch of about PANEL_S than a hand presses them?"""
    presses = 0
    for button in (PANEL["set"], PANEL["resume"]):
        if ride.has(button):
            runs = ride.runs(button)
            starts_s = runs.start_s[(runs.value == 1) & runs.sharp_start]
            within = (starts_s >= span.start_s) & (starts_s <= span.end_s + 1e-9)
            presses += int(within.sum())
    return presses > 1


def _is_flicker(run: Run) -> bool:
    return run.sharp_start and run.sharp_end and run.length_s <= FLICKER_S + 1e-9


def pressed_before(ride: Ride, t_s: float, *, within_s: float = 2.0) -> bool | None:
    """Was set or resume pressed within a time before an instant (or at its own row)?

    None where neither shows a press but one is not logged, blank there, or the log has
    only just begun.
    """
    buttons = [PANEL[name] for name in ("set", "resume")]
    span = Span(t_s - within_s, t_s)
    answers = [ride.runs(b).any_on(span) if ride.has(b) else None for b in buttons]
    if True in answers:
        return True
    return None if None in answers else False


@once
def totals(ride: Ride) -> Totals:
    """Distance and engaged distance, from wheel speed (else the other speeds)."""
    names = ("wheel_speed", "front_wheel_speed", "gps_speed")
    name = next((n for n in names if ride.has(n)), "wheel_speed")
    km = np.nan_to_num(ride.numbers(name)) * motion.row_seconds(ride) / 3600.0
    engaged = ride.numbers("cruise_engaged") == 1
    return Totals(
        engagements=sum(e.sharp_start or e.span.start_s <= 0.0 for e in engagements(ride)),
        engaged_s=float(motion.row_seconds(ride)[engaged].sum()),
        engaged_km=float(km[engaged].sum()),
        distance_km=float(km.sum()),
    )


# ---------------------------------------------------------------- phases

PhaseKind = Literal["settling", "hold", "override", "accelerate", "coast"]


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of an engagement: what cruise was doing, and the set speed it worked to."""

    kind: PhaseKind
    span: Span
    set_kmh: float


@once
def phases(ride: Ride) -> tuple[Phase, ...]:
    """Engagements cut into phases. Hold quality may be judged in "hold" alone.

    set_kmh: as logged, else NaN. accelerate and coast: a panel button is held; override:
    the grip is open (or, grip not logged, speed is above set by more than hills explain
    while the throttle is wider open than it held before).
    """
    return tuple(phase for e in engagements(ride) for phase in _phases_of(ride, e))


@once
def during(ride: Ride, *kinds: PhaseKind) -> Intervals:
    """The time of some kinds of phases."""
    return Intervals.of(p.span for p in phases(ride) if p.kind in kinds)


def _phases_of(ride: Ride, engagement: Engagement) -> Iterator[Phase]:
    rows = ride.slice(Span(engagement.span.start_s, engagement.span.end_s - 1e-6))
    t_s = ride.t_s[rows]
    if not len(t_s):
        return
    codes = np.full(len(t_s), 1)
    codes[_overridden(ride, rows)] = 2
    for button, code in (("switch_resume", 3), ("switch_set", 4)):
        codes[np.nan_to_num(ride.numbers(button)[rows]) == 1] = code
    set_kmh = ride.numbers("cruise_set_speed")[rows]
    changed = np.concatenate(([False], np.abs(np.diff(np.nan_to_num(set_kmh))) > 0))
    # Everything but hold is followed by a time in which speed finds back to the set one.
    restless = (codes != 1) | changed
    last = np.maximum.accumulate(np.where(restless, np.arange(len(t_s)), 0))
    codes[(codes == 1) & (t_s - t_s[last] < SETTLE_S)] = 0
    names: tuple[PhaseKind, ...] = ("settling", "hold", "override", "accelerate", "coast")
    starts = np.flatnonzero(np.diff(codes, prepend=-1) != 0)
    ends = np.append(starts[1:], len(t_s))
    for a, b in zip(starts, ends, strict=True):
        end_s = t_s[b] if b < len(t_s) else engagement.span.end_s
        yield Phase(names[codes[a]], Span(float(t_s[a]), float(end_s)), motion.median(set_kmh[a:b]))


OVERRIDE_KMH = 5.0
"""Above set by more than this is a rider's own throttle, or a hill."""


def _overridden(ride: Ride, rows: slice) -> Flags:
    """Rows of an engagement in which the rider asks for more than cruise does."""
    speed, set_kmh = ride.numbers("wheel_speed")[rows], ride.numbers("cruise_set_speed")[rows]
    if ride.has(throttle.GRIP):
        return throttle.is_open(ride, throttle.GRIP)[rows]
    return np.asarray(speed > set_kmh + OVERRIDE_KMH)
