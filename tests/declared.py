"""What a rule declares of clearing and raising, held against the numbers of declared.toml.

Nothing here reads a number of the rule: rides and results are made from the table's, a little
on either side of each, and the engine and the verdict must decide as the table says.
"""

import math
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from kept import DAY, finding, result
from rides import merged, ride_from, settings_from

from ridecheck.bike.verdict import Context, assess
from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import Rule
from ridecheck.rules.engine import judge, known_limits

TABLE: Mapping[str, Mapping[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "rules" / "declared.toml").read_text("utf-8")
)
JITTER = 1.1
"""A measured refresh may lie a tenth over the one asked for (contract of the engine)."""
NEVER = 1000
"""So many findings of a rule that never raises do not raise it."""


def clearing_differences(rule: Rule) -> Iterator[str]:
    """Where silence clears, or does not, otherwise than the table says."""
    row = TABLE[rule.id]
    asked_s, asked = row.get("clear_s", 0.0), row.get("clear_events", 0)
    slowest_s = row.get("clear_interval_s", math.inf)
    for what, seconds, events, interval_s, state in (
        ("just enough", asked_s, asked, min(slowest_s, 60.0), "ok"),
        ("a refresh with its jitter", asked_s, asked, min(slowest_s * JITTER, 60.0), "ok"),
        ("a hundredth too short", asked_s * 0.99, asked, 0.02, "not_assessed"),
        ("one event too few", asked_s, asked - 1, 0.02, "not_assessed"),
        ("too slow a refresh", asked_s, asked, slowest_s * 1.2, "not_assessed"),
    ):
        if (
            (what == "a hundredth too short" and not asked_s)
            or (what == "one event too few" and not asked)
            or not math.isfinite(interval_s)
        ):
            continue
        seen = Exposure(seconds=seconds, events=events)
        yield from _unlike(rule, what, interval_s, seen, state)
    believed_s = row.get("convict_interval_s", math.inf)
    for what, interval_s, state in (
        ("a finding, just fast enough", min(believed_s * JITTER, 60.0), "fault"),
        ("a finding, too slow", believed_s * 1.2, "not_assessed"),
    ):
        if math.isfinite(interval_s):
            yield from _unlike(rule, what, interval_s, FOUND, state)


FOUND = Finding(Span(3.0, 4.0), "made up for 1.0 s", 1.0, 0.5, "s", ("wheel_speed",))


def _unlike(
    rule: Rule, what: str, interval_s: float, said: Exposure | Finding, state: str
) -> Iterator[str]:
    """What the engine makes of a ride over which the rule says just this."""
    needed = [n if isinstance(n, str) else n[0] for n in rule.needs]
    plan = {
        "pieces": ["80 km/h, gear 5, 10 s"],
        "rate_hz": 50,
        "only": needed,
        "set": {"cruise_set_speed": [[0, 10, 80.0]]},
        "refresh": dict.fromkeys(needed, interval_s),
    }
    ride = ride_from(plan)
    said_alone: Callable[..., Any] = lambda ride, limits: iter([said])  # noqa: E731
    outcome = judge(ride, rules=[replace(rule, check=said_alone)]).rules[0]
    if outcome.state != state:
        yield f"{what}: {outcome.state}, not {state} ({outcome.reason})"


def raising_differences(rule: Rule) -> Iterator[str]:
    """Where findings raise a bike to inspect, or do not, otherwise than the table says."""
    row = TABLE[rule.id]
    if rule.severity is not Severity.FAULT:
        return
    if not row.get("raises", True):
        yield from _unlike_verdict(rule, "never", NEVER, 2, 10.0, "release")
        return
    events, rides = row["events"], row.get("rides", 1)
    per_100_km = row.get("per_100_km", 0.0)
    km = 100.0 * events / per_100_km if per_100_km else 10_000.0
    yield from _unlike_verdict(rule, "just enough", events, rides, km, "inspect")
    if events > rides:
        yield from _unlike_verdict(rule, "a finding too few", events - 1, rides, km, "release")
    if rides > 1:
        more = 4 * events
        yield from _unlike_verdict(rule, "a ride too few", more, rides - 1, km, "release")
    elif events > 1:
        yield from _unlike_verdict(rule, "all in one ride", events, 1, km, "inspect")
    if events == rides > 1:
        yield from _unlike_verdict(rule, "one less of both", events - 1, rides - 1, km, "release")
    other = "release" if row.get("of_one_kind") else "inspect"
    if events > 1:
        yield from _unlike_verdict(rule, "of other kinds", events, rides, km, other, kinds=events)
    if per_100_km:
        yield from _unlike_verdict(rule, "a longer way", events, rides, km * 1.02, "release")


def _unlike_verdict(
    rule: Rule, what: str, events: int, rides: int, km: float, verdict: str, *, kinds: int = 1
) -> Iterator[str]:
    """What becomes of a bike with so many findings in so many rides over so long a way.

    kinds: over how many channels they are spread.
    """
    results = []
    for n in range(max(rides, 1)):
        start = DAY + timedelta(days=n)
        here = len(range(n, events, max(rides, 1)))
        ride = result(start, engaged_km=km / max(rides, 1))
        found = tuple(
            replace(
                finding(start, ride.ride, rule.id, at_s=60.0 + 10 * i, severity=Severity.FAULT),
                channels=(f"channel_{(n + i * max(rides, 1)) % kinds}",),
            )
            for i in range(here)
        )
        results.append(replace(ride, findings=found, rules=()))
    context = Context(bike="T01", must_assess=())
    said = assess(results, context, as_of=results[-1].end, rules={rule.id: rule}).verdict
    if said != verdict:
        yield f"{what} ({events} findings in {rides} rides over {km:.0f} km): {said}, not {verdict}"


def declaration_differences(rule: Rule) -> Iterator[str]:
    """Where the rule's own numbers are not the table's."""
    row = TABLE[rule.id]
    for name, otherwise in (
        ("clear_s", 0.0),
        ("clear_events", 0),
        ("clear_interval_s", math.inf),
        ("convict_interval_s", math.inf),
    ):
        if getattr(rule, name) != row.get(name, otherwise):
            yield f"{name} is {getattr(rule, name)}, not {row.get(name, otherwise)}"
    asked = (
        rule.raise_when.events,
        rule.raise_when.rides,
        rule.raise_when.per_100_engaged_km,
        rule.raise_when.of_one_kind,
    )
    one_kind = row.get("of_one_kind", False)
    stated = (row.get("events", 1), row.get("rides", 1), row.get("per_100_km", 0.0), one_kind)
    if row.get("raises", True) and asked != stated:
        yield f"raised by {asked}, not {stated}"


def model_differences(rule: Rule) -> Iterator[str]:
    """Limits that a model file states, whose default is not the model file's own default."""
    usual = settings_from(merged({}, {}))
    for f in fields(rule.limits):
        key = known_limits()[rule.id][f.name].model
        if key:
            stated: Any = usual
            for name in key.split("."):
                stated = getattr(stated, name)
            if f.default != stated:
                yield f"{f.name} is {f.default}, where a model file that is silent says {stated}"


def moved(rule: Rule, name: str, factor: float) -> Rule:
    """The rule with one limit moved, wherever its value comes from."""

    def check(ride: Any, limits: Any) -> Any:
        return rule.check(ride, replace(limits, **{name: getattr(limits, name) * factor}))

    return replace(rule, check=check)
