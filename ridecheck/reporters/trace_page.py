"""The cancels of a ride as a page with strip charts."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from ridecheck import __version__
from ridecheck.core.files import write_whole
from ridecheck.reporters import display_units, wording
from ridecheck.reporters.html import TEMPLATES, render
from ridecheck.reporters.strip_svg import Mark, left_out, strip_svg
from ridecheck.reporters.trace_text import detectable_sentences, tally
from ridecheck.signals.order import Move
from ridecheck.trace import RideTrace, Strip, TracedCancel


def write_trace(
    trace: RideTrace, sentences: Sequence[str], folder: Path, *, units: str = "metric"
) -> Path:
    """Write traces/<ride>.html under a folder; its path. Raises OSError."""
    path = folder / "traces" / f"{trace.ride}.html"
    write_whole(path, trace_page(trace, sentences, units=units).encode("utf-8"))
    return path


def trace_page(trace: RideTrace, sentences: Sequence[str], *, units: str = "metric") -> str:
    """The page as HTML; sentences are the cautions."""
    trace = display_units.in_units(trace, units)
    unlogged = [d.channel for d in trace.detectable if d.interval_s is None]
    return render(
        "trace.html",
        units=units,
        script=(TEMPLATES / "strip.js").read_text("utf-8"),
        cautions=sentences,
        trace=trace,
        tally=tally([t.cancel for t in trace.cancels]),
        cancels=[
            _item(number, traced, strip)
            for number, (traced, strip) in enumerate(
                zip(trace.cancels, trace.strips, strict=True), 1
            )
        ],
        view=_view(trace),
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
    svg: Markup
    left_out: list[str]
    moves: "list[MoveRow]"


@dataclass(frozen=True, slots=True)
class MoveRow:
    """A move with its times in seconds from the cancel."""

    what: str
    seen: str
    earliest: str
    latest: str


def _item(number: int, traced: TracedCancel, strip: Strip) -> Item:
    cancel = traced.cancel
    instant = wording.utc_ms(cancel.time) if cancel.time else f"{cancel.t_s:.3f} s into the ride"
    summary = f"{wording.cause(cancel)}, {wording.COMMANDED[cancel.commanded]}"
    label = f"Strip chart round the cancel at {instant}. {summary}. Order: {traced.order}"
    return Item(
        number=number,
        instant=instant,
        summary=summary,
        traced=traced,
        # The drawing escapes every name and word it puts in.
        svg=Markup(strip_svg(strip, label, _marks(traced))),
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


def _view(trace: RideTrace) -> dict[str, Any] | None:
    view = trace.view
    if view is None:
        return None
    instant = wording.utc_ms(view.time) if view.time else f"{view.at_s:.3f} s into the ride"
    svg = strip_svg(view.strip, f"Strip chart round {instant}", [])
    return {"instant": instant, "svg": Markup(svg)}
