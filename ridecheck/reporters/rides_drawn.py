"""Rides in little: the last ones on the board, whole ones on a bike's page, and its history."""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from ridecheck.core.model import BikeReport, Cancel, RideSummary, Severity, Sketch, Span, Trend
from ridecheck.core.packed import unpacked
from ridecheck.core.units import KM_PER_MILE
from ridecheck.reporters import wording
from ridecheck.reporters.drawing import (
    Drawing,
    Label,
    Row,
    bars,
    label_at,
    lane_of,
    ticks,
    value_row,
)

LAST_RIDES = 10
"""Rides that the board draws of a bike."""
WHOLE_RIDES = 8
"""Rides that a bike's page draws whole."""
STEP, HALF = 9, 11
"""Units across of one ride in the board's drawing, and from its line up or down."""
LOW_ROW = 12.0
LEAST_TREND = 4
"""A measure with fewer rides than this has no course to draw."""
MOST_REPAIRS = 4
"""Repairs named over a history; the list under it has them all."""
FULL = 9
"""This many cancels of one kind fill a ride's bar; heights grow as the root, so one is seen."""


# ------------------------------------------------------------------------- the board's


@dataclass(frozen=True, slots=True)
class Spark:
    """The last rides, oldest first: up, cancels that the rider commanded; down, those not.

    rides: x, height up, height down, height of undetermined ones, and whether it counts.
    """

    label: str
    width: int
    rides: tuple[tuple[int, float, float, float, bool], ...]


@dataclass(frozen=True, slots=True)
class RideCounts:
    """Cancels of one ride by who made them."""

    commanded: int
    uncommanded: int
    undetermined: int
    counts: bool


def last_rides(bike: BikeReport, most: int = LAST_RIDES) -> list[RideCounts]:
    """Cancels of the last rides, oldest first; undated rides come first."""
    tally: dict[str, list[Cancel]] = defaultdict(list)
    for cancel in bike.cancels:
        if cancel.cause != "log_end":
            tally[cancel.ride].append(cancel)
    rides = sorted(bike.rides, key=lambda r: (r.start is not None, r.start or r.ride, r.ride))
    return [
        RideCounts(
            commanded=sum(c.commanded is True for c in tally[r.ride]),
            uncommanded=sum(c.commanded is False for c in tally[r.ride]),
            undetermined=sum(c.commanded is None for c in tally[r.ride]),
            counts=r.counts,
        )
        for r in rides[-most:]
    ]


def spark(bike: BikeReport) -> Spark | None:
    """The board's drawing of a bike's last rides; None without a ride."""
    rides = last_rides(bike)
    if not rides:
        return None
    total = [sum(getattr(r, k) for r in rides) for k in ("commanded", "uncommanded")]
    undetermined = sum(r.undetermined for r in rides)
    left_out = sum(not r.counts for r in rides)
    label = (
        f"Last {wording.count(len(rides), 'ride')}: {total[0]} cancels commanded, "
        f"{total[1]} uncommanded, {undetermined} undetermined"
        + (f"; {wording.count(left_out, 'ride')} left out" if left_out else "")
    )
    return Spark(
        label=label,
        width=STEP * LAST_RIDES,
        rides=tuple(
            (
                STEP * (LAST_RIDES - len(rides) + i) + 1,
                _high(r.commanded),
                _high(r.uncommanded),
                _high(r.undetermined),
                r.counts,
            )
            for i, r in enumerate(rides)
        ),
    )


def _high(number: int) -> float:
    """Units of a bar for so many cancels; one is always seen, more than FULL are not higher."""
    return round((HALF - 1) * math.sqrt(min(number, FULL) / FULL), 1)


# ------------------------------------------------------------------------- whole rides


def overview(bike: BikeReport, zone: str, *, speed: bool, units: str) -> Drawing | None:
    """The newest rides over one scale: where the log has rows, where cruise held, cancels."""
    rides = sorted(
        (r for r in bike.rides if r.sketch is not None and r.sketch.length_s > 0),
        key=lambda r: (r.start is None, -r.start.timestamp() if r.start else 0.0, r.ride),
    )[:WHOLE_RIDES]
    if not rides:
        return None
    window = Span(0.0, max(r.sketch.length_s for r in rides if r.sketch))
    rows: list[Row] = []
    for ride in rides:
        rows.append(_ride_row(ride, bike.cancels, window, zone))
        if speed:
            rows += _speed_row(ride, window, units)
    return Drawing(
        label="Whole rides, newest first: rows logged, cruise held, cancels",
        from_s=0.0,
        to_s=window.end_s,
        rows=tuple(rows),
        ticks=ticks(window),
    )


def sketch_drawing(sketch: Sketch, cancels: Sequence[Cancel]) -> Drawing | None:
    """One ride in little."""
    if sketch.length_s <= 0:
        return None
    window = Span(0.0, sketch.length_s)
    return Drawing(
        label="The whole ride: rows logged, cruise held, cancels",
        from_s=0.0,
        to_s=window.end_s,
        rows=(_sketch_row("the whole ride", "", sketch, cancels, window),),
        ticks=ticks(window),
    )


def _ride_row(ride: RideSummary, cancels: Sequence[Cancel], window: Span, zone: str) -> Row:
    assert ride.sketch is not None
    own = [c for c in cancels if c.ride == ride.ride]
    name = wording.moment(ride.start, zone, seconds=False)
    return _sketch_row(name, "" if ride.counts else "does not count", ride.sketch, own, window)


def _sketch_row(
    name: str, remark: str, sketch: Sketch, cancels: Sequence[Cancel], window: Span
) -> Row:
    ended = [c for c in cancels if c.cause != "log_end"]
    drawn = [*bars("logged", sketch.logged, window), *bars("held", sketch.held, window)]
    for kind, value in (("commanded", True), ("undetermined", None), ("uncommanded", False)):
        at = [Span(c.t_s, c.t_s) for c in ended if c.commanded is value]
        drawn += bars(kind, at, window, least=2.5 if value is True else 4.0)
    return Row(
        name=name,
        unit=remark,
        tall=20.0,
        bars=tuple(drawn),
        aside=f"{100.0 * sketch.rows_share:.0f} %",
    )


def _speed_row(ride: RideSummary, window: Span, units: str) -> list[Row]:
    curve = ride.sketch.speed if ride.sketch else None
    return [lane_of([curve], None, window, units)] if curve is not None else []


# ------------------------------------------------------------------------- history


def timeline(bike: BikeReport, zone: str) -> Drawing | None:
    """Rides, what was found, and what people did, over one axis of days."""
    rides = [r for r in bike.rides if r.start is not None]
    found = [f for f in bike.findings if f.finding.start is not None]
    instants = [r.start for r in rides if r.start] + [h.when for h in bike.history]
    if len(instants) < 2:
        return None
    first, last = min(instants), max(instants)
    pad = max((last - first) * 0.02, timedelta(hours=6))
    zero = first - pad
    window = Span(0.0, (last + pad - zero).total_seconds())

    def at(instant: datetime | None) -> Span:
        t_s = (instant - zero).total_seconds() if instant else 0.0
        return Span(t_s, t_s)

    heavy = [f for f in found if f.finding.severity in (Severity.DANGER, Severity.FAULT)]
    rows = [
        Row(
            "rides", tall=LOW_ROW, bars=bars("held", [at(r.start) for r in rides], window, least=5)
        ),
        Row(
            "dangers and faults",
            tall=LOW_ROW,
            bars=(
                *bars(
                    "closed", [at(f.finding.start) for f in heavy if not f.open], window, least=5
                ),
                *bars("found", [at(f.finding.start) for f in heavy if f.open], window, least=5),
            ),
        ),
    ]
    if bike.history:
        done = bars("done", [at(h.when) for h in bike.history], window, least=5)
        rows.append(Row("done by people", tall=LOW_ROW, bars=done))
    rows += [_trend_row(t, bike, zero, window) for t in bike.trends if len(t.values) >= LEAST_TREND]
    repairs = [h for h in bike.history if h.kind == "repair"]
    return Drawing(
        label="History over time: rides, dangers and faults, what people did",
        from_s=0.0,
        to_s=window.end_s,
        rows=tuple(rows),
        ticks=_days(zero, window, zone),
        marks=tuple(
            label_at(at(h.when).start_s, window, f"repair {wording.words(h.part)}".strip(), "press")
            for h in repairs[-MOST_REPAIRS:]
        ),
    )


def _trend_row(trend: Trend, bike: BikeReport, zero: datetime, window: Span) -> Row:
    """A measure of the rides over the same days, each ride a point of its line."""
    starts = {r.ride: r.start for r in bike.rides}
    points = [
        ((start - zero).total_seconds(), value)
        for ride, value in trend.values
        if (start := starts.get(ride)) is not None
    ]
    return value_row(trend.measure.replace("_", " "), trend.unit, sorted(points), window)


def _days(zero: datetime, window: Span, zone: str) -> tuple[Label, ...]:
    """Midnights along a history, no more than five."""
    here = zero.astimezone(ZoneInfo(zone))
    midnight = here.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    days = max(int(window.length_s // 86400), 1)
    step = -(-days // 5)
    found: list[Label] = []
    while (at_s := (midnight - zero).total_seconds()) <= window.end_s:
        found.append(
            label_at(at_s, window, f"{midnight:%Y-%m-%d}" if not found else f"{midnight:%m-%d}")
        )
        midnight += timedelta(days=step)
    return tuple(found)


# ------------------------------------------------------------------------- drivetrain


@dataclass(frozen=True, slots=True)
class Gears:
    """Engine speed against wheel speed: cells the rides spent time in, and the gears' lines.

    cells: x, y, width, height, weight (1 to 4) in thousandths of the drawing. lines: x and y
    of their ends, where the word stands in per cent, and the gear.
    """

    label: str
    cells: tuple[tuple[float, float, float, float, int], ...]
    lines: tuple[tuple[float, float, float, float, float, float, int], ...]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    unit: str
    on_a_gear: float


CELL_KMH, CELL_RPM = 4.0, 200.0


def gears(rides: Iterable[RideSummary], units: str) -> Gears | None:
    """The drawing of all rides that count; None where both speeds are logged in none."""
    seconds: dict[tuple[float, float], float] = defaultdict(float)
    slopes: tuple[float, ...] = ()
    for ride in rides:
        if ride.sketch is None or not ride.counts:
            continue
        slopes = ride.sketch.rpm_per_kmh
        for kmh, rpm, s in unpacked(ride.sketch.gears):
            seconds[kmh or 0.0, rpm or 0.0] += s or 0.0
    if not seconds or not slopes:
        return None
    top_kmh = 20.0 * -(-(max(x for x, _ in seconds) + CELL_KMH) // 20.0)
    top_rpm = 1000.0 * -(-(max(y for _, y in seconds) + CELL_RPM) // 1000.0)
    most, total = max(seconds.values()), sum(seconds.values())
    cells = tuple(
        (
            round(1000.0 * (x - CELL_KMH / 2) / top_kmh, 1),
            round(1000.0 * (1.0 - (y + CELL_RPM / 2) / top_rpm), 1),
            round(1000.0 * CELL_KMH / top_kmh, 1),
            round(1000.0 * CELL_RPM / top_rpm, 1),
            1 + min(int(3.0 * (s / most) ** 0.5), 3),
        )
        for (x, y), s in sorted(seconds.items())
        if s >= 0.0005 * total
    )
    near = sum(s for (x, y), s in seconds.items() if _on_a_gear(x, y, slopes))
    per = KM_PER_MILE if units == "imperial" else 1.0
    step = 20.0 * per if units == "imperial" else 20.0
    return Gears(
        label="Engine speed against wheel speed, with a line for each gear of the model",
        cells=cells,
        lines=tuple(_gear_line(slope, n, top_kmh, top_rpm) for n, slope in enumerate(slopes, 1)),
        x_ticks=tuple(
            (round(100.0 * k * step / top_kmh, 2), f"{k * 20}")
            for k in range(1, int(top_kmh / step) + 1)
        ),
        y_ticks=tuple(
            (round(100.0 * (1.0 - y / top_rpm), 2), f"{y:.0f}")
            for y in range(1000, int(top_rpm), 1000 if top_rpm <= 6000 else 2000)
        ),
        unit="mph" if units == "imperial" else "km/h",
        on_a_gear=near / total,
    )


def _on_a_gear(kmh: float, rpm: float, slopes: Sequence[float]) -> bool:
    """Whether a cell touches the line of a gear."""
    return any(abs(rpm - slope * kmh) <= CELL_RPM / 2 + slope * CELL_KMH / 2 for slope in slopes)


def _gear_line(
    slope: float, gear: int, top_kmh: float, top_rpm: float
) -> tuple[float, float, float, float, float, float, int]:
    """A gear's line from standstill to where it leaves the drawing."""
    end_kmh = min(top_kmh, top_rpm / slope)
    x, y = 1000.0 * end_kmh / top_kmh, 1000.0 * (1.0 - slope * end_kmh / top_rpm)
    return (0.0, 1000.0, round(x, 1), round(y, 1), round(x / 10.0, 2), round(y / 10.0, 2), gear)


# ------------------------------------------------------------------------- controls


CONTROLS = (
    *("front_brake", "rear_brake", "brake_lamp", "clutch", "roll_off"),
    *("switch_power", "switch_set", "switch_resume", "switch_cancel"),
    *("cruise_armed", "cruise_engaged", "side_stand", "run_switch", "neutral_switch"),
)


@dataclass(frozen=True, slots=True)
class ControlSeen:
    """One control over the rides that count; logged False: in none of them."""

    name: str
    logged: bool
    times: int = 0
    short: int = 0
    off: bool = False
    rides: int = 0
    last: datetime | None = None


def controls(rides: Iterable[RideSummary]) -> list[ControlSeen]:
    """How often each control was seen on, and when last; in the order people think of them."""
    counted = [r for r in rides if r.counts and r.sketch is not None]
    seen = []
    for name in CONTROLS:
        uses = [
            (r, u)
            for r in counted
            for u in (r.sketch.controls if r.sketch else ())
            if u.channel == name
        ]
        if not uses:
            seen.append(ControlSeen(wording.words(name), logged=False))
            continue
        lasts = [
            r.start + timedelta(seconds=u.last_s)
            for r, u in uses
            if r.start is not None and u.last_s is not None
        ]
        seen.append(
            ControlSeen(
                name=wording.words(name),
                logged=True,
                times=sum(u.times for _, u in uses),
                short=sum(u.short for _, u in uses),
                off=any(u.off for _, u in uses),
                rides=len(uses),
                last=max(lasts, default=None),
            )
        )
    return seen
