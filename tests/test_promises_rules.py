"""Promises of all rules that need more than the rule to hold: being alone, and being danger."""

import pkgutil
import subprocess
import sys
import textwrap
import tomllib
from pathlib import Path

import pytest
from rides import merged, ride_from

import ridecheck.rules
from ridecheck.core.model import Severity
from ridecheck.rules import all_rules
from ridecheck.rules.engine import judge

CASES = Path(__file__).parent / "rules"
DANGERS = [r for r in all_rules().values() if r.severity is Severity.DANGER]


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


@pytest.mark.parametrize("rule", DANGERS, ids=[r.id for r in DANGERS])
class TestEveryDangerRule:
    def test_believes_what_it_sees_at_any_rate(self, rule):
        assert rule.convict_interval_s >= 1.0

    def test_runs_on_a_bike_whose_model_denies_cruise_once_cruise_is_seen(self, rule):
        """Its model file then says no cruise control is fitted, and is wrong."""
        table = tomllib.loads((CASES / f"{rule.id}.toml").read_text("utf-8"))
        fault = next(case for case in table["case"] if case["state"] == "fault")
        as_modelled = judge(ride_from(table["ride"], fault), rules=[rule])
        denied = ride_from(merged(table["ride"], {"model": {"cruise": {"fitted": False}}}), fault)

        found = judge(denied, rules=[rule])

        assert as_modelled.findings
        assert len(found.findings) == len(as_modelled.findings)
