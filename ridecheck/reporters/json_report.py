"""The report for programs: JSON of schema ``ridecheck-report/1``."""

import json
import math
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from ridecheck.core.model import (
    BikeReport,
    Cancel,
    ChannelFacts,
    Coverage,
    FleetReport,
    NextCheck,
    PartRef,
    ReportedFinding,
    RideSummary,
    SetAside,
    Suspect,
)
from ridecheck.reporters.evidence import sentences
from ridecheck.reporters.proof_json import happened_dict, repair_dict, trend_dict
from ridecheck.reporters.wording import finding_text, rounded, why_aside, z_time

SCHEMA = "ridecheck-report/1"

LAST = "9999"
"""Sorts undated rides and findings behind the dated ones."""


def report_json(report: FleetReport) -> str:
    """The report as JSON text, ASCII, one value a line, ending with a line end."""
    return as_json(report_dict(report))


def as_json(value: Any) -> str:
    """A value as JSON text; blank is null, and a figure that is no number is an error."""
    return json.dumps(value, indent=1, allow_nan=False) + "\n"


def report_dict(report: FleetReport) -> dict[str, Any]:
    """The report as plain values: bikes by id, what belongs to each in a fixed order."""
    return {
        "schema": SCHEMA,
        "generated_at": z_time(report.generated_at),
        "as_of": z_time(report.as_of),
        "fleet": report.fleet,
        "version": report.version,
        "cautions": list(report.cautions),
        "models_doubted": list(report.models_doubted),
        "bikes": [_bike(b) for b in sorted(report.bikes, key=lambda b: b.bike)],
        "set_aside": [_aside(log) for log in sorted(report.set_aside, key=lambda s: s.log)],
    }


def _bike(bike: BikeReport) -> dict[str, Any]:
    return {
        "bike": bike.bike,
        "label": bike.label,
        "model": bike.model,
        "verdict": bike.verdict.value,
        "previous_verdict": bike.previous_verdict.value if bike.previous_verdict else None,
        "because": list(bike.because),
        "action": bike.action,
        "not_covered": list(bike.not_covered),
        "last_data": z_time(bike.last_data),
        "rides": [_ride(r) for r in sorted(bike.rides, key=_ride_order)],
        "findings": [_finding(f) for f in sorted(bike.findings, key=finding_order)],
        "cancels": [cancel_dict(c) for c in bike.cancels],
        "suspects": [_suspect(s) for s in bike.suspects],
        "next_checks": [_next_check(c) for c in bike.next_checks],
        "coverage": [_coverage(c) for c in bike.coverage],
        "repairs": [repair_dict(r) for r in bike.repairs],
        "trends": [trend_dict(t) for t in bike.trends],
        "since_repair": bike.since_repair,
        "closing": list(bike.closing),
        "history": [happened_dict(h) for h in bike.history],
    }


def _ride_order(ride: RideSummary) -> tuple[str, str]:
    return (z_time(ride.start) or LAST, ride.ride)


def finding_order(item: ReportedFinding) -> tuple[int, str, str, str]:
    """Heaviest first, then by start (undated last), then by rule."""
    found = item.finding
    return (found.severity.rank, z_time(found.start) or LAST, found.rule, found.id)


def _ride(ride: RideSummary) -> dict[str, Any]:
    return {
        "ride": ride.ride,
        "log": ride.log,
        "sha256": ride.sha256,
        "parts": [_part(p) for p in ride.parts],
        "start": z_time(ride.start),
        "end": z_time(ride.end),
        "start_from": ride.start_from,
        "samples": ride.samples,
        "distance_km": rounded(ride.distance_km, "km"),
        "engaged_s": rounded(ride.engaged_s, "s"),
        "engaged_km": rounded(ride.engaged_km, "km"),
        "engagements": ride.engagements,
        "aliases": list(ride.aliases),
        "notes": [{"about": n.about, "message": n.message, "count": n.count} for n in ride.notes],
        "channels": {name: _channel(facts) for name, facts in sorted(ride.channels.items())},
    }


def _part(part: PartRef) -> dict[str, Any]:
    return {"log": part.log, "sha256": part.sha256, "part": part.part}


def _channel(facts: ChannelFacts) -> dict[str, Any]:
    return {
        "interval_s": rounded(facts.interval_s, "s"),
        "present": rounded(facts.present, ""),
    }


def _finding(item: ReportedFinding) -> dict[str, Any]:
    found = item.finding
    return {
        "id": found.id,
        "rule": found.rule,
        "severity": found.severity.value,
        "open": item.open,
        "ride": found.ride,
        "start": z_time(found.start),
        "end": z_time(found.end),
        "message": finding_text(found),
        "measured": rounded(found.measured, found.unit),
        "limit": rounded(found.limit, found.unit),
        "unit": found.unit,
        "channels": list(found.channels),
    }


def cancel_dict(cancel: Cancel) -> dict[str, Any]:
    """One cancel with the contract's field names."""
    return {
        "ride": cancel.ride,
        "time": z_time(cancel.time),
        "local_time": cancel.local_time,
        "file_time": cancel.file_time,
        "row": cancel.row,
        "speed_kmh": rounded(cancel.speed_kmh, "km/h"),
        "cause": cancel.cause,
        "commanded": cancel.commanded,
        "evidence": sentences(cancel.evidence),
        "gear": cancel.gear,
        "pulse_s": rounded(cancel.pulse_s, "s"),
        "first_mover": cancel.first_mover,
        "resolution_s": rounded(cancel.resolution_s, "s"),
        "not_logged": list(cancel.not_logged),
        "inferred": cancel.inferred,
        "wanted_back": cancel.wanted_back,
    }


def _suspect(suspect: Suspect) -> dict[str, Any]:
    return {
        "part": suspect.part,
        "probability": rounded(suspect.probability, ""),
        "for": list(suspect.evidence_for),
        "against": list(suspect.against),
        "not_logged": list(suspect.not_logged),
        "also_serves": list(suspect.also_serves),
    }


def _next_check(check: NextCheck) -> dict[str, Any]:
    return {
        "check": check.check,
        "part": check.part,
        "minutes": check.minutes,
        "how": check.how,
        "caution": check.caution,
    }


def _coverage(coverage: Coverage) -> dict[str, Any]:
    return {
        "rule": coverage.rule,
        "state": coverage.state.value,
        "reason": coverage.reason,
        "exposure_s": rounded(coverage.exposure_s, "s"),
        "events": coverage.events,
    }


def _aside(log: SetAside) -> dict[str, Any]:
    return {"log": log.log, "sha256": log.sha256, "why": why_aside(log)}


def plain(value: object) -> Any:
    """A free-form record as JSON values: instants as text, figures to three decimals."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, datetime):
        return z_time(value) if value.tzinfo else value.isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return round(value, 3) + 0.0 if math.isfinite(value) else None
    return value
