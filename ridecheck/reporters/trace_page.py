"""The cancels of a ride as a page with strip charts."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ridecheck import __version__
from ridecheck.core.files import write_whole
from ridecheck.reporters import display_units, wording
from ridecheck.reporters.drawing import Drawing, Mark
from ridecheck.reporters.page import render
from ridecheck.reporters.rides_drawn import sketch_drawing
from ridecheck.reporters.strip_drawing import left_out, strip_drawing
from ridecheck.reporters.trace_text import detectable_sentences, tally
from ridecheck.signals.order import Move
from ridecheck.trace import RideTrace, Strip, TracedCancel

PRINTED = 10
"""Events of a ride that are printed; the screen shows all."""


def write_trace(
    trace: RideTrace, sentences: Sequence[str], folder: Path, *, units: str = "metric"
) -> Path:
    """Write traces/<ride>.html under a folder; its path. Raises OSError.

    It links to the bike's page and the board where they are in that folder.
    """
    path = folder / "traces" / f"{trace.ride}.html"
    beside = (folder / "bikes" / f"{trace.bike}.html").is_file()
    page = trace_page(trace, sentences, units=units, beside_reports=beside)
    write_whole(path, page.encode("utf-8"))
    return path


def trace_page(
    trace: RideTrace,
    sentences: Sequence[str],
    *,
    units: str = "metric",
    beside_reports: bool = False,
) -> str:
    """The page as HTML; sentences are the cautions."""
    strips, view = trace.strips, trace.view  # drawings turn metric figures themselves
    trace = display_units.in_units(trace, units)
    unlogged = [d.channel for d in trace.detectable if d.interval_s is None]
    zone = trace.time_zone
    return render(
        "trace.html",
        zone=zone,
        units=units,
        cautions=sentences,
        trace=trace,
        beside_reports=beside_reports,
        overview=sketch_drawing(trace.sketch, [t.cancel for t in trace.cancels]),
        tally=tally([t.cancel for t in trace.cancels]),
        printed=PRINTED,
        cancels=[
            _item(number, traced, strip, units)
            for number, (traced, strip) in enumerate(zip(trace.cancels, strips, strict=True), 1)
        ],
        view=view and _view(trace, view.strip, units, zone),
        standing=[o.sentence for o in trace.occasions if o.stands_out],
        detectable=list(detectable_sentences(trace.detectable)),
        unlogged=[wording.words(c) for c in dict.fromkeys(unlogged)],
        version=__version__,
    )


@dataclass(frozen=True, slots=True)
class Item:
    """One cancel as the template shows it."""

    number: int
    instant: str
    summary: str
    traced: TracedCancel
    drawing: Drawing
    left_out: list[str]
    moves: "list[MoveRow]"


@dataclass(frozen=True, slots=True)
class MoveRow:
    """A move with its times in seconds from the cancel."""

    what: str
    seen: str
    earliest: str
    latest: str


def _item(number: int, traced: TracedCancel, strip: Strip, units: str) -> Item:
    cancel = traced.cancel
    instant = cancel.local_time or f"{cancel.t_s:.3f} s into the ride"
    summary = f"{wording.cause(cancel)}, {wording.COMMANDED[cancel.commanded]}"
    label = f"Strip chart round the cancel at {instant}. {summary}. Order: {traced.order}"
    return Item(
        number=number,
        instant=instant,
        summary=summary,
        traced=traced,
        drawing=strip_drawing(strip, label, _marks(traced), units=units),
        left_out=left_out(strip),
        moves=[_row(m, cancel.t_s) for m in traced.moves],
    )


def _row(move: Move, t_s: float) -> MoveRow:
    return MoveRow(
        what=move.what,
        seen=f"{move.at_s - t_s:+.3f}",
        earliest=f"{move.span.start_s - t_s:+.3f}",
        latest=f"{move.span.end_s - t_s:+.3f}",
    )


def _marks(traced: TracedCancel) -> list[Mark]:
    """The cancel, the first event, and the rider's next press."""
    cancel = traced.cancel
    marks = [Mark(0.0, "cruise disengages", "cancel")]
    first = [
        m
        for m in traced.moves
        if m.channel == cancel.first_mover and m.can_end_cruise and m.at_s <= cancel.t_s + 1e-6
    ]
    if first:
        move = first[-1]
        marks.append(Mark(move.at_s - cancel.t_s, move.what, "first"))
    if traced.press_s is not None:
        marks.append(Mark(traced.press_s, "engaged or pressed again", "press"))
    if traced.marker_s is not None:
        marks.append(Mark(traced.marker_s, "rider's marker", "press"))
    return marks


def _view(trace: RideTrace, strip: Strip, units: str, zone: str) -> dict[str, Any]:
    view = trace.view
    assert view is not None
    at = f"{view.at_s:.3f} s into the ride"
    instant = wording.moment(view.time, zone) if view.time else at
    label = f"Strip chart round {instant}"
    return {"instant": instant, "drawing": strip_drawing(strip, label, [], units=units)}
