"""Simulated rides behave like rides, and their truth agrees with what was logged."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from ridecheck.simulate import FAULT_NAMES, simulate_ride
from ridecheck.simulate.library import LOGGERS, MODELS, PLANS, RIDERS
from ridecheck.simulate.spec import BikeSpec, LoggerSpec, PlantedFault, RidePlan

START = datetime(2026, 5, 3, 9, 0, tzinfo=UTC)


def plan(name: str = "proving-loop", rider: str = "steady", **changes) -> RidePlan:
    return replace(RidePlan(START, PLANS[name], RIDERS[rider]), **changes)


def bike(*faults: str, model: str = "touring-triple-five", logger: str = "bench-20hz") -> BikeSpec:
    planted = tuple(PlantedFault(f, 1.0) for f in faults)
    return BikeSpec("B1", MODELS[model], LOGGERS[logger], faults=planted)


@pytest.fixture(scope="module")
def healthy():
    return simulate_ride(bike(), plan(), 5)


def on_spans(samples: pl.DataFrame, channel: str) -> list[tuple[int, int]]:
    flags = samples[channel].to_numpy().astype(int)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags, [0]])))
    return list(zip(edges[::2], edges[1::2], strict=True))


def test_the_same_seed_gives_the_same_ride(healthy):
    again = simulate_ride(bike(), plan(), 5)

    assert again.samples.equals(healthy.samples)
    assert again.truth == healthy.truth


def test_another_seed_gives_another_ride(healthy):
    other = simulate_ride(bike(), plan(), 6)

    assert not other.samples.equals(healthy.samples)


def test_a_healthy_ride_can_clear_a_bike(healthy):
    """Several brakings while engaged, and three harder than 2 m/s2 with a brake on."""
    braked_off = [c for c in healthy.truth.cancels if "brake" in c.cause]
    speed = healthy.samples["wheel_speed"].to_numpy() / 3.6
    braking = [
        (a, b)
        for channel in ("front_brake", "rear_brake")
        for a, b in on_spans(healthy.samples, channel)
        if b - a > 10 and (speed[a] - speed[min(b, len(speed) - 1)]) * 20 / (b - a) > 2.0
    ]

    assert len(braked_off) >= 3
    assert len(braking) >= 3
    assert healthy.samples["switch_set"].any()


def test_a_healthy_ride_has_no_cancel_without_a_hand(healthy):
    assert [c for c in healthy.truth.cancels if not c.commanded] == []


def test_engine_speed_agrees_with_the_gear_in_steady_running(healthy):
    samples = healthy.samples.filter(
        pl.col("cruise_engaged") & ~pl.col("clutch") & pl.col("gear").is_not_null()
    )
    ratios = (0.0, *MODELS["touring-triple-five"].overall_ratios)
    circumference_m = MODELS["touring-triple-five"].circumference_m
    expected = (
        samples["wheel_speed"].to_numpy() / 3.6 / circumference_m * 60
        * np.take(ratios, samples["gear"].to_numpy())
    )  # fmt: skip
    error = samples["engine_speed"].to_numpy() / expected - 1.0

    assert np.abs(np.median(error)) < 0.005
    assert np.quantile(np.abs(error), 0.95) < 0.03


def test_speed_is_held_while_cruise_is_engaged():
    ride = simulate_ride(bike(), plan("transfer"), 9)
    steady = ride.samples.with_columns(
        settled=pl.col("cruise_engaged").cast(pl.Int8).rolling_min(200) == 1,
        calm=(pl.col("cruise_set_speed").rolling_max(200) == pl.col("cruise_set_speed"))
        & (pl.col("cruise_set_speed").rolling_min(200) == pl.col("cruise_set_speed")),
    ).filter(pl.col("settled") & pl.col("calm"))
    error = (steady["wheel_speed"] - steady["cruise_set_speed"]).to_numpy()

    assert len(error) > 600
    assert np.abs(np.median(error)) < 1.0
    assert np.quantile(np.abs(error), 0.8) < 2.0


def test_nothing_accelerates_or_brakes_beyond_what_a_tourer_can(healthy):
    samples = simulate_ride(bike(model="grand-tourer-six"), plan(rider="brisk"), 3).samples
    speed = samples["wheel_speed"].to_numpy() / 3.6
    over_half_a_second = (speed[10:] - speed[:-10]) / 0.5

    assert over_half_a_second.max() < 4.5
    assert over_half_a_second.min() > -10.8


def test_a_pulse_nobody_made_is_in_the_truth_and_cancels():
    ride = simulate_ride(bike("rear-switch-set-too-early"), plan(), 4)
    by_fault = [c for c in ride.truth.cancels if c.fault]

    assert by_fault
    assert {c.cause for c in by_fault} == {"rear_brake"}
    assert {e.part for e in ride.truth.events} == {"rear_brake_switch"}


def test_visible_events_are_in_the_samples_and_hidden_ones_are_not():
    slow = replace(LOGGERS["bench-20hz"], rate_hz=5.0)
    spec = replace(bike("rear-switch-set-too-early"), logger=slow)
    ride = simulate_ride(spec, plan(), 4)
    t_s = (ride.samples["time"] - START).dt.total_microseconds().to_numpy() / 1e6
    shown = ride.samples["rear_brake"].to_numpy()

    hidden = [e for e in ride.truth.events if not e.visible]
    seen = [e for e in ride.truth.events if e.visible]

    assert hidden
    assert seen
    for event in seen:
        within = (t_s >= event.start_s - 0.002) & (t_s < event.end_s + 0.002)
        assert shown[within].any()
    for event in hidden:
        assert not ((t_s > event.start_s + 0.002) & (t_s < event.end_s - 0.002)).any()


def test_a_latched_switch_shows_pulses_shorter_than_a_row():
    latched = replace(LOGGERS["bench-20hz"], rate_hz=2.0, latched=("rear_brake",))
    ride = simulate_ride(replace(bike("rear-switch-set-too-early"), logger=latched), plan(), 4)

    assert ride.truth.events
    assert all(e.visible for e in ride.truth.events)


def test_a_brake_the_unit_does_not_see_leaves_cruise_pulling():
    ride = simulate_ride(bike("front-brake-does-not-cancel"), plan(rider="two-fingers"), 2)
    together = ride.samples["front_brake"] & ride.samples["cruise_engaged"]

    assert ride.truth.events
    assert together.sum() > 10


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0, 100.0])
def test_rows_come_at_the_loggers_rate(rate_hz):
    ride = simulate_ride(
        replace(bike(), logger=LoggerSpec("x", "comma", rate_hz)), plan("short-errand"), 1
    )
    step_s = ride.samples["time"].diff().dt.total_microseconds().median() / 1e6

    assert step_s == pytest.approx(1 / rate_hz, rel=0.01)


def test_a_slow_channel_is_held_or_blank_between_its_refreshes():
    logger = LoggerSpec(
        "x", "comma", 20.0, refresh_s={"supply_voltage": 1.0, "engine_speed": 0.5},
        blank_between=("supply_voltage",),
    )  # fmt: skip
    samples = simulate_ride(replace(bike(), logger=logger), plan("short-errand"), 1).samples

    assert samples["supply_voltage"].null_count() == pytest.approx(0.95 * len(samples), rel=0.02)
    assert samples["engine_speed"].null_count() == 0


def test_every_fault_rides_to_the_end():
    for name in FAULT_NAMES:
        ride = simulate_ride(bike(name, logger="card-50hz"), plan("short-errand"), 8)

        assert ride.samples.height > 100, name


def test_a_hill_beside_the_route_is_climbed_in_the_altitude_too():
    logger = LoggerSpec("tall-20hz", "comma", 20.0, ("wheel_speed", "altitude"))
    spec = BikeSpec("B1", MODELS["touring-triple-five"], logger)
    ride = simulate_ride(spec, plan(incidents=("steep-hill",)), 3)
    hill_s = next(t_s for t_s, name in ride.truth.incidents if name == "steep-hill")
    at_s = (ride.samples["time"] - START).dt.total_milliseconds().to_numpy() / 1000.0
    altitude_m = ride.samples["altitude"].to_numpy()

    climbed_m = np.interp(hill_s + 20.0, at_s, altitude_m) - np.interp(hill_s, at_s, altitude_m)

    assert climbed_m > 10.0


def test_fingers_do_not_let_go_of_a_lever_that_brakes():
    ride = simulate_ride(bike(), plan(incidents=("fingers-on-lever",)), 5)
    speed = ride.samples["wheel_speed"].to_numpy() / 3.6
    shown = (ride.samples["front_brake"] | ride.samples["rear_brake"]).to_numpy().astype(bool)
    hard = (speed[:-10] - speed[10:]) / 0.5 > 2.5  # over half a second at 20 Hz

    assert (hard & ~shown[:-10] & ~shown[5:-5] & ~shown[10:]).sum() == 0


@pytest.mark.parametrize(("incident", "shown"), [("run-switch", True), ("fuel-runs-low", False)])
def test_an_engine_stopped_in_gear_shows_on_the_run_switch_alone(incident, shown):
    logger = LOGGERS["bench-20hz"]
    channels = tuple(dict.fromkeys((*logger.channels, "run_switch")))
    spec = replace(bike(), logger=replace(logger, channels=channels))
    cancels = [
        c
        for seed in range(6)
        for c in simulate_ride(spec, replace(plan(), incidents=(incident,)), seed).truth.cancels
        if c.cause == "engine_off"
    ]

    assert cancels
    assert {c.visible for c in cancels} == {shown}


def test_a_value_held_between_refreshes_is_the_same_in_every_row():
    logger = replace(LOGGERS["bench-20hz"], refresh_s={"supply_voltage": 1.0})
    volts = simulate_ride(replace(bike(), logger=logger), plan(), 5).samples["supply_voltage"]
    steps = np.flatnonzero(np.diff(volts.to_numpy()) != 0)

    assert len(steps) > 100
    assert np.diff(steps).min() >= 19


def test_after_an_act_that_ends_cruise_the_hand_takes_its_time_for_the_next():
    """The next act follows no sooner than a hand moves (common practice: a third of a second)."""
    apart_s = [
        min((a for a, _ in _pressed_s(ride, "clutch") if a > c.time_s), default=99.0) - c.time_s
        for seed in range(6)
        for ride in [simulate_ride(bike(), replace(plan(), incidents=("grip-flick",)), seed)]
        for c in ride.truth.cancels
        if c.cause == "roll_off"
    ]

    assert len(apart_s) > 5
    assert min(apart_s) > 0.25


def _pressed_s(ride, channel):
    t_s = (ride.samples["time"] - ride.plan.start).dt.total_microseconds().to_numpy() / 1e6
    return [(t_s[a], t_s[min(b, len(t_s) - 1)]) for a, b in on_spans(ride.samples, channel)]
