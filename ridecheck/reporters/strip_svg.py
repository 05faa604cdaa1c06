"""A strip chart as SVG: all channels round one cancel over one time axis.

Drawn here, with classes for the page's style; it needs no script and prints as lines.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from ridecheck.reporters.characters import shown
from ridecheck.reporters.wording import words
from ridecheck.trace import Strip, StripChannel

WIDTH, LEFT, RIGHT = 960.0, 150.0, 80.0
PLOT = WIDTH - LEFT - RIGHT
TOP, GAP = 34.0, 8.0

LANES: tuple[tuple[str, tuple[str, ...], float, float], ...] = (
    ("speed", ("wheel_speed", "cruise_set_speed", "front_wheel_speed", "gps_speed"), 96.0, 4.0),
    ("engine speed", ("engine_speed",), 60.0, 200.0),
    ("throttle", ("throttle", "throttle_grip"), 60.0, 10.0),
    ("supply", ("supply_voltage",), 40.0, 1.0),
    ("brake pressure", ("front_brake_pressure", "rear_brake_pressure"), 40.0, 100.0),
    ("bumps", ("vertical_acceleration",), 40.0, 4.0),
    ("acceleration", ("acceleration",), 40.0, 2.0),
    ("lean", ("lean_angle",), 40.0, 10.0),
    ("yaw", ("yaw_rate",), 40.0, 10.0),
)
"""Lanes for numbers: title, channels (the first drawn full, others dashed), height, and the
least span of the scale, so that noise is not blown up to fill a lane."""

SWITCH_HEIGHT = 16.0
KEEP = ("cruise_engaged", "cruise_armed", "front_brake", "rear_brake", "brake_lamp", "clutch")
"""Switches drawn even where they do not move."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A vertical line with a word: seconds from the middle, and which kind it is."""

    t_s: float
    word: str
    kind: str


def strip_svg(strip: Strip, label: str, marks: Sequence[Mark]) -> str:
    """The drawing as an ``<svg>`` element; label describes it to who cannot see it."""
    parts: list[str] = []
    y = TOP
    for title, names, height, least in LANES:
        lane = [c for n in names for c in strip.channels if c.name == n and _known(c)]
        if lane:
            parts += _lane(strip, title, lane, y, height, least)
            y += height + GAP
    for channel in drawn_steps(strip):
        parts += _steps(strip, channel, y)
        y += SWITCH_HEIGHT + 2.0
    height = y + 6.0
    body = "".join((*_axis(strip, height), *parts, *_marks(strip, marks, height)))
    times = ",".join(f"{t:g}" for t in _times(strip))
    return (
        f'<svg class="strip" viewBox="0 0 {WIDTH:g} {height:g}" role="img" '
        f"aria-label={quoteattr(shown(label))} "
        f'data-left="{LEFT:g}" data-plot="{PLOT:g}" data-from="{-strip.before_s:g}" '
        f'data-to="{strip.after_s:g}" data-t="{times}">{body}'
        f'<line class="cursor" x1="-9" x2="-9" y1="{TOP:g}" y2="{height:g}"/></svg>'
    )


def drawn_steps(strip: Strip) -> list[StripChannel]:
    """Switches and gear that are drawn: those that move, and those that always are."""
    return [
        c
        for c in strip.channels
        if c.kind != "number" and (c.name in KEEP or len({*c.values}) > 1) and _known(c)
    ]


def left_out(strip: Strip) -> list[str]:
    """What is logged and not drawn, with the value it kept."""
    drawn = {c.name for c in drawn_steps(strip)} | {n for _, names, *_ in LANES for n in names}
    values = []
    for channel in strip.channels:
        if channel.name in drawn:
            continue
        known = _known(channel)
        value = f"{known[0]:g}" if known else "blank"
        if channel.kind == "switch" and known:
            value = "on" if known[0] else "off"
        values.append(f"{words(channel.name)} {value}")
    return values


def _known(channel: StripChannel) -> list[float]:
    return [v for v in channel.values if v is not None]


def _times(strip: Strip) -> tuple[float, ...]:
    return strip.channels[0].t_s if strip.channels else ()


def _x(strip: Strip, t_s: float) -> float:
    return LEFT + PLOT * (t_s + strip.before_s) / (strip.before_s + strip.after_s)


def _axis(strip: Strip, height: float) -> Iterator[str]:
    """Seconds from the cancel, with a thin line at each."""
    step_s = max(1, round((strip.before_s + strip.after_s) / 10))
    for second in range(-int(strip.before_s), int(strip.after_s) + 1, 1):
        if second % step_s:
            continue
        x = _x(strip, float(second))
        yield f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP:g}" y2="{height:g}"/>'
        sign = "+" if second > 0 else ""
        yield f'<text class="tick" x="{x:.1f}" y="{TOP - 6:g}">{sign}{second} s</text>'


def _lane(
    strip: Strip, title: str, lane: Sequence[StripChannel], y: float, height: float, least: float
) -> Iterator[str]:
    known = [v for c in lane for v in _known(c)]
    low, high = min(known), max(known)
    middle = (low + high) / 2.0
    if high - low < least:
        low, high = middle - least / 2.0, middle + least / 2.0
    unit = escape(lane[0].unit)
    yield f'<text class="name" x="{LEFT - 8:g}" y="{y + 14:.1f}">{escape(title)}</text>'
    yield f'<text class="unit" x="{LEFT - 8:g}" y="{y + 28:.1f}">{unit}</text>'
    yield f'<rect class="lane" x="{LEFT:g}" y="{y:.1f}" width="{PLOT:g}" height="{height:g}"/>'
    right = LEFT + PLOT + 6
    yield f'<text class="scale" x="{right:g}" y="{y + 10:.1f}">{_short(high)}</text>'
    yield f'<text class="scale" x="{right:g}" y="{y + height:.1f}">{_short(low)}</text>'
    for i, channel in enumerate(lane):
        lines = _lines(strip, channel, y, height, low, high)
        kind = "first" if i == 0 else "other"
        drawn = "".join(f'<polyline points="{points}"/>' for points in lines)
        yield f'<g class="curve {kind}" {_data(channel)}>{drawn}</g>'


def _short(value: float) -> str:
    return f"{value:.1f}" if abs(value) < 1000 else f"{value:.0f}"


def _lines(
    strip: Strip, channel: StripChannel, y: float, height: float, low: float, high: float
) -> Iterator[str]:
    """Points of unbroken stretches; a blank or a gap in time breaks the line."""
    points: list[str] = []
    last_s: float | None = None
    for t_s, value in zip(channel.t_s, channel.values, strict=True):
        gap = last_s is not None and t_s - last_s > 3.0 * max(strip.row_s, 0.2)
        if (value is None or gap) and points:
            yield " ".join(points)
            points = []
        if value is not None:
            share = (value - low) / (high - low)
            points.append(f"{_x(strip, t_s):.1f},{y + height * (1.0 - share):.1f}")
            last_s = t_s
    if points:
        yield " ".join(points if len(points) > 1 else [points[0], points[0]])


def _steps(strip: Strip, channel: StripChannel, y: float) -> Iterator[str]:
    """A switch as bars where it is on; a gear as bars with its number."""
    name = escape(words(channel.name))
    middle = y + SWITCH_HEIGHT - 4
    yield f'<text class="name" x="{LEFT - 8:g}" y="{middle:.1f}">{name}</text>'
    right, low = LEFT + PLOT, f"{middle:.1f}"
    yield f'<line class="rest" x1="{LEFT:g}" x2="{right:g}" y1="{low}" y2="{low}"/>'
    yield f'<g class="steps" {_data(channel)}>'
    for start_s, end_s, value in _runs(strip, channel):
        x, width = _x(strip, start_s), _x(strip, end_s) - _x(strip, start_s)
        top, tall = y + 2, SWITCH_HEIGHT - 6
        if value is None:
            yield _bar("blank", x, top, width, tall)
        elif channel.kind == "integer":
            yield _bar("gear", x, top, width, tall)
            yield f'<text class="gear" x="{x + 3:.1f}" y="{middle - 1:.1f}">{value:g}</text>'
        elif value:
            yield _bar("on", x, top, max(width, 2.0), tall)
    yield "</g>"


def _bar(kind: str, x: float, y: float, width: float, height: float) -> str:
    return (
        f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"/>'
    )


def _runs(strip: Strip, channel: StripChannel) -> Iterator[tuple[float, float, float | None]]:
    """Stretches of one value; each row's value holds to the next row, or for a row."""
    start_s, value = None, None
    end_s = -strip.before_s
    for i, (t_s, now) in enumerate(zip(channel.t_s, channel.values, strict=True)):
        gap = i > 0 and t_s - channel.t_s[i - 1] > 3.0 * max(strip.row_s, 0.2)
        if start_s is not None and (now != value or gap):
            yield start_s, min(t_s, end_s) if gap else t_s, value
            start_s = None
        if start_s is None:
            start_s, value = t_s, now
        end_s = t_s + strip.row_s
    if start_s is not None:
        yield start_s, min(end_s, strip.after_s), value


def _data(channel: StripChannel) -> str:
    """Name, unit and values for the page's cursor."""
    values = ",".join("" if v is None else f"{v:g}" for v in channel.values)
    name = quoteattr(words(channel.name))
    kind = quoteattr(channel.kind)
    return (
        f'data-name={name} data-unit={quoteattr(channel.unit)} data-kind={kind} data-v="{values}"'
    )


def _marks(strip: Strip, marks: Sequence[Mark], height: float) -> Iterator[str]:
    for mark in marks:
        if not -strip.before_s <= mark.t_s <= strip.after_s:
            continue
        x = _x(strip, mark.t_s)
        kind = quoteattr(f"mark {mark.kind}")
        side, shift = ("end", -4) if mark.kind == "first" else ("start", 4)
        yield f'<line class={kind} x1="{x:.1f}" x2="{x:.1f}" y1="4" y2="{height:g}"/>'
        yield (
            f'<text class={kind} text-anchor="{side}" x="{x + shift:.1f}" y="12">'
            f"{escape(shown(mark.word))}</text>"
        )
