"""Tables for spreadsheets: comma, point, UTF-8, one header line."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

from ridecheck.core.model import BikeReport, Cancel, FleetReport, Severity
from ridecheck.reporters.characters import shown
from ridecheck.reporters.evidence import sentences
from ridecheck.reporters.json_report import finding_order
from ridecheck.reporters.wording import finding_text, rounded, z_time

Cell = str | int | float | bool | None

FORMULA_STARTS = ("=", "+", "-", "@")
"""A text cell that begins with one of these could be run as a formula."""


def fleet_csv(report: FleetReport) -> str:
    """One line a bike, by id."""
    return table([_bike(b) for b in sorted(report.bikes, key=lambda b: b.bike)], FLEET_COLUMNS)


def cancels_csv(cancels: Iterable[Cancel]) -> str:
    """One line a cancel."""
    return table([_cancel(c) for c in cancels], CANCEL_COLUMNS)


def table(rows: Sequence[Mapping[str, Cell]], columns: Sequence[str]) -> str:
    """Rows as CSV text. Blank is an empty cell, true and false are words.

    A text cell that a spreadsheet would run as a formula gets an apostrophe in front, and
    control characters are spelled out; numbers are left as they are, minus signs included.

    >>> table([{"note": "=1+1", "offset": -2.5}], ("note", "offset"))
    "note,offset\\n'=1+1,-2.5\\n"
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(row[name]) for name in columns] for row in rows)
    return text.getvalue()


def _cell(value: Cell) -> str | int | float:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = shown(value)
        return f"'{text}" if text.startswith(FORMULA_STARTS) else text
    return value


FLEET_COLUMNS = (
    "bike",
    "label",
    "model",
    "verdict",
    "previous_verdict",
    "because",
    "action",
    "not_covered",
    "last_data",
    "rides",
    "distance_km",
    "engaged_km",
    "open_dangers",
    "open_faults",
    "worst_open_finding",
    "cancels",
    "cancels_not_asked_for",
    "first_suspect",
    "first_suspect_probability",
    "next_check",
)


def _bike(bike: BikeReport) -> dict[str, Cell]:
    still_open = [f.finding for f in sorted(bike.findings, key=finding_order) if f.open]
    weights = [f.severity for f in still_open]
    worst = still_open[0] if still_open else None
    suspect = bike.suspects[0] if bike.suspects else None
    return {
        "bike": bike.bike,
        "label": bike.label,
        "model": bike.model,
        "verdict": bike.verdict.value,
        "previous_verdict": bike.previous_verdict.value if bike.previous_verdict else None,
        "because": " | ".join(bike.because),
        "action": bike.action,
        "not_covered": " | ".join(bike.not_covered),
        "last_data": z_time(bike.last_data),
        "rides": len(bike.rides),
        "distance_km": rounded(sum(r.distance_km for r in bike.rides), "km"),
        "engaged_km": rounded(sum(r.engaged_km for r in bike.rides), "km"),
        "open_dangers": weights.count(Severity.DANGER),
        "open_faults": weights.count(Severity.FAULT),
        "worst_open_finding": finding_text(worst) if worst else None,
        "cancels": len(bike.cancels),
        "cancels_not_asked_for": sum(c.commanded is False for c in bike.cancels),
        "first_suspect": suspect.part if suspect else None,
        "first_suspect_probability": rounded(suspect.probability, "") if suspect else None,
        "next_check": bike.next_checks[0].check if bike.next_checks else None,
    }


CANCEL_COLUMNS = (
    "ride",
    "time",
    "local_time",
    "file_time",
    "row",
    "speed_kmh",
    "gear",
    "cause",
    "commanded",
    "evidence",
    "pulse_s",
    "first_mover",
    "resolution_s",
    "not_logged",
    "inferred",
    "wanted_back",
)


def _cancel(cancel: Cancel) -> dict[str, Cell]:
    return {
        "ride": cancel.ride,
        "time": z_time(cancel.time),
        "local_time": cancel.local_time,
        "file_time": cancel.file_time,
        "row": cancel.row,
        "speed_kmh": rounded(cancel.speed_kmh, "km/h"),
        "gear": cancel.gear,
        "cause": cancel.cause,
        "commanded": cancel.commanded,
        "evidence": " | ".join(sentences(cancel.evidence)),
        "pulse_s": rounded(cancel.pulse_s, "s"),
        "first_mover": cancel.first_mover,
        "resolution_s": rounded(cancel.resolution_s, "s"),
        "not_logged": " ".join(cancel.not_logged),
        "inferred": cancel.inferred,
        "wanted_back": cancel.wanted_back,
    }
