"""What a rule checks and why, from the rule's own file."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any

from ridecheck.core.durations import rate, spoken
from ridecheck.reporters.csv_report import Cell, table
from ridecheck.reporters.json_report import as_json, plain
from ridecheck.reporters.terminal import wrapped
from ridecheck.reporters.wording import check_name
from ridecheck.rules.base import HEADINGS, Need, Rule
from ridecheck.signals.definitions import ID as DEFINITIONS
from ridecheck.signals.tables import SHARED

NEVER = 1_000_000
"""The count by which a rule says that it never raises a bike."""

COLUMNS = (
    "rule",
    "severity",
    "summary",
    "needs",
    "limits",
    "raise_when_events",
    "raise_when_rides",
    "raise_when_per_100_engaged_km",
    "checks",
    "next_step",
)


def rules_list(rules: Iterable[Rule]) -> str:
    """All rules, a line or two each, by family."""
    lines: list[str] = []
    family = ""
    for rule in rules:
        if rule.family != family:
            family = rule.family
            lines += ["", family] if lines else [family]
        lines += wrapped(f"{rule.id} ({rule.severity.value})", first="  ", rest="    ")
        lines += wrapped(rule.summary, first="      ", rest="      ")
    return "\n".join([*lines, "", "One of them in full: ridecheck explain RULE", ""])


def rule_text(rule: Rule) -> str:
    """One rule in full."""
    lines = wrapped(f"{rule.id} ({rule.severity.value})") + wrapped(rule.summary)
    for heading in HEADINGS:
        if text := rule.section(heading):
            lines += ["", heading, *_indented(text)]
    lines += ["", "Needs", *_indented("; ".join(_need(n) for n in rule.needs))]
    lines += ["", "Raises a bike to inspect", *_indented(_raises(rule))]
    lines += ["", "Counts as ok after", *_indented(_clears(rule))]
    if rule.checks:
        lines += ["", "A sign-off names these checks", *_indented(_named(rule.checks))]
    limits = rule_dict(rule)["limits"]
    if limits:
        lines += ["", "Limits", *_limit_lines(limits)]
    return "\n".join(lines) + "\n"


def _limit_lines(limits: Iterable[Mapping[str, Any]]) -> list[str]:
    lines = []
    for limit in limits:
        line = f"{limit['name']} = {limit['default']:g} {limit['unit']}".rstrip()
        more = f" Source: {limit['source']}." if limit["source"] else ""
        more += f" Model key: {limit['model']}." if limit["model"] else ""
        more += f" Follows {DEFINITIONS}: {limit['shared']}." if limit["shared"] else ""
        lines += wrapped(f"{line}: {limit['reason']}.{more}", first="    ", rest="      ")
    return lines


def shared_text(name: str) -> str:
    """A table of limits that several rules share, each with its reason and source."""
    lines = wrapped(f"{name}: {_said_of(name)}")
    return "\n".join([*lines, "", "Limits", *_limit_lines(_shared(name))]) + "\n"


def shared_json(name: str) -> str:
    """The same as JSON text: a list of one, shaped as a rule's."""
    return as_json([plain({"rule": name, "summary": _said_of(name), "limits": _shared(name)})])


def shared_csv(name: str) -> str:
    """One line a limit."""
    return table(_shared(name), ("name", "default", "unit", "reason", "source"))


def _said_of(name: str) -> str:
    return (SHARED[name].__doc__ or "").strip().rstrip(".")


def _shared(name: str) -> list[dict[str, Any]]:
    return [{"name": f.name, "default": f.default, **f.metadata} for f in fields(SHARED[name])]


def rules_json(rules: Iterable[Rule]) -> str:
    """A list of rules as JSON text."""
    return as_json([plain(rule_dict(r)) for r in rules])


def rules_csv(rules: Iterable[Rule]) -> str:
    """One line a rule."""
    return table([_row(r) for r in rules], COLUMNS)


def rule_dict(rule: Rule) -> dict[str, Any]:
    """A rule as plain values; an endless interval is null."""
    return {
        "rule": rule.id,
        "family": rule.family,
        "severity": rule.severity.value,
        "summary": rule.summary,
        **{h.lower().replace(" ", "_"): rule.section(h) for h in HEADINGS},
        "needs": [[n] if isinstance(n, str) else list(n) for n in rule.needs],
        "limits": [{"name": f.name, "default": f.default, **f.metadata} for f in _limits(rule)],
        "raise_when": {
            "events": rule.raise_when.events,
            "rides": rule.raise_when.rides,
            "per_100_engaged_km": rule.raise_when.per_100_engaged_km,
        },
        "clear_s": rule.clear_s,
        "clear_events": rule.clear_events,
        "clear_interval_s": rule.clear_interval_s,
        "convict_interval_s": rule.convict_interval_s,
        "doubts_file": rule.doubts_file,
        "cruise_only": rule.cruise_only,
        "checks": list(rule.checks),
    }


def _limits(rule: Rule) -> Sequence[Any]:
    return fields(rule.limits)


def _row(rule: Rule) -> dict[str, Cell]:
    limits = rule_dict(rule)["limits"]
    return {
        "rule": rule.id,
        "severity": rule.severity.value,
        "summary": rule.summary,
        "needs": " | ".join(_need(n) for n in rule.needs),
        "limits": " | ".join(f"{x['name']}={x['default']:g} {x['unit']}".rstrip() for x in limits),
        "raise_when_events": rule.raise_when.events,
        "raise_when_rides": rule.raise_when.rides,
        "raise_when_per_100_engaged_km": rule.raise_when.per_100_engaged_km,
        "checks": " | ".join(rule.checks),
        "next_step": rule.section("Next step"),
    }


def _indented(text: str) -> list[str]:
    return wrapped(text, first="    ", rest="    ")


def _named(checks: Sequence[str]) -> str:
    """Checks as people read them, each with the id that a sign-off gives."""
    return ", ".join(f"{check_name(check)} ({check})" for check in checks)


def _need(need: Need) -> str:
    return need if isinstance(need, str) else "one of " + ", ".join(need)


def _raises(rule: Rule) -> str:
    if rule.severity.value == "danger":
        return "a danger keeps the bike in from the first finding until it is signed off"
    if rule.severity.value != "fault":
        return f"never: a {rule.severity.value} is a remark beside the verdict"
    when = rule.raise_when
    if when.events >= NEVER:
        return "never by itself: where it is found, the ride does not count and is not judged"
    text = f"at {when.events} or more findings, in {when.rides} or more rides"
    if when.of_one_kind:
        text = f"at {when.events} or more findings on the same channels"
    if when.per_100_engaged_km:
        text += f", and at least {when.per_100_engaged_km:g} per 100 km with cruise engaged"
    return text


def _clears(rule: Rule) -> str:
    seen = [spoken(rule.clear_s)] if rule.clear_s else []
    seen += [f"{rule.clear_events} events"] if rule.clear_events else []
    seen = [" and ".join(seen) + " that could have shown it" if seen else "any ride with the needs"]
    if rule.clear_interval_s != float("inf"):
        seen.append(f"logged at {rate(rule.clear_interval_s)} or faster")
    return ", ".join(seen)
