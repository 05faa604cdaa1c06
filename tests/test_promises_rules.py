"""Promises that every rule keeps."""

import dataclasses
import pkgutil
import subprocess
import sys
import textwrap

import pytest

import ridecheck.rules
from ridecheck.catalog import channels
from ridecheck.model import Severity
from ridecheck.rules import all_rules
from ridecheck.rules.base import HEADINGS

RULES = list(all_rules().values())
every_rule = pytest.mark.parametrize("rule", RULES, ids=[r.id for r in RULES])


def modules() -> list[str]:
    """Every rule's module, found by file and not by the registry."""
    found = pkgutil.walk_packages(ridecheck.rules.__path__, prefix="ridecheck.rules.")
    return [m.name for m in found if not m.ispkg and m.name.count(".") == 3]


def test_each_rule_can_be_imported_alone():
    """Rules are found by file, which the import contracts do not see.

    Each import starts from a process that has loaded the libraries but nothing of ridecheck.
    """
    program = textwrap.dedent(
        """
        import importlib, os, sys
        import numpy, polars

        broken = []
        for name in sys.argv[1:]:
            child = os.fork()
            if not child:
                assert not any(m.startswith("ridecheck") for m in sys.modules)
                try:
                    importlib.import_module(name)
                except BaseException as error:
                    print(f"{name}: {error!r}", file=sys.stderr, flush=True)
                    os._exit(1)
                others = [m for m in sys.modules if m.startswith("ridecheck.rules.")
                          and m.count(".") == 3 and m != name]
                if others:
                    print(f"{name} brings in {others}", file=sys.stderr, flush=True)
                os._exit(bool(others))
            if os.waitpid(child, 0)[1]:
                broken.append(name)
        sys.exit(bool(broken))
        """
    )

    done = subprocess.run(
        [sys.executable, "-c", program, *modules()], capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stderr


def test_every_file_is_a_rule_and_its_id_is_its_path():
    by_path = {
        m.removeprefix("ridecheck.rules.").replace(".", "/").replace("_", "-") for m in modules()
    }

    assert set(all_rules()) == by_path


@every_rule
def test_explains_itself_under_the_fixed_headings(rule):
    found = [line for line in rule.doc.splitlines() if line in HEADINGS]

    assert found in (list(HEADINGS), list(HEADINGS[:-1]))
    assert all(rule.section(heading) for heading in found)


@every_rule
def test_every_threshold_has_a_unit_and_a_reason(rule):
    unexplained = [
        f.name
        for f in dataclasses.fields(rule.limits)
        if not f.metadata.get("reason") or "unit" not in f.metadata
    ]

    assert unexplained == []


@every_rule
def test_needs_and_falsifies_known_channels_only(rule):
    named = {n for need in rule.needs for n in ((need,) if isinstance(need, str) else need)}

    assert named | set(rule.falsifies) <= set(channels())


@pytest.mark.parametrize(
    "rule", [r for r in RULES if r.severity is Severity.DANGER], ids=lambda r: r.id
)
class TestEveryDangerRule:
    def test_names_the_checks_that_a_sign_off_asks_for(self, rule):
        assert rule.checks

    def test_says_of_each_limit_which_way_would_blind_it(self, rule):
        open_limits = [
            f.name for f in dataclasses.fields(rule.limits) if not f.metadata["loosened_by"]
        ]

        assert open_limits == []

    def test_runs_whether_or_not_the_model_has_cruise(self, rule):
        assert not rule.cruise_only

    def test_believes_what_it_sees_at_any_rate(self, rule):
        assert rule.convict_interval_s >= 1.0
