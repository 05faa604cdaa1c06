"""Made-up parts and results for tests of keeping, joining and weighing."""

import hashlib
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from ridecheck.core.model import (
    ChannelFacts,
    Part,
    PartInfo,
    PartRef,
    RideResult,
    RuleOutcome,
    Severity,
    State,
    StoredFinding,
)
from ridecheck.rules.base import RaiseWhen, Rule
from ridecheck.store.parts import KeptPart, fingerprint

DAY = datetime(2026, 5, 1, 8, 0, tzinfo=UTC)
BRAKING = "cruise/engaged-under-braking"
DEAD = "switches/brake-dead"
BY_ITSELF = "cruise/engages-by-itself"
DRIFT = "cruise/hold-offset"
AT_ONCE = RaiseWhen()
LOGGED = ("cruise_engaged", "front_brake", "rear_brake", "roll_off", "clutch", "switch_power")
"""Channels of a logger that shows every control fail."""


def at(minutes: float) -> datetime:
    """An instant, counted in minutes from the first test day's morning."""
    return DAY + timedelta(minutes=minutes)


def part(
    log: str,
    start: datetime,
    minutes: float,
    *,
    bike: str = "T01",
    sha: str | None = None,
    seed: int = 0,
    dating: str = "time",
    step_s: float = 1.0,
) -> Part:
    """A part whose speeds depend on the instant and the seed alone: same seed, same rows."""
    told = f"{log}/{start}/{minutes}/{seed}".encode()
    sha256 = (sha or hashlib.sha256(told).hexdigest()).ljust(64, "0")
    count = int(minutes * 60 / step_s)
    times = [start + timedelta(seconds=i * step_s) for i in range(count)]
    seconds = np.array([t.timestamp() for t in times])
    speed = np.round(80 + 5 * np.sin(seconds / 37) + seed, 2)
    samples = pl.DataFrame(
        {
            "time": pl.Series(times, dtype=pl.Datetime("us", "UTC")),
            "row": pl.Series(range(2, count + 2), dtype=pl.UInt32),
            "file_time": [str(i) for i in range(count)],
            "wheel_speed": speed,
        }
    )
    info = PartInfo(
        stem=f"{sha256[:12]}-0",
        bike=bike,
        log=log,
        sha256=sha256,
        rows_sha256=f"{start.timestamp()}/{count}/{seed}",
        read_key="key",
        layout="bench",
        start=start,
        end=times[-1],
        dating=dating,  # type: ignore[arg-type]
        start_from="column",
        rows=count,
        row_interval_s=step_s,
        channels={"wheel_speed": ChannelFacts(interval_s=step_s, present=1.0, step=0.01)},
    )
    return Part(info=info, samples=samples)


def kept(made: Part, *names: str) -> KeptPart:
    """The part as the store would list it."""
    return KeptPart(
        info=made.info,
        names=tuple(sorted(names or (made.info.log,))),
        siblings=1,
        fingerprint=fingerprint(made.samples),
        first_seen=DAY,
    )


def rule(
    rule_id: str,
    severity: Severity = Severity.FAULT,
    *,
    clear_events: int = 0,
    clear_s: float = 0.0,
    raise_when: RaiseWhen = AT_ONCE,
    checks: tuple[str, ...] = (),
) -> Rule:
    """A rule as the BIKE stage sees it."""

    class Limits:
        pass

    return Rule(
        id=rule_id,
        doc="",
        check=lambda ride, limits: iter(()),
        limits=Limits,
        needs=(),
        severity=severity,
        clear_s=clear_s,
        clear_events=clear_events,
        clear_interval_s=float("inf"),
        convict_interval_s=float("inf"),
        raise_when=raise_when,
        falsifies=(),
        doubts_file=False,
        cruise_only=rule_id.startswith("cruise/"),
        checks=checks,
    )


RULES: Mapping[str, Rule] = {
    r.id: r
    for r in (
        rule(BRAKING, Severity.DANGER, clear_events=1, checks=("lamp-by-each-control",)),
        rule(DEAD, Severity.DANGER, clear_events=3, checks=("rear-pedal-point",)),
        rule(BY_ITSELF, Severity.DANGER, clear_s=60, checks=("button-feel",)),
        rule(DRIFT, clear_s=60, raise_when=RaiseWhen(events=2, rides=2)),
    )
}
PLENTY = {BRAKING: 1, DEAD: 3, BY_ITSELF: 0, DRIFT: 0}


def finding(
    result_start: datetime | None,
    ride: str,
    rule_id: str,
    *,
    at_s: float = 60.0,
    bike: str = "T01",
    severity: Severity | None = None,
) -> StoredFinding:
    """A finding of five seconds in a ride."""
    start = result_start and result_start + timedelta(seconds=at_s)
    place = f"{start:%Y-%m-%dT%H:%M:%SZ}" if start else f"abc-0+{int(at_s)}"
    return StoredFinding(
        id=f"{bike}/{rule_id}/{place}",
        rule=rule_id,
        severity=severity or RULES[rule_id].severity,
        ride=ride,
        start=start,
        end=start and start + timedelta(seconds=5),
        start_s=at_s,
        end_s=at_s + 5,
        message=f"something about {rule_id.split('/')[1]} for 5.0 s",
        measured=5.0,
        limit=0.5,
        unit="s",
        channels=("wheel_speed",),
    )


def result(
    start: datetime | None,
    *,
    found: Iterable[str] = (),
    bike: str = "T01",
    minutes: float = 30,
    engaged_km: float = 20.0,
    exposures: Mapping[str, tuple[float, int]] | None = None,
    states: Mapping[str, State] | None = None,
    fits_model: bool = True,
    fits: tuple[str, ...] = (),
    dating: str = "time",
    name: str = "",
    severity: Severity | None = None,
    channels: Mapping[str, ChannelFacts] | None = None,
    measures: Mapping[str, float] | None = None,
) -> RideResult:
    """A ride's result: what was found in it, all else ok with plenty of exposure."""
    ride = name or (f"{bike}-{start:%Y%m%dT%H%M%SZ}" if start else f"{bike}-undated-abc-0")
    found = tuple(found)
    outcomes = []
    for rule_id in RULES:
        seconds, events = (exposures or {}).get(rule_id, (600.0, PLENTY[rule_id]))
        usual = State.FAULT if rule_id in found else State.OK
        state = (states or {}).get(rule_id, usual)
        reason = "" if state is State.OK else f"{state.value} here"
        outcomes.append(RuleOutcome(rule_id, state, reason, seconds, events))
    return RideResult(
        schema="ridecheck-ride/2",
        bike=bike,
        ride=ride,
        judge_key="",
        version="1.0",
        model="tourer",
        parts=(PartRef(f"{ride}.csv", "0" * 64, f"{ride}-part"),),
        dating=dating if start else "none",  # type: ignore[arg-type]
        start=start,
        end=start and start + timedelta(minutes=minutes),
        start_from="column" if start else "unknown",
        duration_s=minutes * 60,
        samples=int(minutes * 60),
        distance_km=minutes,
        engaged_s=600.0,
        engaged_km=engaged_km,
        engagements=2,
        channels={name: ChannelFacts(0.05, 1.0) for name in LOGGED} | dict(channels or {}),
        measures={f"times_on.{name}": 3.0 for name in LOGGED} | dict(measures or {}),
        rules=tuple(outcomes),
        findings=tuple(
            finding(start, ride, r, at_s=60.0 + 60 * i, bike=bike, severity=severity)
            for i, r in enumerate(found)
        ),
        cancels=(),
        fits_model=fits_model,
        fits=fits,
        layouts=("bench",),
    )
