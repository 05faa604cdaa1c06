"""The shipped plan gets the verdicts it states, from its own seed and from five others."""

import tomllib
from pathlib import Path

import pytest

from ridecheck.batch.run import screen_fleet
from ridecheck.core.resources import shipped
from ridecheck.setup.demo import copy_sample_fleet
from ridecheck.simulate import simulate_fleet

INDEX = shipped("sample_logs", "index.toml")
PLAN = tomllib.loads(INDEX.read_text("utf-8"))
EXPECTED = {bike["bike"]: bike["expected"] for bike in PLAN["bike"]}
OTHER_SEEDS = (1042, 1043, 1044, 1045, 1046)
"""Chosen before the first run, and never changed since."""


def verdicts(root: Path) -> dict[str, str]:
    outcome = screen_fleet(root, report_dir=root / "reports")

    assert (outcome.rules_in_error, outcome.faults) == ((), ())
    return {bike.bike: bike.verdict.value for bike in outcome.report.bikes}


def test_the_demo_gets_the_verdicts_it_states(tmp_path):
    copy_sample_fleet(tmp_path / "demo")

    assert verdicts(tmp_path / "demo") == EXPECTED


@pytest.mark.parametrize("seed", OTHER_SEEDS)
def test_the_same_plan_from_another_seed_gets_them_too(tmp_path, seed):
    text = INDEX.read_text("utf-8").replace(f"seed = {PLAN['seed']}\n", f"seed = {seed}\n")
    (tmp_path / "index.toml").write_text(text, encoding="utf-8")
    simulate_fleet(tmp_path / "fleet", plan=tmp_path / "index.toml")

    assert verdicts(tmp_path / "fleet") == EXPECTED
