"""Results as the store keeps them, made to order: only what a test says is in them."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from ridecheck.core.model import (
    Cancel,
    ChannelFacts,
    Cruise,
    Drivetrain,
    RideResult,
    RuleOutcome,
    Settings,
    Severity,
    State,
    StoredFinding,
)

FIRST_RIDE = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
CHANNELS = (
    "wheel_speed",
    "engine_speed",
    "gear",
    "throttle",
    "front_brake",
    "rear_brake",
    "brake_lamp",
    "clutch",
    "roll_off",
    "cruise_armed",
    "cruise_engaged",
    "cruise_set_speed",
    "switch_power",
    "switch_set",
    "switch_resume",
    "side_stand",
    "supply_voltage",
)


def settings(**cruise) -> Settings:
    return Settings(
        model="made-up",
        drivetrain=Drivetrain(overall_ratios=(10.0, 7.0, 5.5, 4.5, 3.8), circumference_m=2.0),
        cruise=Cruise(**cruise),
    )


def ride(
    number: int = 1,
    *,
    hz: float = 20.0,
    channels: Iterable[str] = CHANNELS,
    without: Iterable[str] = (),
    hours: float = 1.0,
    engaged_s: float = 1800.0,
    ok: Iterable[str] = (),
    found: Mapping[str, tuple[str, ...]] | None = None,
    times: int = 1,
    severity: Severity = Severity.FAULT,
    cancels: Iterable[str] = (),
    fits_model: bool = True,
    fits: tuple[str, ...] = ("another-model",),
    dated: bool = True,
    never_on: Iterable[str] | None = None,
) -> RideResult:
    """One ride. found: rule -> channels under suspicion; cancels: causes nobody asked for.

    never_on: switches that were on in no row, all others were (None: not counted at all).
    """
    start = FIRST_RIDE + timedelta(days=number) if dated else None
    name = f"T07-{number:03d}"
    found = dict(found or {})
    cancels = tuple(cancels)
    if "unexplained" in cancels:
        found.setdefault("cruise/cancel-without-cause", ("cruise_engaged",))
    findings = tuple(
        finding(rule, channels_of, name, start, at_s=60.0 * (1 + k), severity=severity)
        for rule, channels_of in found.items()
        for k in range(times)
    )
    return RideResult(
        schema="ridecheck-ride/2",
        bike="T07",
        ride=name,
        judge_key="",
        version="0",
        model="made-up",
        parts=(),
        dating="time" if dated else "none",
        start=start,
        end=start + timedelta(hours=hours) if start else None,
        start_from="column",
        duration_s=3600.0 * hours,
        samples=int(3600 * hours * hz),
        distance_km=80.0 * hours,
        engaged_s=engaged_s * hours,
        engaged_km=45.0 * hours,
        engagements=12 if engaged_s else 0,
        channels={
            c: ChannelFacts(interval_s=1.0 / hz, present=1.0)
            for c in channels
            if c not in set(without)
        },
        rules=(
            *(outcome(r, State.FAULT, hours) for r in found),
            *(outcome(r, State.OK, hours) for r in ok if r not in found),
        ),
        findings=findings,
        cancels=tuple(cancel(cause, name, at_s=60.0 * (1 + k)) for k, cause in enumerate(cancels)),
        fits_model=fits_model,
        fits=() if fits_model else fits,
        measures={}
        if never_on is None
        else {f"last_on_s.{c}": -1.0 if c in set(never_on) else 3000.0 for c in channels},
    )


def finding(
    rule: str,
    channels: tuple[str, ...],
    ride_id: str,
    start: datetime | None,
    *,
    at_s: float = 60.0,
    severity: Severity = Severity.FAULT,
) -> StoredFinding:
    at = start + timedelta(seconds=at_s) if start else None
    return StoredFinding(
        id=f"T07/{rule}/{ride_id}/{at_s:.0f}",
        rule=rule,
        severity=severity,
        ride=ride_id,
        start=at,
        end=at + timedelta(seconds=1) if at else None,
        start_s=at_s,
        end_s=at_s + 1.0,
        message="",
        measured=None,
        limit=None,
        unit="",
        channels=channels,
    )


def outcome(rule: str, state: State, hours: float = 1.0) -> RuleOutcome:
    return RuleOutcome(
        rule=rule, state=state, reason="", exposure_s=3600.0 * hours, events=50, findings=0
    )


def cancel(cause: str, ride_id: str, *, at_s: float = 60.0, commanded: bool = False) -> Cancel:
    return Cancel(
        ride=ride_id,
        t_s=at_s,
        time=None,
        local_time=None,
        file_time="",
        row=0,
        speed_kmh=90.0,
        cause=cause,
        commanded=commanded,
    )


def without_rule(result: RideResult, rule: str) -> RideResult:
    """The same ride, the rule never having run."""
    return replace(result, rules=tuple(o for o in result.rules if o.rule != rule))
