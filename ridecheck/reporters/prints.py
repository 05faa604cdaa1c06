"""Two prints of a bike: the tag on its key, and one sheet for the workshop.

The tag bears no speed, no time of day and no file name: it hangs in a shop. The sheet says what
was seen and what was not, what was done and by whom, and what it does not prove; nothing about
how or by whom the bike was ridden.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from ridecheck.core.model import BikeReport, FleetReport, Happened, StoredFinding, Verdict
from ridecheck.reporters import display_units, wording
from ridecheck.reporters.bike_page import finding_drawing, weighed
from ridecheck.reporters.drawing import Drawing
from ridecheck.reporters.page import render
from ridecheck.ride.pictures import worst_first
from ridecheck.rules import all_rules

MOST_ON_A_TAG = 3
MOST_ON_A_SHEET = 6
OPEN_QUESTION = {
    Verdict.KEEP_IN: "A danger is open.",
    Verdict.INSPECT: "A fault is open.",
    Verdict.NO_OPINION: "The log does not say.",
    Verdict.RELEASE: "No fault found in the log.",
}
"""The reason on a tag where no rule names one."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What a rule found on a bike: how often, in how many rides, the last day."""

    what: str
    severity: str
    times: int
    rides: int
    first: datetime | None
    last: datetime | None
    worst: StoredFinding


def tag_page(report: FleetReport, bike: BikeReport) -> str:
    """The key tag as HTML: verdict, reason, checks, cautions, a line to sign."""
    return render(
        "tag.html",
        zone=report.time_zone,
        units=report.display_units,
        cautions=report.cautions,
        report=report,
        bike=bike,
        reasons=_tag_reasons(bike),
        checks=bike.next_checks[:MOST_ON_A_TAG],
    )


def workshop_page(report: FleetReport, bike: BikeReport) -> str:
    """The workshop sheet as HTML: one page for who takes the bike apart."""
    units = report.display_units
    bike = display_units.in_units(bike, units)
    seen = seen_of(bike)
    return render(
        "workshop.html",
        zone=report.time_zone,
        units=units,
        cautions=report.cautions,
        report=report,
        bike=bike,
        seen=seen[:MOST_ON_A_SHEET],
        more=len(seen) - MOST_ON_A_SHEET,
        drawing=_picture(seen, units),
        done=_done(bike.history),
        not_logged=_not_logged(bike),
    )


def seen_of(bike: BikeReport) -> list[Seen]:
    """Open findings by rule, heaviest first."""
    by_rule: dict[str, list[StoredFinding]] = defaultdict(list)
    for finding in weighed(bike):
        by_rule[finding.rule].append(finding)
    seen = []
    for rule, found in by_rule.items():
        dated = sorted(f.start for f in found if f.start)
        ordered = worst_first(found)
        seen.append(
            Seen(
                what=_summary(rule),
                severity=found[0].severity.value,
                times=len(found),
                rides=len({f.ride for f in found}),
                first=dated[0] if dated else None,
                last=dated[-1] if dated else None,
                worst=next((f for f in ordered if f.picture), ordered[0]),
            )
        )
    return sorted(seen, key=lambda s: (s.worst.severity.rank, -s.times, s.what))


def _summary(rule: str) -> str:
    """What a rule finds, in its own words; its id as words where it is no rule of this version."""
    known = all_rules().get(rule)
    return known.summary if known is not None and known.doc else wording.words(rule)


def _tag_reasons(bike: BikeReport) -> list[str]:
    """What was found, without a figure; else what the verdict means."""
    raised = ("danger",) if bike.verdict is Verdict.KEEP_IN else ("danger", "fault")
    found = [s.what for s in seen_of(bike) if s.severity in raised]
    if bike.verdict in (Verdict.KEEP_IN, Verdict.INSPECT) and found:
        return found[:MOST_ON_A_TAG]
    return [OPEN_QUESTION[bike.verdict]]


def _picture(seen: Sequence[Seen], units: str) -> Drawing | None:
    """The drawing of the worst thing seen; None where there is none."""
    return next((d for s in seen if (d := finding_drawing(s.worst, units)) is not None), None)


def _done(history: Sequence[Happened]) -> list[Happened]:
    """Repairs, checks and decisions, the newest first."""
    kinds = ("repair", "modification", "checked", "signed_off", "dismissed")
    return sorted((h for h in history if h.kind in kinds), key=lambda h: h.when, reverse=True)[:8]


def _not_logged(bike: BikeReport) -> list[str]:
    """What no rule could look at, and what is logged too slowly."""
    return [
        " or ".join(wording.words(c) for c in wanted.channels)
        + (" (too slowly)" if wanted.have_s is not None else "")
        for wanted in bike.to_log
    ]
