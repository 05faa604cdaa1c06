"""Every rule against its own case file, and against every other rule's."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from rides import ride_from

from ridecheck.core.model import State
from ridecheck.rules.engine import judge

HERE = Path(__file__).parent


def cases() -> list[Any]:
    found = []
    for path in sorted(HERE.glob("*/*.toml")):
        table = tomllib.loads(path.read_text("utf-8"))
        found += [
            pytest.param(table, case, id=f"{table['rule']}: {case['name']}")
            for case in table["case"]
        ]
    return found


@pytest.mark.parametrize(("table", "case"), cases())
def test_case(table: dict[str, Any], case: dict[str, Any]) -> None:
    judged = judge(ride_from(table["ride"], case))
    outcome = {o.rule: o for o in judged.rules}[table["rule"]]
    found = [f.finding for f in judged.findings if f.rule == table["rule"]]
    others = {f.rule: f.finding.message for f in judged.findings if f.rule != table["rule"]}
    errors = [o for o in judged.rules if o.state is State.ERROR]

    assert not errors
    assert outcome.state == case["state"], (outcome.reason, found, others)
    at_s = case.get("at_s", [])
    assert len(found) == len(at_s), found
    for finding, t_s in zip(sorted(found, key=lambda f: f.span.start_s), at_s, strict=True):
        assert finding.span.start_s <= t_s <= finding.span.end_s, finding
    for text in [case["says"]] if "says" in case else []:
        assert any(text in f.message for f in found) or text in outcome.reason, (found, outcome)
    assert set(others) == set(case.get("also", [])), others
