"""The RIDE stage: parts of one ride and settings in, its result out. Reads no other ride."""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import polars as pl
from pydantic import TypeAdapter

from ridecheck import __version__
from ridecheck.core.model import (
    Cancel,
    ChannelFacts,
    LimitUsed,
    Note,
    Part,
    PartRef,
    RideResult,
    RuleOutcome,
    Settings,
    Severity,
    StoredFinding,
)
from ridecheck.core.rooms import JUDGING, code_of
from ridecheck.ride.pictures import cancels_with_pictures, with_pictures
from ridecheck.ride.plan import RidePlan, gathered
from ridecheck.ride.sketch import sketch
from ridecheck.rules import all_rules
from ridecheck.rules.base import Rule
from ridecheck.rules.engine import RuleFinding, judge
from ridecheck.signals import cancels, cruise, over_rides
from ridecheck.signals.ride import Ride
from ridecheck.signals.standing import stands
from ridecheck.store.results import SCHEMA, canonical, rounded

_SETTINGS = TypeAdapter(Settings)


def judge_ride(
    parts: Sequence[Part],
    settings: Settings,
    *,
    bike: str = "",
    ride_id: str = "",
    judge_key: str = "",
    aliases: tuple[str, ...] = (),
    notes: Iterable[Note] = (),
    rules: Iterable[Rule] | None = None,
) -> RideResult:
    """Judge one ride from its parts, in time order and free of repeated rows.

    bike and ride_id default to what the first part says. Same input, same result:
    nothing but the arguments and the rules plays a part.
    """
    info = parts[0].info
    bike = bike or info.bike
    ride_id = ride_id or f"{bike}-{info.start:%Y%m%dT%H%M%SZ}"
    ride = Ride(ride_id, bike, parts, settings)
    judgement = judge(ride, rules=rules)
    totals = cruise.totals(ride)
    ended = cancels.cancels(ride)
    measured = {**judgement.measures, **over_rides.measures(ride, ended)}
    dated = info.dating != "none"
    all_notes = gathered([*notes, *judgement.notes, *_standing(ride)])
    return RideResult(
        schema=SCHEMA,
        bike=bike,
        ride=ride_id,
        judge_key=judge_key,
        version=__version__,
        model=settings.model,
        parts=tuple(PartRef(p.info.log, p.info.sha256, p.info.stem) for p in parts),
        dating=info.dating,
        start=ride.start if dated else None,
        end=ride.start + timedelta(seconds=ride.duration_s) if dated else None,
        start_from=info.start_from,
        duration_s=rounded(ride.duration_s, "s") or 0.0,
        samples=ride.samples.height,
        distance_km=rounded(totals.distance_km, "km") or 0.0,
        engaged_s=rounded(totals.engaged_s, "s") or 0.0,
        engaged_km=rounded(totals.engaged_km, "km") or 0.0,
        engagements=totals.engagements,
        channels={n: _facts(f) for n, f in sorted(ride.channels.items())},
        rules=tuple(_outcome(o) for o in judgement.rules),
        findings=with_pictures(ride, _findings(ride, judgement.findings)),
        cancels=cancels_with_pictures(ride, [_cancel(c) for c in ended]),
        aliases=aliases,
        notes=tuple(all_notes),
        fits_model=judgement.fits_model,
        fits=judgement.fits,
        layouts=tuple(sorted({p.info.layout for p in parts})),
        measures={
            name: value
            for name, number in sorted(measured.items())
            if (value := rounded(number)) is not None
        },
        sketch=sketch(ride),
        left_out=sum({p.info.sha256: p.info.left_out for p in parts}.values()),
        partly_read=any(p.info.partly for p in parts),
    )


def _standing(ride: Ride) -> list[Note]:
    """Said of a log in which nothing speaks for riding; it is judged all the same."""
    return (
        [Note("values", "standing log: ridecheck bench LOG reads its controls")]
        if stands(ride)
        else []
    )


def judge_plan(
    plan: RidePlan,
    parts: Sequence[Part],
    settings: Settings,
    *,
    judge_key: str,
    older_layout: frozenset[str] = frozenset(),
    comfort_rules: bool = True,
) -> RideResult:
    """Judge a planned ride.

    parts: those of the plan, as kept. older_layout: stems that could not be read again
    after their layout changed.
    """
    repeated = 0
    trimmed = []
    for share, part in zip(plan.parts, parts, strict=True):
        named = replace(part, info=replace(part.info, log=share.kept.log))
        cut = trim(named, share.rows_after)
        repeated += part.info.rows - cut.info.rows
        if cut.samples.height:
            trimmed.append(cut)
    notes = list(plan.notes)
    if repeated:
        notes.append(Note("duplicate", "rows that two logs share are taken once", repeated))
    if older := older_layout & set(plan.stems):
        message = "read with an older layout: the log could not be read again"
        notes.append(Note("values", message, len(older)))
    return judge_ride(
        trimmed,
        settings,
        bike=plan.bike,
        ride_id=plan.ride,
        judge_key=judge_key,
        aliases=plan.aliases,
        notes=notes,
        rules=None if comfort_rules else without_comfort(),
    )


def judge_key(
    plan: RidePlan,
    settings: Settings,
    *,
    older_layout: frozenset[str] = frozenset(),
    comfort_rules: bool = True,
) -> str:
    """Hex SHA-256 over everything a ride's result depends on; unequal means judge again."""
    content = {
        "code": code_of(*JUDGING),
        "comfort_rules": comfort_rules,
        "version": __version__,
        "settings": settings_json(settings),
        "ride": plan.ride,
        "bike": plan.bike,
        "parts": [
            [p.kept.info.stem, p.kept.info.read_key, p.kept.log, str(p.rows_after)]
            for p in plan.parts
        ],
        "aliases": plan.aliases,
        "notes": [[n.about, n.message, n.count] for n in plan.notes],
        "older": sorted(older_layout & set(plan.stems)),
    }
    return hashlib.sha256(canonical(content)).hexdigest()


def without_comfort() -> tuple[Rule, ...]:
    """The rules without those that only show how well cruise holds and lets go."""
    return tuple(
        r for r in all_rules().values() if r.family != "cruise" or r.severity is Severity.DANGER
    )


def settings_json(settings: Settings) -> object:
    """Settings as plain JSON values, equal for equal settings."""
    return _SETTINGS.dump_python(settings, mode="json")


def trim(part: Part, rows_after: datetime | None) -> Part:
    """A part without the rows up to an instant, which an earlier part of the ride has."""
    if rows_after is None:
        return part
    samples = part.samples.filter(pl.col("time") > rows_after)
    start = samples["time"][0] if samples.height else part.info.end
    info = replace(part.info, start=start, rows=samples.height)
    return Part(info=info, samples=samples)


def as_ride_of(result: RideResult, plan: RidePlan) -> RideResult:
    """A result reported as of the bike and ride that its parts make now."""
    findings = (
        replace(f, ride=plan.ride, id=plan.bike + f.id.removeprefix(result.bike))
        for f in result.findings
    )
    return replace(
        result,
        bike=plan.bike,
        ride=plan.ride,
        findings=tuple(findings),
        cancels=tuple(replace(c, ride=plan.ride) for c in result.cancels),
    )


def finding_order(finding: StoredFinding) -> tuple[int, bool, datetime | float, str, str]:
    """Findings by severity, start, rule; undated ones last, by their place in the ride."""
    start = finding.start
    place = start.timestamp() if start is not None else finding.start_s
    return (finding.severity.rank, start is None, place, finding.rule, finding.id)


def _findings(ride: Ride, found: Sequence[RuleFinding]) -> tuple[StoredFinding, ...]:
    """Stamp findings with id, ride and instants, and round their numbers."""
    stored: list[StoredFinding] = []
    taken: set[str] = set()
    for item in sorted(found, key=lambda f: (f.finding.span.start_s, f.rule)):
        span = item.finding.span
        dated = ride.dating == "time"
        if dated:
            place = f"{ride.start + timedelta(seconds=span.start_s):%Y-%m-%dT%H:%M:%SZ}"
        else:
            place = f"{ride.parts[0].stem}+{int(span.start_s)}"
        ident, n = f"{ride.bike}/{item.rule}/{place}", 1
        while ident in taken:
            n += 1
            ident = f"{ride.bike}/{item.rule}/{place}-{n}"
        taken.add(ident)
        known = ride.dating != "none"
        stored.append(
            StoredFinding(
                id=ident,
                rule=item.rule,
                severity=item.severity,
                ride=ride.id,
                start=_instant(ride, span.start_s) if known else None,
                end=_instant(ride, span.end_s) if known else None,
                start_s=rounded(span.start_s, "s") or 0.0,
                end_s=rounded(span.end_s, "s") or 0.0,
                message=item.finding.message,
                measured=rounded(item.finding.measured, item.finding.unit),
                limit=rounded(item.finding.limit, item.finding.unit),
                unit=item.finding.unit,
                channels=item.finding.channels,
                doubt=item.doubt,
                strength=round(item.finding.strength, 3),
            )
        )
    return tuple(sorted(stored, key=finding_order))


def _instant(ride: Ride, t_s: float) -> datetime:
    return ride.start + timedelta(seconds=round(t_s, 6))


def _facts(facts: ChannelFacts) -> ChannelFacts:
    return replace(
        facts,
        interval_s=rounded(facts.interval_s, "s") or 0.0,
        present=round(facts.present, 4),
        step=round(facts.step, 6),
        skew_s=rounded(facts.skew_s, "s") or 0.0,
    )


def _outcome(outcome: RuleOutcome) -> RuleOutcome:
    limits = tuple(
        LimitUsed(u.name, rounded(u.value, "") or 0.0, u.unit, u.origin) for u in outcome.limits
    )
    return replace(outcome, exposure_s=rounded(outcome.exposure_s, "s") or 0.0, limits=limits)


def _cancel(cancel: Cancel) -> Cancel:
    return replace(
        cancel,
        t_s=rounded(cancel.t_s, "s") or 0.0,
        speed_kmh=rounded(cancel.speed_kmh, "km/h"),
        pulse_s=rounded(cancel.pulse_s, "s"),
        resolution_s=rounded(cancel.resolution_s, "s"),
    )
