"""Populations of bikes to tune on and to report on: models, loggers, riders and ranges apart.

Nothing of the reporting population is in the tuning population: other ratios, tyres,
engines and speed sensors, other ways of writing a log, other ranges of habits, of how bad
a fault is and of where the rides go. Misses are studied on the tuning population, and on
the wide one whose models are drawn at random.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.random import Generator

from ridecheck.simulate.drawn import drawn_models
from ridecheck.simulate.faults import FAULTS
from ridecheck.simulate.fleet import PlannedBike, PlannedRide
from ridecheck.simulate.incidents import INCIDENTS
from ridecheck.simulate.library import MODELS
from ridecheck.simulate.mishaps import MISHAPS
from ridecheck.simulate.physics import Engine
from ridecheck.simulate.spec import (
    FULL_CHANNELS,
    BikeSpec,
    CruiseSpec,
    Leg,
    LoggerSpec,
    ModelSpec,
    PlantedFault,
    RidePlan,
    RiderHabit,
    Weather,
)

Range = tuple[float, float]

REPORTING_MODELS: tuple[ModelSpec, ...] = (
    ModelSpec(
        "coach-five", 1.708, (2.571, 1.667, 1.25, 1.0, 0.8), 2.833 * 0.973, 1.99,
        Engine(128.0, 4200.0, 900.0, 6600.0, drag_nm=13.0, drag_nm_per_krpm=3.8),
        mass_kg=380.0, taken_from="gearbox_output", reads_high_percent=2.0, resolution_kmh=0.5,
        cruise=CruiseSpec(
            minimum_kmh=40.0, maximum_kmh=150.0, latency_s=0.09, slack_percent=0.9, lag_s=0.35,
            rate_percent_per_s=18.0, kp=1.4, ki=0.18,
        ),
    ),
    ModelSpec(
        "roadster-twin-six", 1.85, (2.63, 1.85, 1.44, 1.2, 1.04, 0.93), 2.41, 1.93,
        Engine(88.0, 6200.0, 1200.0, 9200.0, inertia_kgm2=0.07),
        mass_kg=215.0, taken_from="front_wheel", pulses_per_turn=24,
        cruise=CruiseSpec(
            minimum_kmh=50.0, throttle="by_wire", panel=("power", "set", "resume", "cancel"),
            latency_s=0.03, slack_percent=0.1, lag_s=0.12, rate_percent_per_s=50.0, kp=1.8,
        ),
    ),
    ModelSpec(
        "liner-four-six", 1.59, (2.78, 1.94, 1.47, 1.19, 0.98, 0.83), 2.71, 2.02,
        Engine(140.0, 5400.0, 1000.0, 8000.0, drag_nm=11.0),
        mass_kg=320.0, reads_high_percent=4.0, resolution_kmh=1.0,
        cruise=CruiseSpec(
            minimum_kmh=35.0, maximum_kmh=180.0, throttle="by_wire",
            panel=("power", "set", "resume", "cancel"), far_from_set_kmh=20.0, latency_s=0.05,
        ),
    ),
    ModelSpec(
        "cruiser-vee-five", 1.49, (3.05, 2.06, 1.52, 1.2, 1.0), 2.36, 1.96,
        Engine(132.0, 3400.0, 950.0, 5800.0, drag_nm=12.0, drag_nm_per_krpm=4.4),
        mass_kg=340.0, pulses_per_turn=4,
        cruise=CruiseSpec(minimum_kmh=48.0, maximum_kmh=137.0, latency_s=0.1, lag_s=0.4),
    ),
)  # fmt: skip

FULL = (*FULL_CHANNELS, "switch_cancel", "throttle_grip", "gps_speed", "front_wheel_speed")
EVERYTHING = (
    *FULL, "brake_lamp", "front_brake_pressure", "rear_brake_pressure", "neutral_switch",
    "run_switch", "side_stand", "abs_active", "traction_active", "marker", "fault_lamp",
    "altitude", "lean_angle", "yaw_rate", "acceleration", "vertical_acceleration", "odometer",
    "coolant_temperature", "air_temperature",
)  # fmt: skip
CHANNELS: Mapping[str, tuple[str, ...]] = {
    "everything": EVERYTHING,
    "full": FULL,
    "usual": (*FULL_CHANNELS, "switch_cancel"),
    "one lamp": (
        *(c for c in FULL_CHANNELS if c not in ("front_brake", "rear_brake")),
        "brake_lamp", "switch_cancel",
    ),
    "few": (
        "wheel_speed", "engine_speed", "throttle", "brake_lamp", "clutch", "cruise_armed",
        "cruise_engaged",
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Population:
    """Where bikes, loggers, riders and routes are drawn from."""

    name: str
    models: tuple[ModelSpec, ...]
    dialects: tuple[str, ...]
    routes: tuple[tuple[Leg, ...], ...]
    severity: Range
    speed_factor: Range
    brake_mps2: Range
    pull_mps2: Range
    acts_every_s: Range
    engine_lag_s: Range
    air_c: Range
    wear_sd: float


TUNING = Population(
    name="tuning",
    models=tuple(MODELS.values()),
    dialects=("comma", "semicolon", "tab", "parquet"),
    routes=(
        (Leg("loop", 6.0),),
        (Leg("loop", 7.0),),
        (Leg("town", 0.8), Leg("loop", 6.0)),
        (Leg("loop", 4.0), Leg("country", 4.0)),
    ),
    severity=(0.45, 1.0),
    speed_factor=(0.94, 1.06),
    brake_mps2=(2.1, 3.2),
    pull_mps2=(1.2, 2.2),
    acts_every_s=(32.0, 60.0),
    engine_lag_s=(0.1, 0.3),
    air_c=(8.0, 28.0),
    wear_sd=0.004,
)

REPORTING = Population(
    name="reporting",
    models=REPORTING_MODELS,
    dialects=("pipe", "metres", "table"),
    routes=(
        (Leg("loop", 5.2), Leg("town", 0.6)),
        (Leg("loop", 6.4),),
        (Leg("country", 2.5), Leg("loop", 5.0)),
        (Leg("loop", 4.6), Leg("motorway", 4.5)),
        (Leg("loop", 4.2), Leg("mountain", 2.6)),
    ),
    severity=(0.35, 0.95),
    speed_factor=(0.91, 1.08),
    brake_mps2=(1.9, 3.5),
    pull_mps2=(1.0, 2.5),
    acts_every_s=(28.0, 75.0),
    engine_lag_s=(0.08, 0.4),
    air_c=(2.0, 34.0),
    wear_sd=0.006,
)

WIDE = Population(
    name="wide",
    models=drawn_models(10),
    dialects=TUNING.dialects,
    routes=(
        *TUNING.routes,
        (Leg("loop", 5.5), Leg("mountain", 3.0)),
        (Leg("motorway", 5.0), Leg("loop", 5.0)),
        (Leg("country", 3.0), Leg("loop", 4.4), Leg("town", 0.5)),
    ),
    severity=(0.3, 1.0),
    speed_factor=(0.88, 1.1),
    brake_mps2=(1.7, 3.8),
    pull_mps2=(0.9, 2.8),
    acts_every_s=(25.0, 80.0),
    engine_lag_s=(0.06, 0.45),
    air_c=(0.0, 36.0),
    wear_sd=0.007,
)
"""To tune on as well: models drawn at random, and ranges beyond those of the other two."""

POPULATIONS = {p.name: p for p in (TUNING, WIDE, REPORTING)}

SHARES = {"everything": 0.2, "full": 0.3, "usual": 0.4, "one lamp": 0.1}
RATES_HZ = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
RATE_SHARES = (0.06, 0.05, 0.13, 0.24, 0.30, 0.16, 0.06)
FIRST_DAY = datetime(2026, 4, 6, 7, 0, tzinfo=UTC)


def draw_bike(
    population: Population,
    seed: tuple[int, ...],
    *,
    bike: str,
    fault: str = "",
    rides: int = 3,
    rate_hz: float | None = None,
    channels: str = "",
    incidents: tuple[str, ...] | None = None,
    wrong_model: bool = False,
) -> PlannedBike:
    """Draw one bike with its rides, one a day.

    fault: planted from the first ride; "" is a healthy bike. rate_hz and channels are
    drawn where not given; so are incidents (None), two of three rides having some.
    wrong_model: the bike file names another model of the population.
    """
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    model = population.models[int(rng.integers(len(population.models)))]
    logger = _logger(population, rng, rate_hz, channels, fault)
    said = ""
    if wrong_model:
        others = [m.name for m in population.models if m.name != model.name]
        said = str(rng.choice(others))
    planted = (_planted(population, fault, rng),) if fault else ()
    spec = BikeSpec(
        bike=bike,
        model=model,
        logger=logger,
        said_model=said,
        circumference_factor=1.0
        + float(np.clip(rng.normal(0.0, population.wear_sd), -0.012, 0.012)),
        mass_factor=float(rng.uniform(0.97, 1.05)),
    )
    planned = []
    for day in range(rides):
        happens = _incidents(rng) if incidents is None else incidents
        plan = _plan(population, rng, day, happens, fault)
        planned.append(PlannedRide(plan, planted))
    return PlannedBike(spec, tuple(planned))


def _planted(population: Population, fault: str, rng: Generator) -> PlantedFault:
    return PlantedFault(fault, round(float(rng.uniform(*population.severity)), 3))


def _logger(
    population: Population, rng: Generator, rate_hz: float | None, channels: str, fault: str
) -> LoggerSpec:
    rate = float(rng.choice(RATES_HZ, p=RATE_SHARES)) if rate_hz is None else rate_hz
    which = channels or str(rng.choice(list(SHARES), p=list(SHARES.values())))
    names = CHANNELS[which]
    if fault:
        names = (*names, *(c for c in FAULTS[fault].about.needs if c not in names))
    dialect = str(rng.choice(population.dialects))
    slow = rng.random() < 0.3
    refresh = {"supply_voltage": 1.0, "cruise_set_speed": 0.5} if slow else {}
    refresh["gps_speed"] = max(1.0 / rate, float(rng.choice([0.1, 0.2, 1.0])))
    latched = ("front_brake", "rear_brake", "clutch", "roll_off") if rng.random() < 0.1 else ()
    late_s = float(rng.choice([0.0, 0.05, 0.1], p=[0.85, 0.08, 0.07]))
    late: dict[str, float] = {
        c: late_s for c in ("front_brake", "rear_brake", "clutch") if late_s and c in names
    }
    return LoggerSpec(
        name=f"{dialect}-{rate:g}hz-{int(rng.integers(1_000_000))}",
        dialect=dialect,
        rate_hz=rate,
        channels=names,
        refresh_s={k: v for k, v in refresh.items() if v > 1.0 / rate},
        blank_between=("gps_speed",) if rng.random() < 0.5 else (),
        latched=tuple(c for c in latched if c in names),
        skew_s=late,
        jitter_s=float(rng.choice([0.0, 0.002, 0.01])),
        engine_lag_s=round(float(rng.uniform(*population.engine_lag_s)), 3),
        engine_step_rpm=float(rng.choice([1.0, 5.0, 10.0, 50.0])),
        gps_delay_s=round(float(rng.uniform(0.15, 1.0)), 2),
        gear_kind="calculated" if rng.random() < 0.25 else "sensor",
        drop_rows_share=0.002 if rng.random() < 0.2 else 0.0,
    )


def _rider(population: Population, rng: Generator) -> RiderHabit:
    habit = RiderHabit(
        "drawn",
        speed_factor=float(rng.uniform(*population.speed_factor)),
        pull_mps2=float(rng.uniform(*population.pull_mps2)),
        brake_mps2=float(rng.uniform(*population.brake_mps2)),
        shift_s=float(rng.uniform(0.4, 0.8)),
        shift_rpm_share=float(rng.uniform(0.42, 0.58)),
        acts_every_s=float(rng.uniform(*population.acts_every_s)),
        resumes=float(rng.uniform(0.5, 0.95)),
        flicks_share=float(rng.uniform(0.1, 0.4)),
    )
    draw = float(rng.random())
    if draw < 0.08:  # the rear pedal is never used
        return replace(habit, brakes=(1.0, 0.0, 0.0))
    if draw < 0.12:  # cruise is never used
        return replace(habit, uses_cruise=False)
    front = float(rng.uniform(0.3, 0.6))
    return replace(habit, brakes=(front, 0.9 - front, 0.1))


def _incidents(rng: Generator) -> tuple[str, ...]:
    count = int(rng.choice([0, 1, 2, 3], p=[0.33, 0.33, 0.22, 0.12]))
    names = sorted(INCIDENTS)
    if count and rng.random() < 0.12:
        names = names + sorted(MISHAPS)
    return tuple(str(n) for n in rng.choice(names, count, replace=False))


def _plan(
    population: Population, rng: Generator, day: int, incidents: tuple[str, ...], fault: str
) -> RidePlan:
    wet = fault in FAULTS and FAULTS[fault].about.trigger == "rain"
    rain = (float(rng.uniform(0.5, 2.0)), 60.0) if wet or rng.random() < 0.2 else None
    start = FIRST_DAY + timedelta(days=day, minutes=int(rng.integers(600)), seconds=day % 60)
    return RidePlan(
        start=start,
        legs=population.routes[int(rng.integers(len(population.routes)))],
        rider=_rider(population, rng),
        weather=Weather(
            rain_min=rain,
            air_c=round(float(rng.uniform(*population.air_c)), 1),
            gust_mps=float(rng.uniform(0.5, 2.5)),
            headwind_mps=float(rng.uniform(-3.0, 3.0)),
        ),
        incidents=incidents,
        cold_start=bool(rng.random() < 0.7),
        luggage_kg=float(rng.uniform(0.0, 90.0)),
        rider_kg=float(rng.uniform(60.0, 105.0)),
        odometer_km=12000.0 + 120.0 * day,
    )
