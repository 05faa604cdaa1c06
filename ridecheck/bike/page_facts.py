"""What a bike's page needs besides the verdict: what to log next, its history, its limits.

Pure: results, events and rules in, records out.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from ridecheck.core.model import (
    BikeReport,
    Happened,
    LimitInForce,
    RideResult,
    Severity,
    State,
    ToLog,
)
from ridecheck.fleet.events import Event
from ridecheck.rules.base import Need, Rule


def with_page_facts(
    report: BikeReport,
    results: Iterable[RideResult],
    *,
    events: Sequence[Event],
    rules: Mapping[str, Rule],
    time_zone: str,
) -> BikeReport:
    """The report with what to log, what happened to the bike, and the limits in force."""
    counting = {r.ride for r in report.rides if r.counts}
    dated = [r for r in results if r.ride in counting and r.start is not None]
    newest = max(dated, key=lambda r: (r.start or datetime.min, r.ride), default=None)
    return replace(
        report,
        to_log=_to_log(report, newest, rules) if newest else (),
        history=tuple(
            sorted((_happened(e, time_zone) for e in events), key=lambda h: (h.when, h.kind))
        ),
        limits=tuple(LimitInForce(o.rule, u) for o in newest.rules for u in o.limits)
        if newest
        else (),
    )


def _to_log(report: BikeReport, newest: RideResult, rules: Mapping[str, Rule]) -> tuple[ToLog, ...]:
    """What is not logged, or too slowly, and which rules wait for it; dangers first."""
    waiting: dict[tuple[Need, float | None], list[Rule]] = {}
    for row in report.coverage:
        rule = rules.get(row.rule)
        if rule is None or row.state is not State.NOT_ASSESSED:
            continue
        for need in rule.needs:
            have_s = _refresh_s(need, newest)
            if have_s is None or have_s > 1.1 * rule.clear_interval_s:
                waiting.setdefault((need, have_s), []).append(rule)
    found = [_asked(need, have_s, which) for (need, have_s), which in waiting.items()]
    return tuple(sorted(found, key=lambda t: (not t.danger, -len(t.rules), t.channels)))


def _asked(need: Need, have_s: float | None, which: Sequence[Rule]) -> ToLog:
    needed_s = min(r.clear_interval_s for r in which)
    return ToLog(
        channels=(need,) if isinstance(need, str) else need,
        have_s=have_s,
        needed_s=needed_s if needed_s != float("inf") else None,
        rules=tuple(r.id for r in which),
        danger=any(r.severity is Severity.DANGER for r in which),
    )


def _refresh_s(need: Need, ride: RideResult) -> float | None:
    """The fastest refresh of a need's channels; None where none of them is logged."""
    names = (need,) if isinstance(need, str) else need
    facts = [ride.channels[n] for n in names if n in ride.channels]
    return min((0.0 if f.latched else f.interval_s for f in facts if f.present > 0), default=None)


def _happened(event: Event, time_zone: str) -> Happened:
    """An event as a page lists it."""
    text = event.note
    if event.kind == "checked":
        text = f"{event.check.replace('-', ' ')}: {event.result}"
    elif event.kind == "signed_off":
        text = f"checks done: {', '.join(c.replace('-', ' ') for c in event.checks)}"
    elif event.kind in ("dismissed", "dropped"):
        text = event.reason
    return Happened(
        when=event.instant(time_zone),
        kind=event.kind,
        part=event.part,
        text=text,
        by=event.by,
        about=event.finding or event.ride,
        day_only=not isinstance(event.when, datetime),
    )
