"""Every cancel of one ride to its second. Pure: a ride in, records out."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from ridecheck.core.model import Cancel, Note, Part, PartRef, Settings, Span
from ridecheck.ride.sketch import sketch
from ridecheck.signals import cancels, cruise
from ridecheck.signals.holds import with_inferred_holds
from ridecheck.signals.order import AFTER_S, BEFORE_S, moves, order
from ridecheck.signals.ride import Ride
from ridecheck.trace.hand_or_fault import hints
from ridecheck.trace.occasions import occasions
from ridecheck.trace.records import RideTrace, TracedCancel, View
from ridecheck.trace.strips import strip
from ridecheck.trace.visibility import detectable, next_ride

AROUND_S = 5.0
"""A chosen instant is looked at this far to both sides."""

MARKER_S = 15.0
"""The rider's marker button belongs to a cancel up to this long before."""


def trace_ride(
    parts: Sequence[Part],
    settings: Settings,
    *,
    bike: str = "",
    ride_id: str = "",
    time_zone: str = "UTC",
    remarks: Iterable[str] = (),
    at_s: float | None = None,
    around_s: float | None = None,
) -> RideTrace:
    """Trace every cancel of a ride made of these parts, in time order.

    at_s: seconds from the ride's start; only cancels within around_s (5 s) of it are shown
    one by one, or, where there is none, what moved there; what is said of the whole ride
    still counts all. around_s: reach of the strips to both sides (3 s before and 2 s after
    without it); the order is always judged from 3 s before to 2 s after. remarks: what
    else happened (wash, rain), shown as it is.
    """
    info = parts[0].info
    logged = Ride(ride_id or info.stem, bike or info.bike, parts, settings)
    ride, inferred = logged, False
    if not logged.has("cruise_engaged"):
        guessed = with_inferred_holds(parts, settings, logged)
        ride, inferred = guessed or logged, guessed is not None
    ended = [_guess(c) if inferred else c for c in cancels.cancels(ride)]
    traced = [_traced(ride, c, time_zone) for c in ended]
    reach_s = AROUND_S if around_s is None else around_s
    chosen = [t for t in traced if at_s is None or abs(t.cancel.t_s - at_s) <= reach_s]
    before_s, after_s = (BEFORE_S, AFTER_S) if around_s is None else (around_s, around_s)
    open_causes = [c for c in ended if c.cause == "unexplained"]
    unwanted = [c for c in ended if c.commanded is False or c.cause == "unexplained"]
    seen = detectable(ride, len(open_causes))
    totals = cruise.totals(ride)
    dated = info.dating == "time"
    return RideTrace(
        ride=ride.id,
        bike=ride.bike,
        model=settings.model,
        time_zone=time_zone,
        start=ride.start if dated else None,
        end=ride.start + timedelta(seconds=ride.duration_s) if dated else None,
        duration_s=ride.duration_s,
        parts=tuple(PartRef(p.info.log, p.info.sha256, p.info.stem) for p in parts),
        channels=dict(logged.channels),
        notes=(*(n for p in parts for n in p.info.notes), *(Note("rows", r) for r in remarks)),
        latency=cancels.disengages_after(ride),
        engaged_km=totals.engaged_km,
        engagements=totals.engagements,
        inferred=inferred,
        cancels=tuple(chosen),
        strips=tuple(strip(ride, t.cancel.t_s, before_s, after_s) for t in chosen),
        detectable=seen,
        occasions=occasions(ride, unwanted),
        next_ride=next_ride(logged, seen, unwanted, totals.engaged_km),
        sketch=sketch(ride),
        view=None if at_s is None or chosen else _view(ride, at_s, reach_s, dated=dated),
    )


def _view(ride: Ride, at_s: float, around_s: float, *, dated: bool) -> View:
    return View(
        at_s=at_s,
        time=ride.start + timedelta(seconds=at_s) if dated else None,
        moves=moves(ride, at_s, before_s=around_s, after_s=around_s),
        strip=strip(ride, at_s, around_s, around_s),
    )


def _guess(cancel: Cancel) -> Cancel:
    """A cancel of a guessed hold: never called a fault, for cruise may not have been on."""
    commanded = cancel.commanded if cancel.cause != "unexplained" else None
    return replace(cancel, inferred=True, commanded=commanded or None)


def _traced(ride: Ride, cancel: Cancel, time_zone: str) -> TracedCancel:
    t_s = cancel.t_s
    engaged_from_s = max(
        (e.span.start_s for e in cruise.engagements(ride) if e.span.start_s < t_s), default=0.0
    )
    found = moves(ride, t_s)
    refresh_s = ride.interval_s("cruise_engaged")
    near = Span(
        max(t_s - cancels.LOOK_BACK_S - min(refresh_s, 2.0), engaged_from_s),
        t_s + max(cancels.LOOK_AHEAD_S, min(refresh_s, 2.0)),
    )
    first = order(found, t_s, near=near)
    held = cancel.cause not in ("unexplained", "log_end") and not first.rivals
    return TracedCancel(
        cancel=replace(cancel, local_time=_local(cancel.time, time_zone)),
        engaged_s=t_s - engaged_from_s,
        moves=found,
        order=_order_sentence(cancel, first.sentence, held=held),
        remarks=tuple(hints(ride, cancel, found)),
        marker_s=_marker_s(ride, t_s),
        press_s=_press_s(ride, t_s),
    )


def _order_sentence(cancel: Cancel, sentence: str, *, held: bool) -> str:
    if cancel.cause == "log_end":
        return "the log ends with cruise engaged"
    if held:
        return "nothing changed in the second before; what ended it was there already"
    return sentence


def _local(instant: datetime | None, time_zone: str) -> str | None:
    """The instant on the fleet's clock, to the millisecond."""
    if instant is None:
        return None
    here = instant.astimezone(ZoneInfo(time_zone))
    return f"{here:%Y-%m-%d %H:%M:%S}.{here.microsecond // 1000:03d} {here:%Z}"


def _marker_s(ride: Ride, t_s: float) -> float | None:
    """Seconds from a cancel to the rider's marker button, None where it was not pressed."""
    if not ride.has("marker"):
        return None
    pressed = [r.start_s - t_s for r in ride.runs("marker").on() if r.start_s >= t_s - 1e-6]
    return min((s for s in pressed if s <= MARKER_S), default=None)


def _press_s(ride: Ride, t_s: float) -> float | None:
    """Seconds from a cancel to the next set or resume press, else to the next engagement."""
    starts = [
        r.start_s for n in ("switch_set", "switch_resume") if ride.has(n) for r in ride.runs(n).on()
    ]
    starts += [e.span.start_s for e in cruise.engagements(ride)]
    later = [s - t_s for s in starts if s > t_s + 1e-3]
    return min((s for s in later if s <= cancels.VOTE_S), default=None)
