"""Promises every rule must keep."""

import math
import re
import subprocess
import sys
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest
from rides import ride_from

from ridecheck.core.catalog import channels
from ridecheck.core.model import Severity
from ridecheck.reporters.explained import rule_dict
from ridecheck.rules import all_rules
from ridecheck.rules.base import HEADINGS, Rule
from ridecheck.rules.engine import judge, known_limits
from ridecheck.signals.tables import SHARED

HERE = Path(__file__).parent
FORBIDDEN = re.compile(r"\b(safe|safely|roadworthy|certified|approved|fit to ride)\b", re.I)


def case_file(rule: Rule) -> Path:
    return HERE / f"{rule.id}.toml"


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda rule: rule.id)
class TestEveryRule:
    def test_explains_itself_under_the_fixed_headings(self, rule: Rule) -> None:
        found = [line for line in rule.doc.splitlines() if line in HEADINGS]

        assert found == list(HEADINGS)
        assert all(rule.section(heading) for heading in HEADINGS)
        assert len(rule.summary) < 90

    def test_promises_nothing_it_cannot(self, rule: Rule) -> None:
        reasons = " ".join(f.metadata["reason"] for f in fields(rule.limits))

        assert not FORBIDDEN.search(f"{rule.doc} {reasons}")

    def test_each_threshold_has_a_number_and_a_reason(self, rule: Rule) -> None:
        assert fields(rule.limits)
        for f in fields(rule.limits):
            assert isinstance(f.default, float), f.name
            assert math.isfinite(f.default), f.name
            assert "unit" in f.metadata, f.name
            assert len(f.metadata["reason"]) > 15, f.name

    def test_a_danger_says_which_way_each_threshold_makes_it_blinder(self, rule: Rule) -> None:
        if rule.severity is Severity.DANGER:
            assert all(f.metadata["loosened_by"] for f in fields(rule.limits))
            assert rule.checks

    def test_needs_only_known_channels(self, rule: Rule) -> None:
        needed = {
            name for need in rule.needs for name in ([need] if isinstance(need, str) else need)
        }

        assert needed <= set(channels())
        assert set(rule.falsifies) <= set(channels())

    def test_has_a_case_for_each_state(self, rule: Rule) -> None:
        cases = tomllib.loads(case_file(rule).read_text("utf-8"))["case"]

        assert {case["state"] for case in cases} == {"ok", "fault", "not_assessed"}

    def test_cannot_be_cleared_by_nothing(self, rule: Rule) -> None:
        assert rule.clear_s > 0 or rule.clear_events > 0
        assert rule.asks

    def test_its_findings_tell_numbers_and_no_rule(self, rule: Rule) -> None:
        table = tomllib.loads(case_file(rule).read_text("utf-8"))
        fault = next(case for case in table["case"] if case["state"] == "fault")

        found = [f for f in judge(ride_from(table["ride"], fault)).findings if f.rule == rule.id]
        for f in found:
            assert re.search(r"\d", f.finding.message)
            assert "/" not in re.sub(r"k?m/[hs]2?|m/s2", "", f.finding.message)
            assert not f.finding.message.endswith(".")
            assert not FORBIDDEN.search(f.finding.message)
            assert f.finding.span.end_s >= f.finding.span.start_s
            assert set(f.finding.channels) <= set(channels())

    def test_is_whole_in_the_explanation(self, rule: Rule) -> None:
        told = rule_dict(rule)

        assert told["rule"] == rule.id
        assert {limit["name"] for limit in told["limits"]} == set(known_limits()[rule.id])
        assert told["what_it_checks"]
        assert told["next_step"]


def test_each_rule_can_be_imported_alone_in_a_fresh_process() -> None:
    """One process that forgets everything between imports: a rule leans on no other."""
    modules = [rule.check.__module__ for rule in all_rules().values()]
    code = (
        "import importlib, sys\n"
        f"for name in {modules!r}:\n"
        "    for loaded in [m for m in sys.modules if m.startswith('ridecheck')]:\n"
        "        del sys.modules[loaded]\n"
        "    importlib.import_module(name)\n"
        "    loaded = [m for m in sys.modules if m.startswith('ridecheck.rules.')]\n"
        "    others = [m for m in loaded if m.count('.') == 3]\n"
        "    assert others == [name], (name, others)\n"
        "    heavy = {'duckdb', 'pandera', 'typer', 'jinja2', 'scipy'} & set(sys.modules)\n"
        "    assert not heavy, (name, heavy)\n"
    )

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr


def test_every_case_file_belongs_to_a_rule() -> None:
    files = {path.relative_to(HERE).with_suffix("").as_posix() for path in HERE.glob("*/*.toml")}

    assert files == set(all_rules())


def test_known_limits_covers_every_rule() -> None:
    assert set(known_limits()) == {*all_rules(), *SHARED}
