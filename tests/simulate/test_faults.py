"""Planted faults and look-alikes: what they do, and what the truth says of them."""

import itertools
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from ridecheck.core.errors import UsageError
from ridecheck.simulate import FAULT_NAMES, simulate_ride
from ridecheck.simulate.faults import FAULTS, TRIGGERS
from ridecheck.simulate.incidents import INCIDENTS
from ridecheck.simulate.library import LOGGERS, MODELS, PLANS, RIDERS
from ridecheck.simulate.mishaps import MISHAPS
from ridecheck.simulate.population import REPORTING, TUNING, WIDE, draw_bike
from ridecheck.simulate.spec import BikeSpec, PlantedFault, RidePlan, Weather

# the parts that the contract names
PARTS = {
    "front_brake_switch", "rear_brake_switch", "roll_off_switch", "clutch_switch",
    "speed_sensor", "engine_speed_signal", "gear_sensor", "panel_switches", "supply",
    "control_unit", "actuator", "clutch_plates", "tyre_or_final_drive", "wrong_model", "logger",
}  # fmt: skip
WET = Weather(rain_min=(0.5, 60.0))
RICH = replace(
    LOGGERS["card-50hz"],
    channels=(*LOGGERS["card-50hz"].channels, "gps_speed", "front_wheel_speed"),
)


def ride(*faults: str, incidents: tuple[str, ...] = (), seed: int = 3, **options):
    spec = BikeSpec(
        "B1",
        MODELS[options.pop("model", "touring-triple-five")],
        options.pop("logger", RICH),
        faults=tuple(PlantedFault(f, 0.9) for f in faults),
    )
    start = datetime(2026, 5, 3, 9, 0, tzinfo=UTC)
    plan = RidePlan(
        start, PLANS["proving-loop"], RIDERS[options.pop("rider", "steady")],
        weather=WET, incidents=incidents, cold_start=False, **options,
    )  # fmt: skip
    return simulate_ride(spec, plan, seed)


def test_there_are_at_least_thirty_kinds_and_each_names_a_part_and_a_trigger():
    assert len(FAULT_NAMES) >= 30
    for about in (kind.about for kind in FAULTS.values()):
        assert about.part in PARTS, about.name
        assert about.trigger in TRIGGERS, about.name
        assert FAULTS[about.name].__doc__


@pytest.mark.parametrize("name", FAULT_NAMES)
def test_every_fault_shows_itself(name):
    rides = (ride(name, seed=seed, rider="two-fingers").truth.events for seed in range(6))
    seen = next(filter(None, rides), ())

    assert seen
    assert {e.fault for e in seen} == {name}
    assert {e.part for e in seen} == {FAULTS[name].about.part}
    assert all(e.end_s >= e.start_s for e in seen)


@pytest.mark.parametrize("name", sorted(INCIDENTS))
def test_a_look_alike_plants_no_fault(name):
    truth = ride(incidents=(name,)).truth

    assert truth.events == ()
    assert not any(c.fault for c in truth.cancels)


def test_a_trigger_brings_a_fault_on_only_while_it_lasts():
    dry = replace(WET, rain_min=None)
    spec = BikeSpec(
        "B1", MODELS["touring-triple-five"], RICH, faults=(PlantedFault("pod-wet", 1.0),)
    )
    start = datetime(2026, 5, 3, 9, 0, tzinfo=UTC)
    plan = RidePlan(start, PLANS["proving-loop"], RIDERS["steady"], weather=dry)

    in_the_dry = simulate_ride(spec, plan, 5).truth.events
    in_the_wet = simulate_ride(spec, replace(plan, weather=WET), 5).truth.events

    assert in_the_dry == ()
    assert in_the_wet


def test_a_slipping_clutch_lets_the_engine_run_ahead_of_the_wheel():
    slipping = ride("clutch-slips", rider="brisk")
    events = [e for e in slipping.truth.events if e.end_s - e.start_s > 1.5]
    samples = slipping.samples
    t_s = (samples["time"] - samples["time"][0]).dt.total_microseconds().to_numpy() / 1e6
    model = MODELS["touring-triple-five"]
    ratios = np.array((0.0, *model.overall_ratios))
    gear = samples["gear"].fill_null(0).to_numpy()
    tied_rpm = samples["wheel_speed"].to_numpy() / 3.6 / model.circumference_m * 60 * ratios[gear]
    ahead = [
        np.median(
            (samples["engine_speed"].to_numpy() - tied_rpm)[(t_s > e.start_s) & (t_s < e.end_s)]
        )
        for e in events
    ]

    assert events
    assert max(ahead) > 100


def test_another_final_drive_shows_by_the_engine_at_the_wheel_and_by_gps_at_the_gearbox():
    def off(taken_from: str) -> tuple[float, float]:
        model = replace(MODELS["touring-triple-five"], taken_from=taken_from)
        spec = BikeSpec("B1", model, RICH, faults=(PlantedFault("final-drive-changed", 0.9),))
        start = datetime(2026, 5, 3, 9, 0, tzinfo=UTC)
        plan = RidePlan(start, PLANS["proving-loop"], RIDERS["steady"], cold_start=False)
        rows = simulate_ride(spec, plan, 3).samples.drop_nulls(["gps_speed"])
        rows = rows.filter((pl.col("gps_speed") > 60) & (pl.col("gear") == 5))
        by_gps = (rows["wheel_speed"] / rows["gps_speed"]).median()
        per_kmh = (rows["engine_speed"] / rows["wheel_speed"]).median()
        return by_gps - 1.0, per_kmh / model.drivetrain.rpm_per_kmh(5) - 1.0

    wheel, gearbox = off("driven_wheel"), off("gearbox_output")

    assert abs(wheel[0]) < 0.025
    assert abs(wheel[1]) > 0.04
    assert abs(gearbox[0]) > 0.04
    assert abs(gearbox[1]) < 0.025


def test_a_dead_brake_switch_leaves_hard_braking_without_a_lamp():
    truth = ride("brake-line-dead", rider="brisk")

    assert truth.truth.events
    assert not truth.samples["front_brake"].any()
    assert not truth.samples["rear_brake"].any()


def test_supply_dips_switch_the_unit_off():
    truth = ride("supply-dips").truth

    assert any(c.cause == "supply" and c.fault == "supply-dips" for c in truth.cancels)


def test_cruise_lets_go_on_a_hill_it_cannot_climb_and_nobody_is_to_blame():
    causes = {
        c.cause: c
        for seed in range(6)
        for c in ride(incidents=("steep-hill",), seed=seed).truth.cancels
        if not c.commanded
    }

    assert set(causes) <= {"far_from_set_speed", "below_minimum"}
    assert not any(c.fault for c in causes.values())


@pytest.mark.parametrize("name", sorted(MISHAPS))
def test_a_mishap_changes_rows_or_stamps_and_nothing_else(name):
    clean, odd = ride().samples, ride(incidents=(name,)).samples

    assert not odd.equals(clean)
    assert set(odd["wheel_speed"].unique()) <= set(clean["wheel_speed"].unique())


def test_an_unknown_incident_is_refused_with_the_known_ones():
    with pytest.raises(UsageError, match="no such incident"):
        ride(incidents=("grip-flik",))


@pytest.mark.parametrize("studied", [TUNING, WIDE], ids=lambda p: p.name)
def test_nothing_of_the_reporting_population_is_in_those_studied(studied):
    assert not {m.name for m in studied.models} & {m.name for m in REPORTING.models}
    assert not {m.overall_ratios for m in studied.models} & {
        m.overall_ratios for m in REPORTING.models
    }
    assert not set(studied.dialects) & set(REPORTING.dialects)
    assert not set(studied.routes) & set(REPORTING.routes)
    for field in ("severity", "speed_factor", "brake_mps2", "acts_every_s", "air_c"):
        assert getattr(studied, field) != getattr(REPORTING, field), field


@pytest.mark.parametrize("model", WIDE.models, ids=lambda m: m.name)
def test_a_model_drawn_at_random_is_one_that_can_be_ridden(model):
    """Every gear longer than the one before; 100 km/h in top between idle and the limiter."""
    ratios = model.overall_ratios
    turns_per_min = 100.0 / 3.6 / model.circumference_m * 60.0

    assert all(low > high for low, high in itertools.pairwise(ratios))
    assert 1.5 * model.engine.idle_rpm < turns_per_min * ratios[-1] < 0.6 * model.engine.redline_rpm
    assert model.engine.peak_rpm < model.engine.redline_rpm


def test_a_drawn_bike_is_the_same_for_the_same_seed():
    options = {"bike": "X1", "fault": "supply-dips", "rides": 2}

    one = draw_bike(REPORTING, (4, 2, 1), **options)

    assert draw_bike(REPORTING, (4, 2, 1), **options) == one
    assert draw_bike(REPORTING, (4, 2, 2), **options) != one


def test_pulses_are_seen_as_often_as_their_length_over_the_row_interval():
    """Geometry: an instantaneous sample every T catches a pulse of length w with min(1, w/T)."""
    slow = replace(RICH, rate_hz=5.0)
    events = [
        event
        for seed in range(8)
        for event in ride("rear-switch-set-too-early", seed=seed, logger=slow).truth.events
    ]
    expected = np.mean([min(1.0, (e.end_s - e.start_s) * 5.0) for e in events])
    spread = 3.0 * np.sqrt(expected * (1 - expected) / len(events))

    assert len(events) > 60
    assert np.mean([e.visible for e in events]) == pytest.approx(expected, abs=spread)


def test_a_bouncing_contact_shows_only_where_a_row_falls_into_one_of_its_pulses():
    slow = replace(RICH, rate_hz=5.0)
    rides = [ride("front-switch-chatters", seed=seed, logger=slow) for seed in range(8)]
    told = [
        (event.visible, _shows_on(one, "front_brake", event.start_s, event.end_s))
        for one in rides
        for event in one.truth.events
    ]

    assert {visible for visible, _ in told} == {True, False}
    assert [visible for visible, shown in told if visible != shown] == []


def _shows_on(one, channel, start_s, end_s):
    t_s = (one.samples["time"] - one.plan.start).dt.total_microseconds().to_numpy() / 1e6
    rows = (t_s > start_s - 1e-3) & (t_s < end_s + 1e-3)
    return bool((one.samples[channel].to_numpy() & rows).any())


def test_a_panel_without_a_cancel_button_has_none_that_twitches():
    without = next(n for n, m in MODELS.items() if "cancel" not in m.cruise.panel)
    rides = [ride("pod-harness-broken", seed=seed, model=without) for seed in range(3)]

    assert any(one.samples["switch_set"].any() for one in rides)
    assert not any(one.samples["switch_cancel"].any() for one in rides)


def test_a_fault_that_shows_all_the_time_is_not_behind_fuel_traction_control_or_a_spin():
    causes = [
        (c.cause, c.fault)
        for seed in range(6)
        for c in ride(
            "charging-weak", incidents=("fuel-runs-low", "wheelspin"), seed=seed
        ).truth.cancels
        if not c.commanded
    ]

    assert {"engine_off", "intervention"} & {cause for cause, _ in causes}
    assert {fault for _, fault in causes} == {""}
