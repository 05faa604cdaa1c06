"""All channels round one cancel of a trace, thinned and laid out as a drawing."""

from collections.abc import Iterator, Sequence

import numpy as np

from ridecheck.core.model import Curve, Picture, Span
from ridecheck.core.packed import packed
from ridecheck.reporters.drawing import Drawing, Mark, picture_drawing
from ridecheck.reporters.wording import words
from ridecheck.signals.outline import HEIGHT, LEAST_SPAN, WIDTH, seen
from ridecheck.trace import Strip, StripChannel

NUMBERS = (
    *("wheel_speed", "cruise_set_speed", "front_wheel_speed", "gps_speed", "engine_speed"),
    *("throttle", "throttle_grip", "supply_voltage"),
    *("front_brake_pressure", "rear_brake_pressure", "vertical_acceleration", "acceleration"),
    *("lean_angle", "yaw_rate"),
)
"""Numbers that are drawn, in this order."""
KEEP = ("cruise_engaged", "cruise_armed", "front_brake", "rear_brake", "brake_lamp", "clutch")
"""Switches drawn even where they do not move."""
GAP_S, GAP_ROWS = 0.2, 3.0
"""A step in time longer than both breaks a line."""


def strip_drawing(
    strip: Strip, label: str, marks: Sequence[Mark], *, units: str = "metric"
) -> Drawing:
    """The drawing of a strip; label describes it to who cannot see it."""
    by_name = {c.name: c for c in strip.channels}
    numbers = [by_name[n] for n in NUMBERS if n in by_name and _known(by_name[n])]
    picture = Picture(
        zero_s=0.0,
        from_s=-strip.before_s,
        to_s=strip.after_s,
        stretch=Span(0.0, 0.0),
        curves=(
            *(Curve(c.name, packed(_line(strip, c))) for c in numbers),
            *(Curve(c.name, packed(_steps(strip, c))) for c in drawn_steps(strip)),
        ),
    )
    return picture_drawing(picture, label, units=units, marks=marks)


def drawn_steps(strip: Strip) -> list[StripChannel]:
    """Switches and gear that are drawn: those that move, and those that always are."""
    return [
        c
        for c in strip.channels
        if c.kind != "number" and (c.name in KEEP or len({*c.values}) > 1) and _known(c)
    ]


def left_out(strip: Strip) -> list[str]:
    """What is logged and not drawn, with the value it kept."""
    drawn = {c.name for c in drawn_steps(strip)} | set(NUMBERS)
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


def _is_gap(strip: Strip, step_s: float) -> bool:
    return step_s > GAP_ROWS * max(strip.row_s, GAP_S)


def _line(strip: Strip, channel: StripChannel) -> Iterator[tuple[float, float | None]]:
    """Points that can be seen of each unbroken stretch; a blank or a gap breaks the line."""
    known = _known(channel)
    spans = max(max(known) - min(known), LEAST_SPAN.get(channel.unit, 0.1))
    unit_s, unit_v = (strip.before_s + strip.after_s) / WIDTH, spans / HEIGHT
    for i, stretch in enumerate(_unbroken(strip, channel)):
        t_s, values = np.array([t for t, _ in stretch]), np.array([v for _, v in stretch])
        if i:
            yield float(t_s[0]), None
        for k in seen(t_s / unit_s, values / unit_v).tolist():
            yield float(t_s[k]), float(values[k])


def _unbroken(strip: Strip, channel: StripChannel) -> list[list[tuple[float, float]]]:
    stretches: list[list[tuple[float, float]]] = [[]]
    for t_s, value in zip(channel.t_s, channel.values, strict=True):
        here = stretches[-1]
        if here and (value is None or _is_gap(strip, t_s - here[-1][0])):
            stretches.append([])
        if value is not None:
            stretches[-1].append((t_s, value))
    return [s for s in stretches if s]


def _steps(strip: Strip, channel: StripChannel) -> Iterator[tuple[float, float | None]]:
    """A point at each change; a value holds to the next row, in a gap for a row."""
    last_s, last = None, None
    for t_s, value in zip(channel.t_s, channel.values, strict=True):
        gap = last_s is not None and _is_gap(strip, t_s - last_s)
        if gap and last is not None and last_s is not None:
            yield last_s + strip.row_s, None
        if last_s is None or gap or value != last:
            yield t_s, value
        last_s, last = t_s, value
    if last_s is not None and last_s + strip.row_s < strip.after_s - strip.row_s:
        yield last_s + strip.row_s, None
