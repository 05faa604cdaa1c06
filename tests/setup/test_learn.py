"""A draft model learned from a ride: held against the model the ride was made from."""

import tomllib
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from ridecheck.cli.app import app
from ridecheck.core.errors import LogError
from ridecheck.core.model import Drivetrain, Settings
from ridecheck.fleet import read_settings
from ridecheck.rules.engine import known_limits
from ridecheck.setup.learn import draft, learn
from ridecheck.signals.ride import Ride
from ridecheck.simulate import simulate_ride
from ridecheck.simulate.library import LOGGERS, MODELS, RIDERS
from ridecheck.simulate.parts import part_of
from ridecheck.simulate.spec import BikeSpec, Leg, RidePlan

ROUTE = (Leg("town", 1.5), Leg("country", 9.0), Leg("mountain", 4.0), Leg("motorway", 4.0))
NO_MODEL = Settings(model="", drivetrain=Drivetrain((1000.0,), 2.0))


def ridden(model: str, logger: str, seed: int, **changed: object) -> Ride:
    """A ride of a made-up model; changed: fields of its logger."""
    spec = replace(LOGGERS[logger], **changed)
    plan = RidePlan(datetime(2026, 5, 1, 9, tzinfo=UTC), ROUTE, RIDERS["steady"])
    ride = simulate_ride(BikeSpec("T1", MODELS[model], spec), plan, seed)
    return Ride("ride", "T1", [part_of(ride)], NO_MODEL)


def ratios_of(model: str) -> list[float]:
    m = MODELS[model]
    return [m.primary_ratio * g * m.final_ratio for g in m.gear_ratios]


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("logger", ["bench-20hz", "card-50hz"])
def test_ratios_come_out_within_half_a_percent(model: str, logger: str) -> None:
    learned = learn(ridden(model, logger, 712))

    true = ratios_of(model)
    for rung, ratio in zip(
        learned.rungs, learned.overall_ratios(MODELS[model].circumference_m), strict=True
    ):
        assert ratio == pytest.approx(true[rung.gear - 1], rel=0.005)
    assert len(learned.rungs) >= 4


def test_without_a_gear_channel_the_ladder_is_the_same() -> None:
    channels = tuple(c for c in LOGGERS["bench-20hz"].channels if c != "gear")

    with_gear = learn(ridden("touring-triple-five", "bench-20hz", 713))
    without = learn(ridden("touring-triple-five", "bench-20hz", 713, channels=channels))

    assert [r.gear for r in without.rungs] == [None] * len(with_gear.rungs)
    assert [r.rpm_per_kmh for r in without.rungs] == pytest.approx(
        [r.rpm_per_kmh for r in with_gear.rungs], rel=0.003
    )
    assert "Has the gearbox" in " ".join(draft(without, log="a.csv")[1])


def test_circumference_is_learned_from_known_ratios_and_gps() -> None:
    channels = (*LOGGERS["bench-20hz"].channels, "gps_speed")
    learned = learn(ridden("touring-triple-five", "bench-20hz", 714, channels=channels))
    known = Drivetrain(tuple(ratios_of("touring-triple-five")), 1.0)

    size_m = learned.circumference_m(known)

    assert size_m == pytest.approx(MODELS["touring-triple-five"].circumference_m, rel=0.01)


def test_no_circumference_without_gps() -> None:
    learned = learn(ridden("touring-triple-five", "bench-20hz", 715))

    assert learned.reads_high is None
    assert learned.circumference_m(Drivetrain(tuple(ratios_of("touring-triple-five")), 1.0)) is None


def test_an_unseen_gear_is_asked_about() -> None:
    learned = learn(ridden("touring-triple-five", "bench-20hz", 716))
    rungs = tuple(r for r in learned.rungs if r.gear != 3)

    questions = draft(replace(learned, rungs=rungs), log="a.csv", circumference_m=1.98)[1]

    assert "ratio of gear 3" in questions[0]


def test_a_drive_without_a_ladder_teaches_nothing() -> None:
    ride = ridden("touring-triple-five", "bench-20hz", 717)
    slipping = 1.0 + 0.35 * np.sin(ride.t_s / 29.0) ** 2
    engine = pl.Series("engine_speed", ride.numbers("engine_speed") * slipping)
    ride.samples = ride.samples.with_columns(engine)
    ride.kept.clear()

    with pytest.raises(LogError, match="no gears can be learned"):
        learn(ride)


def test_the_draft_loads_as_a_model(tmp_path) -> None:
    learned = learn(ridden("touring-triple-five", "bench-20hz", 718))
    text, _ = draft(learned, log="a.csv", circumference_m=1.98)
    (tmp_path / "new.toml").write_text(text, encoding="utf-8")

    settings = read_settings(tmp_path / "new.toml", known_limits=known_limits())

    assert settings.drivetrain.overall_ratios == pytest.approx(
        ratios_of("touring-triple-five"), rel=0.005
    )


def test_the_command_learns_from_a_log_of_a_fleet(tmp_path) -> None:
    from ridecheck.core.resources import shipped

    log = next(shipped("sample_logs", "inbox").glob("H01*.csv"))
    out = tmp_path / "draft.toml"
    done = CliRunner().invoke(
        app,
        ["learn", str(log), "--fleet", str(shipped("sample_logs")), "--output", str(out)],
    )

    assert done.exit_code == 0, done.output
    assert "overall_ratios" in tomllib.loads(out.read_text("utf-8"))["drivetrain"]
    assert "Which tyre?" in done.output
