"""The BIKE stage: all stored results of one bike in time order, weighed into one verdict.

Pure: nothing is read, and nothing learned here is an input of anything. Worked out anew,
whole, whenever a bike is touched. keep in is decided here, inspect in raised.py, no opinion
in unknown.py; what a release does not cover in coverage.py.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from ridecheck.bike.case import Case
from ridecheck.bike.context import Context
from ridecheck.bike.controls import unseen_controls
from ridecheck.bike.counting import morning_of, ride_order
from ridecheck.bike.coverage import coverage, has_cruise, not_covered
from ridecheck.bike.dangers import finding_of
from ridecheck.bike.proof import repairs
from ridecheck.bike.raised import OKS_THAT_LIFT, raised, rides_ok
from ridecheck.bike.sentences import count, rule_words, sentence, times
from ridecheck.bike.trends import trends
from ridecheck.bike.unknown import unknown
from ridecheck.core.catalog import channel_name
from ridecheck.core.model import (
    BikeReport,
    Cancel,
    ReportedFinding,
    RideResult,
    RideSummary,
    Severity,
    StoredFinding,
    Verdict,
)
from ridecheck.rules.base import Rule

ACTIONS = {
    Verdict.KEEP_IN: "Take the key off the board. Do not ride it.",
    Verdict.INSPECT: "Do the listed checks before the next hire.",
    Verdict.NO_OPINION: "Not judged. Do the walk-round.",
    Verdict.RELEASE: "Do the walk-round as always.",
}


def assess(
    results: Iterable[RideResult],
    context: Context,
    *,
    as_of: datetime | None,
    rules: Mapping[str, Rule],
) -> BikeReport:
    """The report of one bike, without suspects and checks.

    as_of: the instant by which age counts; None where the fleet has no dated ride.
    """
    rides = sorted(results, key=ride_order)
    case = Case.of(rides, context, as_of, rules)
    verdict, because = decide(case)
    dated = [r for r in rides if r.start is not None]
    counting = {r.ride for r in case.counting}
    return BikeReport(
        bike=context.bike,
        label=context.label,
        model=context.model,
        verdict=verdict,
        previous_verdict=_previous(rides, context, as_of, rules),
        because=because,
        action=ACTIONS[verdict],
        not_covered=(*not_covered(case), *_accepted(case)),
        last_data=max((r.end for r in dated if r.end is not None), default=None),
        rides=tuple(_summary(r, counts=r.ride in counting) for r in rides),
        findings=_findings(case),
        cancels=tuple(_with_local_time(c, r, context) for r in rides for c in r.cancels),
        coverage=coverage(case),
        closing=_closing(case, verdict),
        repairs=repairs(rides, context.events, zone=context.time_zone, closed=case.closed),
        trends=trends(rides, context.events, zone=context.time_zone),
    )


def _closing(case: Case, verdict: Verdict) -> tuple[str, ...]:
    """What closes what was found, a sentence for each rule that holds the bike."""
    if verdict is Verdict.KEEP_IN:
        return ("Closed by the standing checks and a sign-off alone; riding does not close it.",)
    if verdict is not Verdict.INSPECT:
        return ()
    return tuple(
        f"{rule_words(rule)}: closed by a sign-off that names the checks done, or by a dismissal "
        f"with its reason; lifted by {OKS_THAT_LIFT} rides in which it is looked for and not "
        f"found ({rides_ok(case, rule)} so far)".capitalize()
        for rule in raised(case)
    )


def decide(case: Case) -> tuple[Verdict, tuple[str, ...]]:
    """The verdict and its reasons, the heaviest first."""
    if dangers := _dangers(case):
        return Verdict.KEEP_IN, dangers
    if faults := raised(case):
        return Verdict.INSPECT, tuple(sentence(case, f) for f in faults.values())
    if reasons := unknown(case):
        return Verdict.NO_OPINION, reasons
    return Verdict.RELEASE, _remarks(case)


def _dangers(case: Case) -> tuple[str, ...]:
    """A sentence for each rule with an open danger, the newest first."""
    found = [f for r in case.rides for f in case.open_in(r) if f.severity is Severity.DANGER]
    by_rule: dict[str, list[StoredFinding]] = {}
    for finding in sorted([*found, *_missing(case)], key=_when):
        by_rule.setdefault(finding.rule, []).append(finding)
    newest_first = sorted(by_rule.values(), key=lambda fs: _when(fs[-1]), reverse=True)
    return tuple(sentence(case, f) for f in newest_first)


def _accepted(case: Case) -> tuple[str, ...]:
    """Controls that the fleet's file accepts unseen, and a cruise control that nobody states."""
    accepted = case.context.accept_unlogged
    told = [
        f"{channel_name(c)} ({why}; accepted in fleet.toml)"
        for c, why in unseen_controls(case).items()
        if c in accepted
    ]
    if case.counting and case.context.cruise_fitted is None and not has_cruise(case):
        told.append("cruise control (neither stated in the model's file nor logged)")
    return tuple(told)


def _missing(case: Case) -> list[StoredFinding]:
    """Open dangers of the register that no ride shows any more."""
    return [finding_of(e, case.context.bike) for e in case.missing.values()]


def _findings(case: Case) -> tuple[ReportedFinding, ...]:
    found = [f for r in case.rides for f in r.findings]
    reported = [ReportedFinding(f, open=f.id not in case.closed) for f in found]
    reported += [ReportedFinding(f, open=True) for f in _missing(case)]
    return tuple(sorted(reported, key=lambda r: _finding_order(r.finding)))


def _remarks(case: Case) -> tuple[str, ...]:
    """What is printed beside "release": open faults too rare to raise, and watches."""
    by_rule: dict[str, list[StoredFinding]] = {}
    for ride in case.rides:
        counts = ride in case.counting
        for finding in case.open_in(ride):
            undated_fault = ride.start is None and finding.severity is Severity.FAULT
            shown = counts and finding.severity in (Severity.FAULT, Severity.WATCH)
            if shown or undated_fault:
                by_rule.setdefault(finding.rule, []).append(finding)
    ordered = sorted(by_rule.values(), key=lambda fs: (fs[0].severity.rank, fs[0].rule))
    seen = tuple(f"{_how_often(case, fs)}: {sentence(case, fs)}" for fs in ordered)
    return (*seen, *_left_out(case))


WHOLE = 0.9
"""A finding over this share of its ride is a condition of the ride, not an event in it."""


def _how_often(case: Case, findings: Sequence[StoredFinding]) -> str:
    """How often something was seen, or that it holds for whole rides."""
    length_s = {r.ride: r.duration_s for r in case.rides}
    whole = [f for f in findings if f.end_s - f.start_s >= WHOLE * length_s[f.ride]]
    if len(whole) < len(findings):
        return f"seen {times(len(findings))}"
    rides = len({f.ride for f in findings})
    return "all through the ride" if rides == 1 else f"all through {count(rides, 'ride')}"


def _left_out(case: Case) -> tuple[str, ...]:
    """What could not be read of the rides that count, within what is allowed."""
    lost = [r for r in case.counting if r.left_out]
    if not lost:
        return ()
    rows, rides = sum(r.left_out for r in lost), count(len(lost), "ride")
    return (f"{count(rows, 'row')} of {rides} could not be read: the newest in {lost[-1].ride}",)


def _previous(
    rides: Sequence[RideResult],
    context: Context,
    as_of: datetime | None,
    rules: Mapping[str, Rule],
) -> Verdict | None:
    """The verdict on the morning of the bike's newest day of data; None before its first."""
    dated = [r for r in rides if r.start is not None]
    if not dated:
        return None
    morning = morning_of(dated)
    before = [r for r in rides if r.start is None or r.start < morning]
    if all(r.start is None for r in before):
        return None
    then = morning if as_of is None else min(as_of, morning)
    return decide(Case.of(before, context, then, rules, before=morning))[0]


def _finding_order(finding: StoredFinding) -> tuple[int, bool, float, str, str]:
    place = finding.start.timestamp() if finding.start else finding.start_s
    return (finding.severity.rank, finding.start is None, place, finding.rule, finding.id)


def _summary(result: RideResult, *, counts: bool) -> RideSummary:
    first = result.parts[0]
    return RideSummary(
        ride=result.ride,
        log=first.log,
        sha256=first.sha256,
        parts=result.parts,
        start=result.start,
        end=result.end,
        start_from=result.start_from,
        samples=result.samples,
        distance_km=result.distance_km,
        engaged_s=result.engaged_s,
        engaged_km=result.engaged_km,
        engagements=result.engagements,
        aliases=result.aliases,
        notes=result.notes,
        channels=result.channels,
        counts=counts,
        sketch=result.sketch,
    )


def _with_local_time(cancel: Cancel, ride: RideResult, context: Context) -> Cancel:
    if cancel.time is None or ride.dating != "time":
        return cancel
    local = cancel.time.astimezone(ZoneInfo(context.time_zone))
    milli = f"{local.microsecond // 1000:03d}"
    return replace(cancel, local_time=f"{local:%Y-%m-%d %H:%M:%S}.{milli} {local:%Z}")


def _when(finding: StoredFinding) -> float:
    return finding.start.timestamp() if finding.start else float("-inf")
