"""The pages: a fleet board and one report a bike, as files that need nothing else.

No page asks anything of a network, and none needs a script. What comes from files and
people is escaped, control characters included.
"""

import base64
import hashlib
import sys
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache, partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from ridecheck.core.durations import spoken
from ridecheck.core.files import remove, write_whole
from ridecheck.core.model import (
    BikeReport,
    Cancel,
    Coverage,
    FleetReport,
    ReportedFinding,
    RideSummary,
    State,
    StoredFinding,
    Verdict,
)
from ridecheck.reporters import display_units, evidence, wording
from ridecheck.reporters.characters import shown
from ridecheck.reporters.json_report import finding_order, report_json
from ridecheck.reporters.proof_text import proof_lines

TEMPLATES = Path(__file__).parent / "templates"
SHOWN_GROUPS = 5
"""Kinds of finding at the top of a bike's page; the rest stand further down."""
SHOWN_ROWS = 200
"""Rows of a long table on a page; report.json holds all."""


def write_pages(report: FleetReport, report_dir: Path, *, full: bool = False) -> None:
    """Write report.json, a page for each bike, and the board, in that order.

    Each file is put in place whole. Pages of bikes that left the fleet move to archive/.
    full: no table is cut. Cancels of rides traced into the same folder link to their strip
    charts. Raises OSError where the folder cannot be written.
    """
    write_whole(report_dir / "report.json", report_json(report).encode("ascii"))
    traced = frozenset(page.stem for page in (report_dir / "traces").glob("*.html"))
    for bike in report.bikes:
        page = bike_page(report, bike, full=full, traced=traced).encode("utf-8")
        write_whole(report_dir / "bikes" / f"{bike.bike}.html", page)
    write_whole(report_dir / "index.html", index_page(report).encode("utf-8"))
    _archive(report_dir, {b.bike for b in report.bikes})


def _archive(report_dir: Path, bikes: set[str]) -> None:
    """Move the pages of bikes that are no longer in the fleet out of the way."""
    for page in sorted((report_dir / "bikes").glob("*.html")):
        if page.stem not in bikes:
            write_whole(report_dir / "archive" / page.name, page.read_bytes())
            remove(page)


def index_page(report: FleetReport) -> str:
    """The fleet board as HTML."""
    report = display_units.in_units(report, report.display_units)
    groups = wording.by_urgency(report)
    released = groups[Verdict.RELEASE]
    return render(
        "index.html",
        units=report.display_units,
        cautions=report.cautions,
        report=report,
        first_line=wording.first_line(report),
        newest=wording.newest_data(report),
        urgent=[b for v, bikes in groups.items() if v is not Verdict.RELEASE for b in bikes],
        released=released,
        meanings=[(wording.VERDICTS[v], wording.MEANINGS[v]) for v in Verdict],
        beside=_beside(released),
    )


def bike_page(
    report: FleetReport,
    bike: BikeReport,
    *,
    full: bool = False,
    traced: frozenset[str] = frozenset(),
) -> str:
    """One bike's report as HTML; full: no table is cut; traced: rides with a page of strips."""
    bike = display_units.in_units(bike, report.display_units)
    findings = sorted(bike.findings, key=finding_order)
    return render(
        "bike.html",
        units=report.display_units,
        cautions=report.cautions,
        report=report,
        bike=bike,
        period=_period(bike, report.time_zone),
        distance_km=sum(r.distance_km for r in bike.rides),
        engaged_km=sum(r.engaged_km for r in bike.rides),
        engagements=sum(r.engagements for r in bike.rides),
        findings=findings,
        groups=_groups(findings),
        cancel_tally=_tally(bike.cancels),
        commanded=_commanded(bike.cancels),
        uncommanded=sorted(
            (c for c in bike.cancels if c.commanded is not True and c.cause != "log_end"),
            key=lambda c: (c.time is None, -c.time.timestamp() if c.time else 0.0, c.t_s),
        ),
        since=proof_lines(bike, zone=report.time_zone, units=report.display_units),
        unassigned=max(0.0, 1.0 - sum(s.probability for s in bike.suspects)),
        judged=_covered(bike.coverage, (State.FAULT, State.OK)),
        unjudged=_covered(bike.coverage, (State.ERROR, State.NOT_ASSESSED)),
        rides=sorted(bike.rides, key=_newest_first),
        traced=traced,
        shown_groups=len(findings) if full else SHOWN_GROUPS,
        shown_rows=sys.maxsize if full else SHOWN_ROWS,
    )


@dataclass(frozen=True, slots=True)
class Group:
    """Open findings of one rule: how many, the worst, and when the newest was."""

    times: int
    worst: StoredFinding
    newest: datetime | None


def _groups(findings: Sequence[ReportedFinding]) -> list[Group]:
    """Open findings by rule, heaviest first; the worst is the one farthest from its limit."""
    by_rule: dict[str, list[StoredFinding]] = defaultdict(list)
    for item in findings:
        if item.open:
            by_rule[item.finding.rule].append(item.finding)
    groups = [
        Group(
            times=len(found),
            worst=min(found, key=lambda f: (f.severity.rank, -_excess(f), f.id)),
            newest=max((f.start for f in found if f.start), default=None),
        )
        for found in by_rule.values()
    ]
    return sorted(groups, key=lambda g: (g.worst.severity.rank, -g.times, g.worst.rule))


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


def _excess(finding: StoredFinding) -> float:
    """How far a finding is past its limit; 0 where there is no figure."""
    if finding.measured is None or finding.limit is None:
        return 0.0
    return abs(finding.measured - finding.limit)


def _period(bike: BikeReport, zone: str) -> str:
    dated = [r for r in bike.rides if r.start and r.end]
    undated = len(bike.rides) - len(dated)
    spans = []
    if dated:
        first = min(r.start for r in dated if r.start)
        last = max(r.end for r in dated if r.end)
        here = f" ({wording.local(last, zone)})" if wording.local(last, zone) else ""
        spans.append(f"{wording.utc(first)} to {wording.utc(last)}{here}")
    if undated:
        spans.append(f"{wording.count(undated, 'ride')} with the date unknown")
    return ", ".join(spans)


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


def _beside(released: Sequence[BikeReport]) -> list[tuple[str, list[str]]]:
    """What stands beside the word, with the tags it stands beside."""
    alike: dict[str, list[str]] = defaultdict(list)
    for bike in released:
        if remarks := wording.beside(bike):
            alike[remarks].append(bike.bike)
    return sorted(alike.items(), key=lambda item: item[1])


# ---------------------------------------------------------------- templates


def render(template: str, *, script: str = "", units: str = "metric", **values: Any) -> str:
    """A page from its template, with the style and a script allowed by their hashes alone.

    units: in which figures of speed and distance are written.
    """
    style = _style()
    source = f"; script-src {_hash_source(script)}" if script else ""
    return (
        _environment(units)
        .get_template(template)
        .render(
            style=Markup(style),
            style_hash=Markup(_hash_source(style)),
            script=Markup(script),
            script_source=Markup(source),
            **values,
        )
    )


@cache
def _style() -> str:
    return (TEMPLATES / "style.css").read_text("utf-8")


def _hash_source(text: str) -> str:
    """A Content-Security-Policy source that allows exactly this inline text."""
    digest = base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
    return f"'sha256-{digest}'"


@cache
def _environment(units: str) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_harmless,
    )
    environment.filters.update(
        label=lambda verdict: wording.VERDICT_LABELS[verdict],
        meaning=lambda verdict: wording.MEANINGS[verdict],
        check_name=wording.check_name,
        state=lambda state: wording.STATES[state],
        commanded=lambda commanded: wording.COMMANDED[commanded],
        cause=wording.cause,
        changed=wording.changed,
        was=wording.was,
        count=wording.count,
        figure=partial(display_units.figure, units=units),
        local=wording.local,
        chance=wording.chance,
        percent=lambda share: f"{100.0 * share:.0f} %",
        refresh=_refresh,
        sentences=partial(evidence.sentences, units=units),
        suspects=wording.suspects,
        finding_text=wording.finding_text,
        takes=evidence.takes,
        utc=wording.utc,
        utc_ms=wording.utc_ms,
        words=wording.words,
        z_time=wording.z_time,
    )
    return environment


def _harmless(value: object) -> object:
    """Spell out what could steer a reader in plain text; mark-up made here passes."""
    return shown(value) if type(value) is str else value


def _exposure(coverage: Coverage) -> str:
    """What could have shown the fault: seconds, events."""
    seen = [spoken(coverage.exposure_s)] if coverage.exposure_s else []
    seen += [wording.count(coverage.events, "event")] if coverage.events else []
    return ", ".join(seen)


def _refresh(ride: RideSummary) -> str:
    """How often each channel showed a new value."""
    return ", ".join(
        f"{wording.words(name)} every {wording.figure(facts.interval_s, 's')}"
        for name, facts in sorted(ride.channels.items())
    )
