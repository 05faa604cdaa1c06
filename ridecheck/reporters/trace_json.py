"""The cancels of a ride for programs: JSON of schema ``ridecheck-trace/1``, and CSV."""

from collections.abc import Sequence
from typing import Any

from ridecheck.reporters.csv_report import cancels_csv
from ridecheck.reporters.evidence import sentences
from ridecheck.reporters.json_report import cancel_dict
from ridecheck.reporters.wording import rounded, z_time
from ridecheck.signals.cancels.latency import Latency
from ridecheck.signals.order import Move
from ridecheck.trace import Detectable, RideTrace, TracedCancel
from ridecheck.trace.occasions import Occasion

SCHEMA = "ridecheck-trace/1"


def trace_dict(trace: RideTrace, sentences: Sequence[str]) -> dict[str, Any]:
    """A trace as plain values; cancels have the report's fields and what moved round each."""
    return {
        "schema": SCHEMA,
        "cautions": list(sentences),
        "ride": trace.ride,
        "bike": trace.bike,
        "model": trace.model,
        "start": z_time(trace.start),
        "end": z_time(trace.end),
        "parts": [{"log": p.log, "sha256": p.sha256, "part": p.part} for p in trace.parts],
        "notes": [{"about": n.about, "message": n.message, "count": n.count} for n in trace.notes],
        "channels": {
            name: {
                "interval_s": rounded(facts.interval_s, "s"),
                "present": rounded(facts.present, ""),
            }
            for name, facts in sorted(trace.channels.items())
        },
        "engaged_km": rounded(trace.engaged_km, "km"),
        "engagements": trace.engagements,
        "inferred": trace.inferred,
        "lets_go_after": _latency(trace.latency),
        "cancels": [_cancel(c) for c in trace.cancels],
        "detectable": [_detectable(d) for d in trace.detectable],
        "occasions": [_occasion(o) for o in trace.occasions],
        "next_ride": {
            "add": list(trace.next_ride.add),
            "faster": list(trace.next_ride.faster),
            "engaged_km": rounded(trace.next_ride.km, "km"),
            "told": list(trace.next_ride.sentences),
        },
    }


def _latency(known: Latency) -> dict[str, Any] | None:
    """How long cruise takes to disengage; None where the ride shows too little."""
    if not known.cancels:
        return None
    return {
        "least_s": rounded(known.span.start_s, "s"),
        "most_s": rounded(known.span.end_s, "s"),
        "cancels": known.cancels,
    }


def trace_csv(traces: Sequence[RideTrace]) -> str:
    """One line a cancel."""
    return cancels_csv([t.cancel for trace in traces for t in trace.cancels])


def _cancel(traced: TracedCancel) -> dict[str, Any]:
    return {
        **cancel_dict(traced.cancel),
        "t_s": rounded(traced.cancel.t_s, "s"),
        "engaged_s": rounded(traced.engaged_s, "s"),
        "order": traced.order,
        "remarks": sentences(traced.remarks),
        "marker_s": rounded(traced.marker_s, "s"),
        "press_s": rounded(traced.press_s, "s"),
        "moves": [_move(m, traced.cancel.t_s) for m in traced.moves],
    }


def _move(move: Move, t_s: float) -> dict[str, Any]:
    """Seconds from the cancel; it surely happened between earliest_s and latest_s."""
    return {
        "channel": move.channel,
        "what": move.what,
        "seen_s": rounded(move.at_s - t_s, "s"),
        "earliest_s": rounded(move.span.start_s - t_s, "s"),
        "latest_s": rounded(move.span.end_s - t_s, "s"),
    }


def _detectable(seen: Detectable) -> dict[str, Any]:
    return {
        "channel": seen.channel,
        "through": seen.through or None,
        "pulse_s": rounded(seen.pulse_s, "s"),
        "interval_s": rounded(seen.interval_s, "s"),
        "latched": seen.latched,
        "chance": rounded(seen.chance, ""),
        "events": seen.events,
        "unseen": rounded(seen.unseen, ""),
    }


def _occasion(occasion: Occasion) -> dict[str, Any]:
    return {
        "name": occasion.name,
        "cancels": occasion.cancels,
        "of": occasion.of,
        "share": rounded(occasion.share, ""),
        "p": occasion.p,
        "p_corrected": occasion.p_corrected,
        "tried": occasion.tried,
        "stands_out": occasion.stands_out,
    }
