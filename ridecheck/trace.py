"""Every cancel of one ride to its second: what moved first, and what the log could have shown.

Pure: a ride in, records out. Nothing here weighs a bike.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from ridecheck.catalog import PANEL
from ridecheck.catalog import channels as catalog
from ridecheck.model import Cancel, ChannelFacts, Note, Part, PartRef, Settings, Span
from ridecheck.occasions import Occasion, occasions
from ridecheck.signals import brakes, cruise, motion
from ridecheck.signals.holds import with_inferred_holds
from ridecheck.signals.order import AFTER_S, BEFORE_S, Move, moves, order
from ridecheck.signals.ride import Ride, once
from ridecheck.signals.switches import BLANK, Run
from ridecheck.statistics import pulse_seen, seen_at_least_once

BOUNCES_S = (0.02, 0.05, 0.1)
"""Lengths of pulse that contacts make by themselves: a bounce, a flicker, a bad plug
(common practice)."""

CLEARED = 0.05
"""A fault that would have stayed unseen with less than this chance is nearly ruled out."""

CAUGHT = 0.9
"""The kilometres asked for next give this chance of one more cancel."""

AROUND_S = 5.0
"""An instant that is asked for is looked at this far to both sides."""

MARKER_S = 15.0
"""The rider's marker button belongs to a cancel up to this long before."""

STICKS_S, STICKS_KMH = 10.0, 30.0
"""Nobody brakes or holds the clutch this long and rides on at this speed (common practice)."""

SEVERAL = 3
"""So many unrelated switches in one row point at supply, earth or logger."""

TAPS = (
    "Taps on brake and speed wires are fitted by a qualified person. Look at the brake lamp, each "
    "control alone, after fitting and after removal."
)


@dataclass(frozen=True, slots=True)
class TracedCancel:
    """One cancel with what moved round it.

    moves: from 3 s before to 2 s after, in order. order: which was first, one sentence.
    remarks: what speaks for a hand or a fault. marker_s and press_s: seconds from the
    cancel to the rider's marker button and to the next set, resume or engagement.
    """

    cancel: Cancel
    engaged_s: float
    moves: tuple[Move, ...]
    order: str
    remarks: tuple[str, ...] = ()
    marker_s: float | None = None
    press_s: float | None = None


@dataclass(frozen=True, slots=True)
class Detectable:
    """Could a pulse of an input have been seen? chance: per event; unseen: none in all events.

    interval_s None: not logged. through: the channel that stands in, "" for its own.
    """

    channel: str
    through: str
    pulse_s: float
    interval_s: float | None
    latched: bool
    chance: float
    events: int
    unseen: float


@dataclass(frozen=True, slots=True)
class NextRide:
    """What to log, and how far to ride, so that the next cancel names its cause."""

    add: tuple[str, ...]
    faster: tuple[str, ...]
    km: float | None
    told: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StripChannel:
    """One channel over a strip: seconds from the cancel, and values (None is blank)."""

    name: str
    kind: str
    unit: str
    t_s: tuple[float, ...]
    values: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Strip:
    """All channels round one cancel, from before_s before it to after_s after."""

    before_s: float
    after_s: float
    row_s: float
    channels: tuple[StripChannel, ...]


@dataclass(frozen=True, slots=True)
class View:
    """What moved round an instant that was asked for and is no cancel."""

    at_s: float
    time: datetime | None
    moves: tuple[Move, ...]
    strip: Strip


@dataclass(frozen=True, slots=True)
class RideTrace:
    """One ride's cancels, in order. inferred: holds were guessed from steady speed."""

    ride: str
    bike: str
    model: str
    time_zone: str
    start: datetime | None
    end: datetime | None
    duration_s: float
    parts: tuple[PartRef, ...]
    channels: dict[str, ChannelFacts]
    notes: tuple[Note, ...]
    engaged_km: float
    engagements: int
    inferred: bool
    cancels: tuple[TracedCancel, ...]
    strips: tuple[Strip, ...]
    detectable: tuple[Detectable, ...]
    occasions: tuple[Occasion, ...]
    next_ride: NextRide
    view: View | None = None


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

    at_s: seconds from the ride's start; only cancels within around_s (5 s) of it are told
    one by one, or, where there is none, what moved there; what is said of the whole ride
    still counts all. around_s: reach of the strips to both sides (3 s before and 2 s after
    without it); the order is always judged from 3 s before to 2 s after. remarks: what
    else happened (wash, rain), told as it is.
    """
    info = parts[0].info
    logged = Ride(ride_id or info.stem, bike or info.bike, parts, settings)
    ride, inferred = logged, False
    if not logged.has("cruise_engaged"):
        guessed = with_inferred_holds(parts, settings, logged)
        ride, inferred = guessed or logged, guessed is not None
    cancels = [_guess(c) if inferred else c for c in cruise.cancels(ride)]
    traced = [_traced(ride, c, time_zone) for c in cancels]
    reach_s = AROUND_S if around_s is None else around_s
    chosen = [t for t in traced if at_s is None or abs(t.cancel.t_s - at_s) <= reach_s]
    before_s, after_s = (BEFORE_S, AFTER_S) if around_s is None else (around_s, around_s)
    open_causes = [c for c in cancels if c.cause == "unexplained"]
    unwanted = [c for c in cancels if c.commanded is False or c.cause == "unexplained"]
    detectable = _detectable(ride, len(open_causes))
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
        engaged_km=totals.engaged_km,
        engagements=totals.engagements,
        inferred=inferred,
        cancels=tuple(chosen),
        strips=tuple(_strip(ride, t.cancel.t_s, before_s, after_s) for t in chosen),
        detectable=detectable,
        occasions=occasions(ride, unwanted),
        next_ride=_next_ride(logged, detectable, unwanted, totals.engaged_km),
        view=None if at_s is None or chosen else _view(ride, at_s, reach_s, dated=dated),
    )


def _view(ride: Ride, at_s: float, around_s: float, *, dated: bool) -> View:
    return View(
        at_s=at_s,
        time=ride.start + timedelta(seconds=at_s) if dated else None,
        moves=moves(ride, at_s, before_s=around_s, after_s=around_s),
        strip=_strip(ride, at_s, around_s, around_s),
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
        max(t_s - cruise.LOOK_BACK_S - min(refresh_s, 2.0), engaged_from_s),
        t_s + max(cruise.LOOK_AHEAD_S, min(refresh_s, 2.0)),
    )
    first = order(found, t_s, near=near)
    held = cancel.cause not in ("unexplained", "log_end") and not first.rivals
    return TracedCancel(
        cancel=replace(cancel, local_time=_local(cancel.time, time_zone)),
        engaged_s=t_s - engaged_from_s,
        moves=found,
        order=_order_told(cancel, first.told, held=held),
        remarks=tuple(_remarks(ride, cancel, found)),
        marker_s=_marker_s(ride, t_s),
        press_s=_press_s(ride, t_s),
    )


def _order_told(cancel: Cancel, told: str, *, held: bool) -> str:
    if cancel.cause == "log_end":
        return "the log ends with cruise engaged"
    if held:
        return "nothing changed in the second before; what ended it was there already"
    return told


def _local(instant: datetime | None, time_zone: str) -> str | None:
    """The instant on the fleet's clock, to the millisecond."""
    if instant is None:
        return None
    here = instant.astimezone(ZoneInfo(time_zone))
    return f"{here:%Y-%m-%d %H:%M:%S}.{here.microsecond // 1000:03d} {here:%Z}"


# ---------------------------------------------------------------- a hand or a fault


def _remarks(ride: Ride, cancel: Cancel, found: Sequence[Move]) -> Iterable[str]:
    channel = _pulsing_channel(ride, cancel)
    if channel:
        pulses = short_pulses(ride, channel)
        off = sum(ride.runs("cruise_engaged").value_at(p.start_s - 1e-3) == 0 for p in pulses)
        others = len(pulses) - 1
        plain = channel.replace("_", " ")
        if others > 0:
            yield (
                f"{len(pulses)} short pulses nobody made on the {plain} in this ride, "
                f"{off} of them with cruise off"
            )
        elif others == 0:
            yield f"the only short pulse nobody made on the {plain} in this ride"
    yield from _stays_on(ride, cancel)
    if cancel.cause == "clutch":
        yield from _clutch_parts(ride, cancel)
    together = _together(found, cancel.t_s)
    if len(together) >= SEVERAL:
        names = ", ".join(n.replace("_", " ") for n in together)
        yield (
            f"{len(together)} unrelated switches changed in one row ({names}): look at supply, "
            "earth and logger before any of them"
        )


def _pulsing_channel(ride: Ride, cancel: Cancel) -> str:
    """The switch whose short pulse ended the engagement, "" where none did."""
    pulse_s = cancel.pulse_s
    channel = {
        "cancel_switch": "switch_cancel",
        "power_switch": "cruise_armed",
    }.get(cancel.cause, cancel.cause)
    if pulse_s is None or pulse_s > cruise.SHORT_PULSE_S + 1e-6 or cancel.commanded:
        return ""
    return channel if channel in catalog() and ride.has(channel) else ""


@once
def short_pulses(ride: Ride, channel: str) -> tuple[Run, ...]:
    """On-runs of a switch too short for a hand, after which the bike did not slow."""
    rate_ms2 = motion.acceleration(ride) if ride.has("wheel_speed") else np.empty(0)
    found = []
    for run in ride.runs(channel).on():
        sharp = run.sharp_start and run.sharp_end
        if not sharp or run.length_s > cruise.SHORT_PULSE_S + 1e-6:
            continue
        after = rate_ms2[ride.slice(Span(run.start_s - 0.2, run.end_s + 1.5))]
        known = after[np.isfinite(after)]
        if len(known) and -float(known.min()) > cruise.HARD_MS2:
            continue
        found.append(run)
    return tuple(found)


def _stays_on(ride: Ride, cancel: Cancel) -> Iterable[str]:
    """A control that stays on while the bike rides on: a switch that sticks looks so."""
    channel = cancel.cause
    if channel not in (*brakes.CONTROLS, "brake_lamp", "clutch", "roll_off") or not ride.has(
        channel
    ):
        return
    run = next((r for r in ride.runs(channel).on() if r.start_s <= cancel.t_s < r.end_s), None)
    if run is None or run.length_s < STICKS_S:
        return
    speed = ride.numbers("wheel_speed")[ride.slice(Span(cancel.t_s + 2.0, run.end_s))]
    if np.isfinite(speed).any() and float(np.nanmedian(speed)) > STICKS_KMH:
        plain = channel.replace("_", " ")
        yield (
            f"{plain} stayed on for {run.length_s:.0f} s, at {np.nanmedian(speed):.0f} km/h: a "
            "switch that sticks or a control that drags looks so"
        )


def _clutch_parts(ride: Ride, cancel: Cancel) -> Iterable[str]:
    """Did engine and wheel part, as they do behind a clutch that is pulled?"""
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = ride.numbers("engine_speed") / ride.numbers("wheel_speed")
    before = ratio[ride.slice(Span(cancel.t_s - 2.0, cancel.t_s - 0.5))]
    after = ratio[ride.slice(Span(cancel.t_s - 0.2, cancel.t_s + 1.5))]
    if not (np.isfinite(before).any() and np.isfinite(after).any()):
        return
    change = float(np.nanmax(np.abs(after / np.nanmedian(before) - 1.0)))
    verb = "parted" if change > 0.06 else "did not part"
    yield f"engine and wheel {verb} (ratio within {100 * change:.0f} %)"


BRAKE_LINE = ("front_brake", "rear_brake", "brake_lamp")


def _together(found: Sequence[Move], t_s: float) -> list[str]:
    """Unrelated switches that changed in the row of the cancel; the brake line counts once."""
    names = {
        "brake" if m.channel in BRAKE_LINE else m.channel
        for m in found
        if abs(m.at_s - t_s) < 1e-3
        and m.channel != "cruise_engaged"
        and catalog()[m.channel].kind == "switch"
    }
    return sorted(names)


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
    return min((s for s in later if s <= cruise.VOTE_S), default=None)


# ---------------------------------------------------------------- what could be seen


def _detectable(ride: Ride, unexplained: int) -> tuple[Detectable, ...]:
    """For each input that can end cruise: which pulses this log would show."""
    inputs = [*cruise.must_cancel_channels(ride), *(PANEL[p] for p in ride.settings.cruise.panel)]
    inputs += ["side_stand", "supply_voltage"]
    return tuple(
        _seen(ride, channel, pulse_s, unexplained)
        for channel in dict.fromkeys(inputs)
        for pulse_s in BOUNCES_S
    )


def _seen(ride: Ride, channel: str, pulse_s: float, events: int) -> Detectable:
    through = _shown_by(ride, channel)
    if through is None:
        return Detectable(channel, "", pulse_s, None, False, 0.0, events, 1.0)
    facts = ride.channels[through]
    interval_s = max(facts.interval_s, ride.row_interval_s)
    chance = pulse_seen(pulse_s, interval_s, latched=facts.latched)
    unseen = 1.0 - seen_at_least_once(chance, events) if events else 1.0 - chance
    stands_in = through if through != channel else ""
    return Detectable(
        channel, stands_in, pulse_s, interval_s, facts.latched, chance, events, unseen
    )


def _shown_by(ride: Ride, channel: str) -> str | None:
    """The channel that shows an input: its own, else what stands in for a brake switch."""
    names = [channel]
    if channel in brakes.CONTROLS:
        names += ["brake_lamp", f"{channel}_pressure"]
    return next((n for n in names if ride.has(n)), None)


# ---------------------------------------------------------------- the next ride


def _next_ride(
    ride: Ride, detectable: Sequence[Detectable], unwanted: Sequence[Cancel], engaged_km: float
) -> NextRide:
    add = tuple(dict.fromkeys(d.channel for d in detectable if d.interval_s is None))
    if not ride.has("cruise_engaged"):
        add = ("cruise_engaged", *add)
    shortest_s = BOUNCES_S[0]
    slow = tuple(
        dict.fromkeys(
            d.channel
            for d in detectable
            if d.interval_s is not None and d.pulse_s == shortest_s and d.chance < CAUGHT
            if d.channel != "supply_voltage"
        )
    )
    km = -math.log(1.0 - CAUGHT) * engaged_km / len(unwanted) if unwanted and engaged_km else None
    told = []
    if add:
        told.append(f"Log also: {_listed(add)}.")
    if slow:
        told.append(
            f"Log {_listed(slow)} at {1.0 / shortest_s:.0f} Hz or faster, or latched (on if it was "
            f"on at any time since the last row): a {1000 * shortest_s:.0f} ms bounce then shows "
            "every time."
        )
    told.append(_km_told(km, len(unwanted), engaged_km))
    if add or slow:
        told.append(TAPS)
    return NextRide(add=add, faster=slow, km=km, told=tuple(told))


def _listed(channels: Sequence[str]) -> str:
    return ", ".join(c.replace("_", " ").replace("roll off", "roll-off") for c in channels)


def _km_told(km: float | None, unwanted: int, engaged_km: float) -> str:
    if km is None:
        return (
            f"No cancel without a rider's action in {engaged_km:.1f} km with cruise holding: how "
            "far to ride for one cannot be said."
        )
    noun = "cancel" if unwanted == 1 else "cancels"
    return (
        f"About {km:.0f} km with cruise holding, under like conditions, to catch one more with "
        f"{100 * CAUGHT:.0f} % ({unwanted} {noun} not asked for or unexplained in "
        f"{engaged_km:.1f} km)."
    )


# ---------------------------------------------------------------- strips


def _strip(ride: Ride, t_s: float, before_s: float, after_s: float) -> Strip:
    rows = ride.slice(Span(t_s - before_s, t_s + after_s))
    return Strip(
        before_s=before_s,
        after_s=after_s,
        row_s=ride.row_interval_s,
        channels=tuple(_strip_channel(ride, name, rows, t_s) for name in _drawn(ride)),
    )


NOT_DRAWN = ("odometer", "altitude", "coolant_temperature", "air_temperature")


def _drawn(ride: Ride) -> list[str]:
    """Channels of a strip, in the catalogue's order; what stands still for hours is left out."""
    return [n for n in catalog() if n not in NOT_DRAWN and ride.has(n)]


def _strip_channel(ride: Ride, name: str, rows: slice, centre_s: float) -> StripChannel:
    entry = catalog()[name]
    values = ride.numbers(name)[rows]
    return StripChannel(
        name=name,
        kind=entry.kind,
        unit=entry.unit,
        t_s=tuple(round(float(t), 4) for t in ride.t_s[rows] - centre_s),
        values=tuple(None if math.isnan(v) or v == BLANK else round(float(v), 3) for v in values),
    )
