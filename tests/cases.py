"""The cases of rules under tests/rules/<family>/<rule>.toml, and whether a judgement fits one."""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent / "rules"


@dataclass(frozen=True, slots=True)
class Case:
    """One case: a ride, and what the rule of its file must say of it.

    base: the ride every case of the file starts from. told: the case's own table.
    """

    rule: str
    base: Mapping[str, Any]
    told: Mapping[str, Any]

    @property
    def name(self) -> str:
        """The rule's id and the case's name."""
        return f"{self.rule}: {self.told['name']}"

    @property
    def holds(self) -> tuple[str, ...]:
        """Which limits of its rule the case lies close to."""
        return tuple(self.told.get("holds", ()))


def cases(rule: str = "*/*") -> list[Case]:
    """Every case of every file, or of one rule's, in order."""
    return [
        Case(table["rule"], table["ride"], case)
        for path in sorted(FOLDER.glob(f"{rule}.toml"))
        for table in [tomllib.loads(path.read_text("utf-8"))]
        for case in table["case"]
    ]


def differences(case: Case, judged: Any) -> Iterator[str]:
    """What of a judgement by all rules is not as the case says."""
    yield from own_differences(case, judged)
    yield from (f"ended in an error: {o}" for o in judged.rules if o.state == "error")
    others = {f.rule: f.finding.message for f in judged.findings if f.rule != case.rule}
    if set(others) != set(case.told.get("also", [])):
        yield f"other rules found {others}, not {case.told.get('also', [])}"


def own_differences(case: Case, judged: Any) -> Iterator[str]:
    """What the case's own rule says otherwise than the case does."""
    outcome = {o.rule: o for o in judged.rules}[case.rule]
    found = [f.finding for f in judged.findings if f.rule == case.rule]
    said = f"{outcome.reason!r}, found {found}"
    if outcome.state != case.told["state"]:
        yield f"state {outcome.state}, not {case.told['state']}: {said}"
    at_s = case.told.get("at_s", [])
    if len(found) != len(at_s):
        yield f"{len(found)} findings, not {len(at_s)}: {said}"
    for finding, t_s in zip(sorted(found, key=lambda f: f.span.start_s), at_s, strict=False):
        if not finding.span.start_s <= t_s <= finding.span.end_s:
            yield f"nothing at {t_s} s: {said}"
    for name in ("events", "exposure_s"):
        if name in case.told and abs(getattr(outcome, name) - case.told[name]) > 0.1:
            yield f"{name} {getattr(outcome, name)}, not {case.told[name]}"
    for finding, figures in zip(found, case.told.get("finds", []), strict=False):
        yield from _other_figures(finding, figures)
    says = case.told.get("says", "")
    if not any(says in f.message for f in found) and says not in outcome.reason:
        yield f"{says!r} is not said: {said}"


def _other_figures(finding: Any, figures: Mapping[str, float]) -> Iterator[str]:
    """What of a finding's figures is further from the case's than a hundredth, or a row."""
    said = {
        "from_s": finding.span.start_s,
        "to_s": finding.span.end_s,
        "measured": finding.measured,
        "limit": finding.limit,
    }
    for name, value in figures.items():
        if abs(said[name] - value) > max(0.01 * abs(value), 0.051 if name.endswith("_s") else 0.0):
            yield f"{name} {said[name]}, not {value}: {finding}"
