"""Drawings as plain geometry, which the template ``drawing.html`` writes as SVG.

A drawing is rows over one time axis: lanes for numbers, bars for switches. Each row is an SVG
stretched to the page's width; every word is text of the page itself, so it keeps its size on a
phone, grows with the reader's, and wraps. Lines keep their thickness however far they are
stretched. Gaps are gaps. No row needs a script; a script may read figures off it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import Curve, Picture, Span
from ridecheck.core.packed import unpacked
from ridecheck.core.units import KM_PER_MILE
from ridecheck.reporters import wording
from ridecheck.reporters.display_units import IMPERIAL, figure
from ridecheck.signals.outline import LEAST_SPAN

WIDE = 720.0
"""Units across a row's drawing."""
TALL, LOW = 60.0, 10.0
"""Units down a lane of numbers, and down a row of bars."""
MOST_TICKS = 6
STEPS_S = (0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400)

TOGETHER = (
    ("wheel_speed", "cruise_set_speed", "front_wheel_speed", "gps_speed"),
    ("throttle", "throttle_grip"),
    ("front_brake_pressure", "rear_brake_pressure"),
)
"""Channels that share a lane; the first there is drawn full, the others dashed."""

Points = tuple[tuple[float, float | None], ...]


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a lane: unbroken stretches of points, as SVG writes them."""

    kind: str
    name: str
    stretches: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar of a row, in the row's units."""

    kind: str
    x: float
    width: float


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a drawing. low and high: ends of its scale, as text; "" for bars."""

    name: str
    unit: str = ""
    tall: float = LOW
    keys: tuple[tuple[str, str], ...] = ()
    lines: tuple[Line, ...] = ()
    bars: tuple[Bar, ...] = ()
    low: str = ""
    high: str = ""
    low_value: float = 0.0
    high_value: float = 0.0
    aside: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """A line down a drawing, with its word: seconds from its zero, and which kind it is."""

    t_s: float
    word: str
    kind: str


@dataclass(frozen=True, slots=True)
class Label:
    """A word over or under a drawing: how far across, in per cent, and which way it runs."""

    percent: float
    anchor: str
    text: str
    x: float
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Drawing:
    """Rows over one axis. label: what it shows, for whoever cannot see it."""

    label: str
    from_s: float
    to_s: float
    rows: tuple[Row, ...]
    ticks: tuple[Label, ...] = ()
    marks: tuple[Label, ...] = ()
    shades: tuple[Bar, ...] = ()


def picture_drawing(
    picture: Picture, label: str, *, units: str = "metric", marks: Sequence[Mark] = ()
) -> Drawing:
    """A finding's or a cancel's picture as a drawing, in the fleet's units."""
    window = Span(picture.from_s, picture.to_s)
    numbers = [c for c in picture.curves if catalog()[c.channel].kind == "number"]
    steps = [c for c in picture.curves if catalog()[c.channel].kind != "number"]
    lanes = [lane_of(lane, picture.limit, window, units) for lane in _lanes(numbers)]
    return Drawing(
        label=label,
        from_s=window.start_s,
        to_s=window.end_s,
        rows=(*lanes, *(switch_row(c, window) for c in steps)),
        ticks=ticks(window),
        marks=tuple(_mark(m, window) for m in marks if window.start_s <= m.t_s <= window.end_s),
        shades=tuple(_shades(picture, window)),
    )


def across(t_s: float, window: Span) -> float:
    """Where an instant stands in a row's units, rounded to a tenth."""
    share = (t_s - window.start_s) / (window.length_s or 1.0)
    return round(WIDE * min(max(share, 0.0), 1.0), 1)


def bars(kind: str, spans: Iterable[Span], window: Span, *, least: float = 1.5) -> tuple[Bar, ...]:
    """Stretches as bars of one kind, none thinner than can be seen."""
    found = []
    for span in spans:
        x = across(span.start_s, window)
        found.append(Bar(kind, x, round(max(across(span.end_s, window) - x, least), 1)))
    return tuple(found)


def ticks(window: Span, most: int = MOST_TICKS) -> tuple[Label, ...]:
    """Round instants along an axis, no more than can be read on a phone."""
    step_s = next((s for s in STEPS_S if window.length_s / s <= most), STEPS_S[-1])
    first = int(-(-window.start_s // step_s))
    found = []
    for n in range(first, int(window.end_s // step_s) + 1):
        text = clock_text(n * step_s, window.length_s, signed=window.start_s < 0)
        found.append(label_at(n * step_s, window, text))
    return tuple(found)


def clock_text(t_s: float, length_s: float, *, signed: bool) -> str:
    """Seconds of an axis as text, in minutes where the axis is long."""
    if t_s == 0:
        return "0"
    sign = "\N{MINUS SIGN}" if t_s < 0 else "+" if signed else ""
    size = abs(t_s)
    if length_s <= 180.0:
        return f"{sign}{size:g} s"
    if length_s <= 4 * 3600.0:
        return f"{sign}{size / 60.0:g} min"
    return f"{sign}{size / 3600.0:g} h"


def label_at(t_s: float, window: Span, text: str, kind: str = "") -> Label:
    """A word at an instant, turned inwards near the ends so that it stays on the page."""
    x = across(t_s, window)
    percent = round(100.0 * x / WIDE, 2)
    room = 4.0 + 0.9 * len(text)
    anchor = "start" if percent < room else "end" if percent > 100.0 - room else "middle"
    return Label(percent, anchor, text, x, kind)


def _mark(mark: Mark, window: Span) -> Label:
    label = label_at(mark.t_s, window, mark.word, mark.kind)
    anchor = "end" if label.percent > 55.0 else "start"
    return Label(label.percent, anchor, label.text, label.x, label.kind)


def _shades(picture: Picture, window: Span) -> Iterable[Bar]:
    """The stretch that was found; up to a limit in time it is shaded lighter."""
    if picture.stretch.length_s <= 0.0:
        return
    start_s = picture.stretch.start_s
    if picture.allowed is not None:
        yield from bars("allowed", [picture.allowed], window)
        start_s = picture.allowed.end_s
    yield from bars("stretch", [Span(start_s, picture.stretch.end_s)], window)


# ------------------------------------------------------------------------- numbers


def _lanes(curves: Sequence[Curve]) -> list[list[Curve]]:
    """Curves by the lane they share, in the order of the first of each."""
    lanes: dict[str, list[Curve]] = {}
    for curve in curves:
        group = next((g for g in TOGETHER if curve.channel in g), (curve.channel,))
        lanes.setdefault(group[0], []).append(curve)
    order = {n: i for g in TOGETHER for i, n in enumerate(g)}
    return [sorted(lane, key=lambda c: order.get(c.channel, 0)) for lane in lanes.values()]


def lane_of(curves: Sequence[Curve], limit: Curve | None, window: Span, units: str) -> Row:
    """Curves of one unit over one scale, with the limit where it stands on it."""
    unit = catalog()[curves[0].channel].unit
    shown_unit, per = _in_units(unit, units)
    here = limit if limit and limit.channel in {c.channel for c in curves} else None
    drawn = [(c, "first" if i == 0 else "other") for i, c in enumerate(curves)]
    drawn += [(here, "limit")] if here else []
    points = [(_points(c, per), kind, wording.words(c.channel)) for c, kind in drawn]
    known = [v for p, *_ in points for _, v in p if v is not None]
    low, high = _scale(known, unit)
    lines = tuple(
        Line(kind, "limit" if kind == "limit" else name, _stretches(p, window, low, high))
        for p, kind, name in points
    )
    keys = [(kind, name) for _, kind, name in points if kind == "other"]
    if here:
        levels = {v for _, v in unpacked(here.points)}
        level = next(iter(levels)) if len(levels) == 1 else None
        keys.append(("limit", f"limit {figure(level, unit, units=units)}".strip()))
    return Row(
        name=wording.words(curves[0].channel),
        unit=shown_unit,
        tall=TALL,
        keys=tuple(keys),
        lines=lines,
        low=_short(max(low, min(known, default=low))),
        high=_short(min(high, max(known, default=high))),
        low_value=round(low, 3),
        high_value=round(high, 3),
    )


def value_row(name: str, unit: str, points: Sequence[tuple[float, float]], window: Span) -> Row:
    """A row of values that are no channel: a line over its own scale."""
    values = [v for _, v in points]
    spread = max(max(values, default=1.0) - min(values, default=0.0), 1e-3)
    low, high = min(values, default=0.0) - 0.1 * spread, max(values, default=1.0) + 0.1 * spread
    return Row(
        name=name,
        unit=unit,
        tall=TALL,
        lines=(Line("first", name, _stretches(tuple(points), window, low, high)),),
        low=f"{min(values, default=0.0):.3g}",
        high=f"{max(values, default=1.0):.3g}",
        low_value=round(low, 4),
        high_value=round(high, 4),
    )


def _in_units(unit: str, units: str) -> tuple[str, float]:
    """The unit that is shown, and by what a value is multiplied for it."""
    if units == "imperial" and unit in IMPERIAL:
        return IMPERIAL[unit], 1.0 / KM_PER_MILE
    return unit, 1.0


def _points(curve: Curve, per: float) -> Points:
    return tuple((t or 0.0, None if v is None else v * per) for t, v in unpacked(curve.points))


def _scale(values: Sequence[float], unit: str) -> tuple[float, float]:
    """Ends of a lane's scale: no narrower than noise, with a little room for the line."""
    low, high = min(values, default=0.0), max(values, default=1.0)
    lacking = max(LEAST_SPAN.get(unit, 0.1) - (high - low), 0.0)
    room = 0.04 * max(high - low, LEAST_SPAN.get(unit, 0.1))
    return low - lacking / 2.0 - room, high + lacking / 2.0 + room


def _stretches(points: Points, window: Span, low: float, high: float) -> tuple[str, ...]:
    """Unbroken lines as SVG points; a lone point becomes a dash that can be seen."""
    found: list[list[str]] = [[]]
    for t_s, value in points:
        if value is None:
            found.append([])
            continue
        y = TALL * (1.0 - (value - low) / (high - low))
        found[-1].append(f"{across(t_s, window):g},{y:.1f}")
    return tuple(" ".join(p if len(p) > 1 else [p[0], _moved(p[0])]) for p in found if p)


def _moved(point: str) -> str:
    x, y = point.split(",")
    return f"{float(x) + 2.0:g},{y}"


def _short(value: float) -> str:
    """An end of a scale: no more figures than help."""
    if abs(value) >= 1000.0:
        return f"{round(value, -1):.0f}"
    return f"{value:.0f}" if abs(value) >= 20.0 else f"{value + 0.0:.1f}"


# ------------------------------------------------------------------------- switches


def switch_row(curve: Curve, window: Span) -> Row:
    """A switch as bars where it is on, a gear as steps; blank is hatched, and is not off."""
    if catalog()[curve.channel].kind == "integer":
        return _gear_row(curve, window)
    found: list[Bar] = []
    for span, value in _held(curve, window):
        if value is None:
            found += bars("blank", [span], window)
        elif value:
            found += bars("on", [span], window)
    return Row(name=wording.words(curve.channel), tall=LOW, bars=tuple(found))


def _held(curve: Curve, window: Span) -> Iterable[tuple[Span, float | None]]:
    """Stretches of one value: each point's lasts to the next."""
    points = unpacked(curve.points)
    ends = [*(t or 0.0 for t, _ in points[1:]), window.end_s]
    for (t_s, value), end_s in zip(points, ends, strict=True):
        yield Span(t_s or 0.0, max(end_s, t_s or 0.0)), value


def _gear_row(curve: Curve, window: Span) -> Row:
    steps: list[tuple[float, float | None]] = []
    for span, value in _held(curve, window):
        steps += [(span.start_s, value), (span.end_s, value)]
    known = [v for _, v in steps if v is not None]
    low, high = min(known) - 0.5, max(known) + 0.5
    line = Line("first", wording.words(curve.channel), _stretches(tuple(steps), window, low, high))
    return Row(
        name=wording.words(curve.channel),
        tall=TALL,
        lines=(line,),
        low=f"{min(known):g}",
        high=f"{max(known):g}" if max(known) > min(known) else "",
        low_value=low,
        high_value=high,
    )
