"""The cancels of a ride as text: 80 columns, a strip of characters round each."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence

from ridecheck.core.durations import spoken
from ridecheck.core.model import Cancel
from ridecheck.reporters import display_units, evidence, wording
from ridecheck.reporters.display_units import figure
from ridecheck.reporters.terminal import cautions, in_ascii, wrapped
from ridecheck.trace import (
    Detectable,
    RideTrace,
    Strip,
    StripChannel,
    TracedCancel,
    View,
)
from ridecheck.trace.visibility import CLEARED

LABEL = 20
COLUMNS = 58
"""Columns of a strip; with its label it fills 78 of 80."""

ALWAYS = ("wheel_speed", "cruise_engaged")
SHORT = {
    "wheel_speed": "speed",
    "front_wheel_speed": "front wheel",
    "engine_speed": "engine",
    "cruise_set_speed": "set speed",
    "throttle_grip": "grip",
    "supply_voltage": "supply",
    "front_brake_pressure": "front press.",
    "rear_brake_pressure": "rear press.",
    "vertical_acceleration": "bumps",
}
UNMOVED = {"supply_voltage": 0.3, "vertical_acceleration": 2.0, "lean_angle": 2.0}
"""A number that varies less than this over a strip is named, not drawn."""
SHOWN_OCCASIONS = 3
KEY = (
    "Strips: a number runs from 0, its lowest in the strip, to 9, its highest; a switch is # on, "
    ". off; | is the row in which cruise disengaged; blank is not logged."
)


def trace_text(
    trace: RideTrace,
    sentences: Sequence[str],
    *,
    every: bool = False,
    ascii_only: bool = False,
    units: str = "metric",
) -> str:
    """The whole trace. every: strips for the rider's own cancels too, not just a line each."""
    trace = display_units.in_units(trace, units)
    lines = [*_heading(trace, units)]
    for number, (traced, strip) in enumerate(zip(trace.cancels, trace.strips, strict=True), 1):
        quiet = _quiet(traced.cancel) and not every
        lines += (
            _quietly(number, traced, units) if quiet else _in_full(number, traced, strip, units)
        )
    if trace.view:
        lines += _viewed(trace.view)
    lines += [*_occasions(trace), *_detectable(trace), *_next_ride(trace), *cautions(sentences)]
    return "\n".join(in_ascii(lines) if ascii_only else lines) + "\n"


def _quiet(cancel: Cancel) -> bool:
    """A cancel with a cause that is neither a fault nor a riddle."""
    return cancel.commanded is True or cancel.cause == "log_end"


def _heading(trace: RideTrace, units: str) -> Iterator[str]:
    cancels = wording.count(len(trace.cancels), "cancel")
    yield from wrapped(
        f"{trace.ride}: {cancels}, {wording.count(trace.engagements, 'engagement')}, "
        f"{figure(trace.engaged_km, 'km', units=units)} with cruise holding in "
        f"{spoken(trace.duration_s)}"
    )
    yield from wrapped(", ".join(dict.fromkeys(p.log for p in trace.parts)))
    if trace.start:
        here = wording.local(trace.start, trace.time_zone)
        yield from wrapped(f"from {wording.utc(trace.start)}" + (f" ({here})" if here else ""))
    else:
        yield "date unknown"
    if trace.inferred:
        yield from wrapped(
            "Whether cruise was engaged is not logged: holds are inferred from steady speed. They "
            "release no bike and keep none in."
        )
    for note in trace.notes:
        yield from wrapped(note.message + (f" ({note.count})" if note.count else ""))
    if takes := evidence.takes(trace.latency):
        yield from wrapped(takes)
    if trace.cancels:
        yield from wrapped(tally([t.cancel for t in trace.cancels]))
        yield from wrapped(KEY)
    elif not trace.view:
        yield "No cancel in what is logged."


def tally(cancels: Sequence[Cancel]) -> str:
    """How many were commanded and by what, how many were not, how many are undetermined."""
    ended = [c for c in cancels if c.cause != "log_end"]
    parts = []
    for commanded, word in wording.COMMANDED.items():
        causes = Counter(wording.cause(c) for c in ended if c.commanded is commanded)
        if causes:
            listed = ", ".join(f"{cause} {n}" for cause, n in causes.most_common())
            parts.append(f"{causes.total()} {word} ({listed})")
    return "; ".join(parts) or "the log ends with cruise engaged"


def _place(number: int, traced: TracedCancel, units: str) -> str:
    cancel = traced.cancel
    instant = wording.utc_ms(cancel.time) if cancel.time else f"{cancel.t_s:.3f} s"
    speed = figure(cancel.speed_kmh, "km/h", units=units) or "speed not logged"
    gear = f", gear {cancel.gear}" if cancel.gear is not None else ""
    return f"{number:>2}  {instant}  {speed}{gear}"


def _verdict(cancel: Cancel) -> str:
    if cancel.cause == "log_end":
        return "the log ends with cruise engaged"
    return f"{wording.cause(cancel)}, {wording.COMMANDED[cancel.commanded]}"


def _quietly(number: int, traced: TracedCancel, units: str) -> list[str]:
    line = f"{_place(number, traced, units)}: {_verdict(traced.cancel)}"
    return ["", *wrapped_keeping(line)]


def wrapped_keeping(text: str) -> list[str]:
    """Wrapped with the number's indent kept, so that numbers stand in a column."""
    indent = text[: len(text) - len(text.lstrip())]
    return wrapped(text.strip(), first=indent, rest="    ")


def _in_full(number: int, traced: TracedCancel, strip: Strip, units: str) -> Iterator[str]:
    cancel = traced.cancel
    yield ""
    yield from wrapped_keeping(f"{_place(number, traced, units)}: {_verdict(cancel)}")
    place = f"log time {cancel.file_time}, row {cancel.row}"
    if cancel.local_time and cancel.local_time[-3:] != "UTC":
        place += f", local {cancel.local_time}"
    yield from wrapped(place, first="    ", rest="    ")
    for sentence in evidence.sentences((*cancel.evidence, *traced.remarks), units):
        yield from wrapped(sentence, first="    - ", rest="      ")
    yield from wrapped(f"Order: {traced.order}.", first="    ", rest="    ")
    if cancel.not_logged:
        listed = ", ".join(wording.words(c) for c in cancel.not_logged)
        yield from wrapped(f"Not logged: {listed}.", first="    ", rest="    ")
    if traced.marker_s is not None:
        yield f"    The rider pressed the marker {traced.marker_s:.1f} s after."
    yield ""
    yield from strip_lines(strip)


def _viewed(view: View) -> Iterator[str]:
    yield ""
    instant = wording.utc_ms(view.time) if view.time else f"{view.at_s:.3f} s"
    yield f"At {instant}: no cancel"
    for move in view.moves:
        yield f"    {move.at_s - view.at_s:+7.2f} s  {move.what}"
    yield ""
    yield from strip_lines(view.strip)


# ---------------------------------------------------------------- strips


def strip_lines(strip: Strip) -> Iterator[str]:
    """A strip: a line a channel, switches as # on and . off, numbers as 0 lowest to 9 highest."""
    yield _ruler(strip)
    steady = []
    for channel in strip.channels:
        known = sorted({v for v in channel.values if v is not None})
        width = known[-1] - known[0] if known else 0.0
        if width <= UNMOVED.get(channel.name, 0.0) and channel.name not in ALWAYS:
            steady.append(_steady(channel, known))
            continue
        yield f"{_label(channel):<{LABEL}}{_cells(channel, strip)}"
    if steady:
        yield from wrapped("unmoved: " + ", ".join(steady), first="", rest="  ")


def _ruler(strip: Strip) -> str:
    """Seconds from the cancel; the bar stands at the row of the cancel."""
    cells = [" "] * COLUMNS
    whole_s = strip.before_s + strip.after_s
    step_s = max(1, round(whole_s / 6))
    for second in range(-int(strip.before_s), int(strip.after_s) + 1):
        mark = f"{second:+d}s" if second % step_s == 0 and second else ""
        at = _column(strip, float(second))
        if at + len(mark) > COLUMNS:
            continue
        cells[at : at + len(mark)] = mark
    cells[_column(strip, 0.0)] = "|"
    return " " * LABEL + "".join(cells).rstrip()


def _column(strip: Strip, t_s: float) -> int:
    share = (t_s + strip.before_s) / (strip.before_s + strip.after_s)
    return min(int(share * COLUMNS + 1e-9), COLUMNS - 1)


def _label(channel: StripChannel) -> str:
    name = SHORT.get(channel.name, wording.words(channel.name))
    if channel.kind != "number":
        return name[: LABEL - 1]
    known = [v for v in channel.values if v is not None]
    span = f"{min(known):.4g}-{max(known):.4g}" if known else ""
    return f"{name[: LABEL - 2 - len(span)]} {span}"


def _steady(channel: StripChannel, known: Sequence[float]) -> str:
    """Known values are in rising order."""
    name = SHORT.get(channel.name, wording.words(channel.name))
    if not known:
        return f"{name} blank"
    if channel.kind == "switch":
        return f"{name} {'on' if known[0] else 'off'}"
    low, high = round(known[0], 2), round(known[-1], 2)
    span = f"{low:g}" if low == high else f"{low:g}-{high:g}"
    return f"{name} {span} {channel.unit}".rstrip()


def _cells(channel: StripChannel, strip: Strip) -> str:
    """One character a column: what the channel showed within it, or last before it."""
    known = [v for v in channel.values if v is not None]
    low, high = (min(known), max(known)) if known else (0.0, 0.0)
    width_s = (strip.before_s + strip.after_s) / COLUMNS
    cells = [" "] * COLUMNS
    for i, (t_s, value) in enumerate(zip(channel.t_s, channel.values, strict=True)):
        following_s = channel.t_s[i + 1] if i + 1 < len(channel.t_s) else t_s + strip.row_s
        until_s = min(following_s, t_s + 1.5 * strip.row_s)
        first = _column(strip, t_s)
        last = max(first, _column(strip, until_s - width_s / 2))
        for column in range(first, last + 1):
            cells[column] = _darker(cells[column], _cell(channel.kind, value, low, high))
    return "".join(cells).rstrip()


def _cell(kind: str, value: float | None, low: float, high: float) -> str:
    if value is None:
        return " "
    if kind == "switch":
        return "#" if value else "."
    if kind == "integer":
        return f"{value:.0f}"[-1]
    return str(round(9.0 * (value - low) / (high - low))) if high > low else "5"


def _darker(before: str, now: str) -> str:
    """A short pulse must not be hidden by the off row that shares its column."""
    return before if before == "#" and now == "." else now


# ---------------------------------------------------------------- the whole ride


def _occasions(trace: RideTrace) -> Iterator[str]:
    unwanted = [
        t for t in trace.cancels if t.cancel.commanded is False or t.cancel.cause == "unexplained"
    ]
    if not unwanted:
        return
    yield from ("", "When does it happen")
    if not trace.occasions:
        yield from wrapped("Too few cancels to say.", first="  ", rest="  ")
        return
    telling = [o for o in trace.occasions if o.stands_out]
    if not telling:
        tried = trace.occasions[0].tried
        yield from wrapped(f"No occasion stands out ({tried} tried).", first="  ", rest="  ")
    for occasion in telling or trace.occasions[:SHOWN_OCCASIONS]:
        yield from wrapped(occasion.sentence, first="  - ", rest="    ")


def _detectable(trace: RideTrace) -> Iterator[str]:
    yield from ("", "What this log could have shown")
    unlogged = [d.channel for d in trace.detectable if d.interval_s is None]
    for sentence in detectable_sentences(trace.detectable):
        yield from wrapped(sentence, first="  - ", rest="    ")
    if unlogged:
        listed = ", ".join(wording.words(c) for c in dict.fromkeys(unlogged))
        yield from wrapped(f"not logged, so never seen: {listed}", first="  - ", rest="    ")


def detectable_sentences(detectable: Sequence[Detectable]) -> Iterator[str]:
    """A sentence for the inputs that are logged alike: which pulses show, which do not."""
    alike: dict[tuple[float, bool], list[Detectable]] = defaultdict(list)
    for seen in detectable:
        if seen.interval_s is not None:
            alike[(seen.interval_s, seen.latched)].append(seen)
    for (interval_s, latched), group in sorted(alike.items()):
        names = dict.fromkeys(_by(d) for d in group)
        how = "latched" if latched else f"{1.0 / interval_s:.3g} Hz"
        pulses = {d.pulse_s: d for d in group}
        chances = ", ".join(
            f"{1000 * s:.0f} ms {100 * d.chance:.0f} %" for s, d in sorted(pulses.items())
        )
        yield f"{', '.join(names)} ({how}): chance that one pulse shows: {chances}"
        shortest = pulses[min(pulses)]
        if shortest.events:
            verdict = "is nearly ruled out" if shortest.unseen < CLEARED else "is not ruled out"
            yield (
                f"... so a {1000 * shortest.pulse_s:.0f} ms bounce behind the "
                f"{wording.count(shortest.events, 'cancel')} with no logged cause {verdict}: it "
                f"stays unseen every time with {100 * shortest.unseen:.2g} %"
            )


def _by(seen: Detectable) -> str:
    name = wording.words(seen.channel)
    return f"{name} through {wording.words(seen.through)}" if seen.through else name


def _next_ride(trace: RideTrace) -> Iterator[str]:
    yield from ("", "For the next ride")
    for sentence in trace.next_ride.sentences:
        yield from wrapped(sentence, first="  - ", rest="    ")
