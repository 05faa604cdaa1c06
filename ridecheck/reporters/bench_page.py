"""A bench plan or a bench reading as one page: everything that moved on one axis of time."""

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from ridecheck.core.files import write_whole
from ridecheck.core.model import Span, State
from ridecheck.reporters.bench_text import instant_of
from ridecheck.reporters.bench_words import (
    CAUTIONS,
    STATES,
    control_words,
    fact_sentence,
    first_sentence,
    left_out,
    moving_sentence,
    uses_sentence,
)
from ridecheck.reporters.drawing import Drawing, Row, bars, label_at, ticks
from ridecheck.reporters.page import render
from ridecheck.trace.bench.records import BenchReading, ControlRead, Step

CLASSES = {State.FAULT: "inspect", State.OK: "release", State.NOT_ASSESSED: "no_opinion"}
"""How a result is set off: as a verdict of the same weight is."""


def write_bench(
    folder: Path, steps: Sequence[Step], reading: BenchReading | None, *, title: str, zone: str
) -> Path:
    """Write bench/<title>.html under a folder; its path. Raises OSError."""
    path = folder / "bench" / f"{title}.html"
    write_whole(path, bench_page(steps, reading, title=title, zone=zone).encode("utf-8"))
    return path


def bench_page(
    steps: Sequence[Step], reading: BenchReading | None, *, title: str, zone: str
) -> str:
    """The page as HTML; without a reading it is the plan alone."""
    missing = left_out(reading) if reading else ()
    return render(
        "bench.html",
        zone=zone,
        cautions=CAUTIONS,
        title=title,
        steps=steps,
        minutes=round(sum(s.minutes for s in steps)),
        reading=reading,
        first=first_sentence(reading) if reading else "",
        moving=moving_sentence(reading) if reading else "",
        when=_when(reading, zone) if reading else "",
        rows=[_row(reading, c, zone) for c in reading.controls] if reading else [],
        missing=", ".join(s.title.lower() for s in missing),
        picture=picture(reading) if reading else None,
    )


def _row(reading: BenchReading, control: ControlRead, zone: str) -> dict[str, str]:
    facts = [fact_sentence(f, instant_of(reading, f.at_s, zone)) for f in control.facts]
    return {
        "name": control_words(control.channel),
        "state": CLASSES[control.state],
        "word": STATES[control.state],
        "said": "; ".join([uses_sentence(control), *facts]),
    }


def _when(reading: BenchReading, zone: str) -> str:
    if reading.start is None:
        return ""
    local = reading.start.astimezone(ZoneInfo(zone))
    until = local + timedelta(seconds=reading.duration_s)
    return f"{local:%Y-%m-%d %H:%M:%S} to {until:%H:%M:%S}. "


def picture(reading: BenchReading) -> Drawing:
    """One row a control, filled where it was on; each fault's first instant is marked."""
    window = Span(0.0, reading.duration_s)
    marks = [
        label_at(fact.at_s, window, control_words(control.channel), "cancel")
        for control in reading.controls
        for fact in control.faults[:1]
        if fact.at_s is not None
    ]
    return Drawing(
        label=first_sentence(reading),
        from_s=0.0,
        to_s=reading.duration_s,
        rows=tuple(
            Row(control_words(c.channel), bars=bars("on", c.on, window), aside=STATES[c.state])
            for c in reading.controls
        ),
        ticks=ticks(window),
        marks=tuple(marks),
    )
