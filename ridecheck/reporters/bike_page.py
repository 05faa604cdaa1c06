"""One bike's page: the decision and the pictures that prove it first, the rest after."""

import sys
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from ridecheck.core.durations import rate, spoken
from ridecheck.core.model import (
    BikeReport,
    Cancel,
    Coverage,
    FleetReport,
    RideSummary,
    Severity,
    State,
    StoredFinding,
    ToLog,
)
from ridecheck.reporters import display_units, wording
from ridecheck.reporters.board_page import by_hand
from ridecheck.reporters.drawing import Drawing, Mark, picture_drawing
from ridecheck.reporters.json_report import finding_order
from ridecheck.reporters.page import render
from ridecheck.reporters.proof_text import proof_lines
from ridecheck.reporters.rides_drawn import controls, gears, overview, timeline
from ridecheck.ride.pictures import worst_first

SHOWN_GROUPS = 5
"""Kinds of finding at the top of a bike's page; the rest stand further down."""
SHOWN_ROWS = 200
"""Rows of a long table on a page; report.json holds all."""
SHOWN_STRIPS = 50
"""Cancels of a page that open to a strip; a trace of the ride draws every one."""
SHOWN_TO_LOG = 3


def bike_page(
    report: FleetReport,
    bike: BikeReport,
    *,
    full: bool = False,
    traced: frozenset[str] = frozenset(),
) -> str:
    """One bike's report as HTML; full: no table is cut; traced: rides with a page of strips."""
    units, zone = report.display_units, report.time_zone
    bike = display_units.in_units(bike, units)
    findings = sorted(bike.findings, key=finding_order)
    groups = _groups(weighed(bike), units)
    return render(
        "bike.html",
        zone=zone,
        units=units,
        cautions=report.cautions,
        report=report,
        bike=bike,
        by_hand=by_hand(bike),
        period=_period(bike, zone),
        findings=findings,
        shown=groups if full else groups[:SHOWN_GROUPS],
        groups=groups,
        to_log=[_sentence(t) for t in bike.to_log[:SHOWN_TO_LOG]],
        judged=_covered(bike.coverage, (State.FAULT, State.OK)),
        unjudged=_covered(bike.coverage, (State.ERROR, State.NOT_ASSESSED)),
        since=proof_lines(replace(bike, history=()), zone=zone, units=units),
        unassigned=max(0.0, 1.0 - sum(s.probability for s in bike.suspects)),
        changes=_changes(bike, zone),
        history=timeline(bike, zone),
        controls=controls(bike.rides),
        overview=overview(bike, zone, speed=full, units=units),
        gears=gears(bike.rides, units),
        cancel_tally=_tally(bike.cancels),
        commanded=_commanded(bike.cancels),
        cancels=_cancels(bike.cancels, units, most=sys.maxsize if full else SHOWN_ROWS),
        uncommanded=sum(c.commanded is not True and c.cause != "log_end" for c in bike.cancels),
        set_limits=[x for x in bike.limits if x.limit.origin != "rule"],
        rides=sorted(bike.rides, key=_newest_first),
        traced=traced,
        shown_rows=sys.maxsize if full else SHOWN_ROWS,
    )


# ------------------------------------------------------------------------- findings


@dataclass(frozen=True, slots=True)
class Group:
    """Open findings of one rule: how many, the worst, when the newest was, and its picture."""

    times: int
    rides: int
    worst: StoredFinding
    newest: datetime | None
    drawing: Drawing | None


def weighed(bike: BikeReport) -> list[StoredFinding]:
    """Open findings that the verdict's sentences count, so that a page counts no others.

    Dangers of any ride, what was found in rides that count, and faults of undated rides.
    """
    rides = {r.ride: r for r in bike.rides}
    found = []
    for item in bike.findings:
        ride, severity = rides.get(item.finding.ride), item.finding.severity
        counts = ride is None or ride.counts or severity is Severity.DANGER
        undated_fault = item.finding.start is None and severity is Severity.FAULT
        if item.open and (counts or undated_fault):
            found.append(item.finding)
    return found


def _groups(findings: Sequence[StoredFinding], units: str) -> list[Group]:
    """Findings by rule, heaviest first; the worst is the one farthest from its limit."""
    by_rule: dict[str, list[StoredFinding]] = defaultdict(list)
    for finding in findings:
        by_rule[finding.rule].append(finding)
    groups = []
    for found in by_rule.values():
        ordered = worst_first(found)
        worst = next((f for f in ordered if f.picture is not None), ordered[0])
        groups.append(
            Group(
                times=len(found),
                rides=len({f.ride for f in found}),
                worst=worst,
                newest=max((f.start for f in found if f.start), default=None),
                drawing=finding_drawing(worst, units),
            )
        )
    return sorted(groups, key=lambda g: (g.worst.severity.rank, -g.times, g.worst.rule))


def finding_drawing(finding: StoredFinding, units: str) -> Drawing | None:
    """The drawing that proves a finding; None where none was kept."""
    if finding.picture is None:
        return None
    marks = [Mark(0.0, "found from here", "stretch")]
    if finding.picture.allowed is not None:
        end_s = finding.picture.allowed.end_s
        marks.append(Mark(end_s, f"limit {spoken(finding.limit or end_s)}", "limit"))
    label = f"Signals round the finding: {wording.finding_text(finding)}"
    return picture_drawing(finding.picture, label, units=units, marks=marks)


def cancel_drawing(cancel: Cancel, units: str) -> Drawing | None:
    """The drawing of a cancel; None where none was kept."""
    if cancel.picture is None:
        return None
    label = f"Signals round the cancel: {wording.cause(cancel)}"
    marks = [Mark(0.0, "cruise disengages", "cancel")]
    return picture_drawing(cancel.picture, label, units=units, marks=marks)


# ------------------------------------------------------------------------- coverage


@dataclass(frozen=True, slots=True)
class Covered:
    """Rules of one state that stand where they do for one reason."""

    state: State
    reason: str
    rules: list[str]


def _covered(coverage: Sequence[Coverage], states: Sequence[State]) -> list[Covered]:
    """Rules by state, and unjudged ones by the reason why; most rules of a reason first."""
    alike: dict[tuple[State, str], list[str]] = defaultdict(list)
    for row in sorted(coverage, key=lambda c: c.rule):
        judged = row.state in (State.OK, State.FAULT)
        shown_by = ", ".join(filter(None, (row.reason if judged else "", _exposure(row))))
        name = wording.words(row.rule) + (f" ({shown_by})" if shown_by else "")
        if row.state in states:
            alike[(row.state, "" if judged else row.reason)].append(name)
    rows = [Covered(state, reason, rules) for (state, reason), rules in alike.items()]
    return sorted(rows, key=lambda r: (states.index(r.state), -len(r.rules), r.reason))


def _exposure(coverage: Coverage) -> str:
    """What could have shown the fault: time, events."""
    seen = [spoken(coverage.exposure_s)] if coverage.exposure_s else []
    seen += [wording.count(coverage.events, "event")] if coverage.events else []
    return ", ".join(seen)


def _sentence(wanted: ToLog) -> tuple[str, str]:
    """What to log and at what rate, and what it would show."""
    name = " or ".join(wording.words(c) for c in wanted.channels)
    at = f" at {rate(wanted.needed_s)} or faster" if wanted.needed_s else ""
    now = "not logged" if wanted.have_s is None else f"logged at {rate(wanted.have_s)}"
    names = [wording.words(r.split("/")[-1]) for r in wanted.rules]
    judged = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    return f"Log {name}{at} ({now})", judged


# ------------------------------------------------------------------------- what changed


def _changes(bike: BikeReport, zone: str) -> list[str]:
    """What the bike's newest day of data changed, against the verdict without it."""
    if bike.last_data is None:
        return []
    day = wording.moment(bike.last_data, zone)[:10]
    newest = [r for r in bike.rides if r.start and wording.moment(r.start, zone)[:10] == day]
    new_rides = {r.ride for r in newest}
    before = wording.VERDICTS[bike.previous_verdict] if bike.previous_verdict else "no verdict"
    now = wording.VERDICTS[bike.verdict]
    same = bike.previous_verdict is bike.verdict
    lines = [
        f"{wording.count(len(newest), 'ride')} on the newest day of data, {day}.",
        f"{now.capitalize()}, as before it."
        if same
        else f"{now.capitalize()}; {before} before it.",
    ]
    seen = Counter(f.finding.rule for f in bike.findings if f.finding.ride in new_rides)
    earlier = {f.finding.rule for f in bike.findings if f.finding.ride not in new_rides}
    for rule, times in seen.most_common():
        first = (
            "" if rule in earlier or len(new_rides) == len(bike.rides) else ", for the first time"
        )
        lines.append(f"{wording.words(rule)}: {wording.count(times, 'finding')}{first}.")
    return lines


def _period(bike: BikeReport, zone: str) -> str:
    dated = [r for r in bike.rides if r.start and r.end]
    undated = len(bike.rides) - len(dated)
    spans = []
    if dated:
        first = min(r.start for r in dated if r.start)
        last = max(r.end for r in dated if r.end)
        begin, end = (wording.moment(t, zone, seconds=False) for t in (first, last))
        spans.append(f"{begin} to {end}")
    if undated:
        spans.append(f"{wording.count(undated, 'ride')} with the date unknown")
    return ", ".join(spans)


# ------------------------------------------------------------------------- cancels


@dataclass(frozen=True, slots=True)
class CancelRow:
    """One cancel that was not the rider's own, with its strip where it has one."""

    cancel: Cancel
    drawing: Drawing | None


def _cancels(cancels: Sequence[Cancel], units: str, *, most: int) -> list[CancelRow]:
    """Uncommanded cancels first, then undetermined ones, the newest first."""
    ordered = sorted(
        (c for c in cancels if c.commanded is not True and c.cause != "log_end"),
        key=lambda c: (
            c.commanded is None,
            c.time is None,
            -c.time.timestamp() if c.time else 0.0,
            c.t_s,
        ),
    )[:most]
    return [
        CancelRow(c, cancel_drawing(c, units) if i < SHOWN_STRIPS else None)
        for i, c in enumerate(ordered)
    ]


def _tally(cancels: Sequence[Cancel]) -> str:
    """How many cancels were commanded, were not, and are undetermined."""
    ended = [c for c in cancels if c.cause != "log_end"]
    counts = {
        word: sum(c.commanded is value for c in ended) for value, word in wording.COMMANDED.items()
    }
    tally = [f"{number} {word}" for word, number in counts.items() if number]
    if open_ended := len(cancels) - len(ended):
        tally.append(f"{wording.count(open_ended, 'log')} ended with cruise engaged")
    return ", ".join(tally)


def _commanded(cancels: Sequence[Cancel]) -> str:
    """What the rider's own cancels were, counted and no more: they are no news."""
    counts = Counter(wording.cause(c) for c in cancels if c.commanded)
    return ", ".join(f"{cause} {number}" for cause, number in counts.most_common())


def _newest_first(ride: RideSummary) -> tuple[float, str]:
    return (-ride.start.timestamp() if ride.start else float("inf"), ride.ride)
