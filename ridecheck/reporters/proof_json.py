"""Repairs, trends and history of a bike for programs."""

from collections.abc import Sequence
from typing import Any

from ridecheck.core.model import BeforeAfter, BikeReport, Happened, Repair, Trend
from ridecheck.reporters.proof_words import first_sentence, more_sentence
from ridecheck.reporters.wording import rounded, z_time

SCHEMA = "ridecheck-proof/1"


def proof_dict(bike: BikeReport, cautions: Sequence[str]) -> dict[str, Any]:
    """``proof --format json`` of one bike."""
    return {
        "schema": SCHEMA,
        "cautions": list(cautions),
        "bike": bike.bike,
        "repairs": [repair_dict(r) for r in bike.repairs],
        "trends": [trend_dict(t) for t in bike.trends],
        "history": [happened_dict(h) for h in bike.history],
    }


def repair_dict(repair: Repair) -> dict[str, Any]:
    """A repair as the report gives it."""
    return {
        "when": z_time(repair.when),
        "day_alone": repair.day_alone,
        "part": repair.part,
        "note": repair.note,
        "by": repair.by,
        "outcome": repair.outcome,
        "sentence": first_sentence(repair),
        "more": more_sentence(repair),
        "decides": repair.decides,
        "rides_before": repair.rides_before,
        "rides_after": repair.rides_after,
        "engaged_km_before": rounded(repair.engaged_km_before, "km"),
        "engaged_km_after": rounded(repair.engaged_km_after, "km"),
        "engaged_h_before": rounded(repair.engaged_h_before, ""),
        "engaged_h_after": rounded(repair.engaged_h_after, ""),
        "counts": [count_dict(c) for c in repair.counts],
        "hold_before_kmh": rounded(repair.hold_before_kmh, ""),
        "hold_after_kmh": rounded(repair.hold_after_kmh, ""),
        "met_again": [
            {
                "occasion": m.occasion,
                "cancels_before": m.cancels_before,
                "hours_since": rounded(m.hours_since, ""),
            }
            for m in repair.met_again
        ],
        "dangers": list(repair.dangers),
    }


def count_dict(count: BeforeAfter) -> dict[str, Any]:
    """A count before and after as the report gives it."""
    return {
        "what": count.what,
        "per": count.per,
        "km_before": rounded(count.km_before, "km"),
        "km_after": rounded(count.km_after, "km"),
        "events_before": count.events_before,
        "events_after": count.events_after,
        "bursts_before": count.bursts_before,
        "bursts_after": count.bursts_after,
        "evidence": rounded(count.evidence, ""),
        "one_look": rounded(count.one_look, ""),
        "more_km": rounded(count.more_km, "km"),
    }


def trend_dict(trend: Trend) -> dict[str, Any]:
    """A trend as the report gives it."""
    return {
        "measure": trend.measure,
        "unit": trend.unit,
        "state": trend.state,
        "usual": rounded(trend.usual, ""),
        "newest": rounded(trend.newest, ""),
        "alarm": trend.alarm,
        "among": rounded(trend.among, ""),
        "values": [{"ride": ride, "value": rounded(value, "")} for ride, value in trend.values],
    }


def happened_dict(line: Happened) -> dict[str, Any]:
    """An event of the history as the report gives it."""
    return {
        "when": z_time(line.when),
        "day_only": line.day_only,
        "kind": line.kind,
        "part": line.part,
        "text": line.text,
        "by": line.by,
        "about": line.about,
    }
