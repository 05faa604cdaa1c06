"""The pages of a fleet: a board, and for each bike a report, a key tag and a workshop sheet."""

import json
from pathlib import Path

from ridecheck.core.files import remove, write_whole
from ridecheck.core.model import BikeReport, FleetReport
from ridecheck.reporters.bike_page import bike_page
from ridecheck.reporters.board_page import index_page
from ridecheck.reporters.json_report import report_json
from ridecheck.reporters.prints import tag_page, workshop_page

__all__ = ["bike_page", "index_page", "write_pages"]

OF_A_BIKE = ("bikes", "tags", "workshop")
"""Folders with one page a bike."""


def write_pages(report: FleetReport, report_dir: Path, *, full: bool = False) -> None:
    """Write report.json, the pages of each bike, and the board, in that order.

    Each file is put in place whole. Pages of bikes that left the fleet move to archive/; a page
    whose verdict is another than that of the report it replaces is kept there too. full: no
    table is cut. Cancels of rides traced into the same folder link to their strip charts.
    Raises OSError where the folder cannot be written.
    """
    before = _verdicts(report_dir / "report.json")
    write_whole(report_dir / "report.json", report_json(report).encode("ascii"))
    traced = frozenset(page.stem for page in (report_dir / "traces").glob("*.html"))
    for bike in report.bikes:
        page = bike_page(report, bike, full=full, traced=traced).encode("utf-8")
        write_whole(report_dir / "bikes" / f"{bike.bike}.html", page)
        if before.get(bike.bike, bike.verdict.value) != bike.verdict.value:
            write_whole(report_dir / "archive" / f"{_issued(report, bike)}.html", page)
        for folder, made in (("tags", tag_page), ("workshop", workshop_page)):
            text = made(report, bike).encode("utf-8")
            write_whole(report_dir / folder / f"{bike.bike}.html", text)
    write_whole(report_dir / "index.html", index_page(report).encode("utf-8"))
    _archive(report_dir, {b.bike for b in report.bikes})


def _verdicts(path: Path) -> dict[str, str]:
    """What the report that is about to be replaced said of each bike; nothing without one."""
    try:
        bikes = json.loads(path.read_bytes())["bikes"]
        return {b["bike"]: b["verdict"] for b in bikes}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _issued(report: FleetReport, bike: BikeReport) -> str:
    """Name of an issued page: the bike, when it was written, and what it said."""
    return f"{bike.bike}-{report.generated_at:%Y%m%dT%H%M%SZ}-{bike.verdict.value}"


def _archive(report_dir: Path, bikes: set[str]) -> None:
    """Move the pages of bikes that are no longer in the fleet out of the way."""
    for page in sorted((report_dir / "bikes").glob("*.html")):
        if page.stem not in bikes:
            write_whole(report_dir / "archive" / page.name, page.read_bytes())
            remove(page)
    for folder in OF_A_BIKE[1:]:
        for page in sorted((report_dir / folder).glob("*.html")):
            if page.stem not in bikes:
                remove(page)
