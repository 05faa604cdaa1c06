"""The fleet board: every bike on one page, by urgency, each with its one reason."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from ridecheck.core.model import (
    BikeReport,
    FleetReport,
    Happened,
    RideSummary,
    Severity,
    Verdict,
)
from ridecheck.reporters import display_units, wording
from ridecheck.reporters.page import render
from ridecheck.reporters.rides_drawn import Spark, spark

NOTE_MARKS = "abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True, slots=True)
class Entry:
    """One bike as the board lists it. rows_share: rows there of those expected, None unknown.

    by_hand: the newest decision of a person on it. note: mark of the remark beside it.
    """

    bike: BikeReport
    km: float
    held_km: float
    rows_share: float | None
    odometer_km: float | None
    age_days: int | None
    spark: Spark | None
    by_hand: Happened | None
    uncommanded: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Bikes of one model that stand where they do for the same reason."""

    entries: tuple[Entry, ...]

    @property
    def first(self) -> BikeReport:
        """The bike whose words stand for all."""
        return self.entries[0].bike


def index_page(report: FleetReport) -> str:
    """The fleet board as HTML."""
    report = display_units.in_units(report, report.display_units)
    by_verdict = wording.by_urgency(report)
    released = by_verdict[Verdict.RELEASE]
    remarks = _remarks(released)
    marks = {tag: mark for mark, _, tags in remarks for tag in tags}
    return render(
        "index.html",
        zone=report.time_zone,
        units=report.display_units,
        cautions=report.cautions,
        report=report,
        first_line=wording.first_line(report),
        meanings=[(wording.VERDICTS[v], wording.MEANINGS[v]) for v in Verdict],
        newest=wording.newest_data(report),
        urgent=[
            (v, _groups([_entry(b, report) for b in bikes]))
            for v, bikes in by_verdict.items()
            if v is not Verdict.RELEASE and bikes
        ],
        released=[_entry(b, report, note=marks.get(b.bike, "")) for b in released],
        remarks=remarks,
        dismissed=dismissed_this_month(report),
    )


def _entry(bike: BikeReport, report: FleetReport, *, note: str = "") -> Entry:
    counting = [r for r in bike.rides if r.counts]
    age = report.generated_at - bike.last_data if bike.last_data else None
    return Entry(
        bike=bike,
        km=sum(r.distance_km for r in counting),
        held_km=sum(r.engaged_km for r in counting),
        rows_share=_rows_share(counting),
        odometer_km=_odometer_km(bike.rides),
        age_days=max(age.days, 0) if age is not None else None,
        spark=spark(bike),
        by_hand=by_hand(bike),
        uncommanded=sum(c.commanded is False for c in bike.cancels),
        note=note,
    )


def _rows_share(rides: Sequence[RideSummary]) -> float | None:
    """Rows there of those expected over rides, weighed by their length."""
    drawn = [r.sketch for r in rides if r.sketch is not None and r.sketch.length_s > 0]
    length_s = sum(s.length_s for s in drawn)
    return sum(s.rows_share * s.length_s for s in drawn) / length_s if length_s else None


def _odometer_km(rides: Sequence[RideSummary]) -> float | None:
    """The newest odometer reading; None where no ride logs it."""
    read = [
        (r.start, r.sketch.odometer_km)
        for r in rides
        if r.start is not None and r.sketch is not None and r.sketch.odometer_km is not None
    ]
    return max(read)[1] if read else None


def by_hand(bike: BikeReport) -> Happened | None:
    """The newest decision of a person that closed a finding of this bike; None without one."""
    if all(f.open for f in bike.findings):
        return None
    decided = [h for h in bike.history if h.kind in ("signed_off", "dismissed")]
    return max(decided, key=lambda h: h.when, default=None)


def _groups(entries: Sequence[Entry]) -> list[Group]:
    """Entries by equal cause within a model; the order of the first of each stays."""
    alike: dict[tuple[object, ...], list[Entry]] = defaultdict(list)
    for entry in entries:
        bike = entry.bike
        cause = (bike.model, bike.because, wording.was(bike) if wording.changed(bike) else "")
        alike[cause if bike.because else (bike.bike,)].append(entry)
    return [Group(tuple(found)) for found in alike.values()]


def _remarks(released: Sequence[BikeReport]) -> list[tuple[str, str, list[str]]]:
    """Remarks on released bikes: a mark, the sentence, and the tags it stands beside."""
    alike: dict[str, list[str]] = defaultdict(list)
    for bike in released:
        if remark := wording.beside(bike):
            alike[remark].append(bike.bike)
    ordered = sorted(alike.items(), key=lambda item: item[1])
    return [(_mark(i), remark, tags) for i, (remark, tags) in enumerate(ordered)]


def _mark(number: int) -> str:
    """a, b, ... z, aa, ab ..."""
    first, last = divmod(number, len(NOTE_MARKS))
    return (_mark(first - 1) if first else "") + NOTE_MARKS[last]


def dismissed_this_month(report: FleetReport) -> tuple[int, int]:
    """Flags dismissed, and flags raised, in the month of the newest data on the fleet's clock.

    A flag is a rule that found a danger or a fault on a bike.
    """
    newest = wording.newest_data(report)
    if newest is None:
        return 0, 0
    zone = ZoneInfo(report.time_zone)
    flags, dismissed = set(), set()
    for bike in report.bikes:
        for item in bike.findings:
            heavy = item.finding.severity in (Severity.DANGER, Severity.FAULT)
            if heavy and _same_month(item.finding.start, newest, zone):
                flags.add((bike.bike, item.finding.rule))
        for done in bike.history:
            if done.kind == "dismissed":
                rule = next((r for b, r in flags if b == bike.bike and r in done.about), None)
                dismissed |= {(bike.bike, rule)} if rule else set()
    return len(dismissed), len(flags)


def _same_month(one: datetime | None, other: datetime, zone: ZoneInfo) -> bool:
    if one is None:
        return False
    here, there = one.astimezone(zone), other.astimezone(zone)
    return (here.year, here.month) == (there.year, there.month)
