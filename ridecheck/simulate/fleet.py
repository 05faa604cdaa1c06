"""Write a whole fleet folder of simulated rides, and the truth beside it."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from ridecheck.core.errors import UsageError
from ridecheck.core.progress import Progress
from ridecheck.simulate.dialects import DIALECTS, layout_toml, write_log
from ridecheck.simulate.faults import FAULTS
from ridecheck.simulate.library import LOGGERS, MODELS, PLANS, RIDERS, at_rate
from ridecheck.simulate.ride import simulate_ride
from ridecheck.simulate.spec import (
    BikeSpec,
    ModelSpec,
    PlantedFault,
    RidePlan,
    Weather,
)
from ridecheck.simulate.truth import BikeTruth, FaultTruth, FleetTruth, RideTruth


@dataclass(frozen=True, slots=True)
class PlannedRide:
    """A ride of a fleet plan: what is ridden, and which faults are there by then."""

    plan: RidePlan
    faults: tuple[PlantedFault, ...]


@dataclass(frozen=True, slots=True)
class PlannedBike:
    """A bike of a fleet plan with its rides."""

    spec: BikeSpec
    rides: tuple[PlannedRide, ...]


@dataclass(frozen=True, slots=True)
class FleetPlan:
    """A fleet as it shall be made. Same plan, same bytes.

    models: those that a bike may be said to be and that no bike here is.
    """

    name: str
    seed: int
    bikes: tuple[PlannedBike, ...]
    models: tuple[ModelSpec, ...] = ()


def simulate_fleet(
    root: Path,
    *,
    bikes: int = 9,
    rides: int = 3,
    seed: int = 1,
    faults: Sequence[str] = (),
    rate_hz: float | None = None,
    plan: Path | None = None,
    progress: Progress | None = None,
) -> FleetTruth:
    """Make a fleet folder under root: models, bikes, layouts, inbox, truth.json.

    With plan (an index.toml) the fleet is the one the file shows. Else every third bike
    is healthy and the others carry the named faults in turn (all kinds where none is named).
    """
    if root.exists() and any(p.name != "index.toml" for p in root.iterdir()):
        raise UsageError(
            "the folder for the simulated fleet is not empty",
            where=str(root),
            what_to_do="name a new folder; nothing was written",
        )
    fleet = read_plan(plan) if plan else _drawn(bikes, rides, seed, tuple(faults), rate_hz)
    return write_fleet(fleet, root, progress=progress)


def write_fleet(fleet: FleetPlan, root: Path, *, progress: Progress | None = None) -> FleetTruth:
    """Write the files of a planned fleet."""
    for folder in ("models", "bikes", "layouts", "inbox"):
        (root / folder).mkdir(parents=True, exist_ok=True)
    _write(root / "fleet.toml", f'name = "{fleet.name}"\ntime_zone = "UTC"\n')
    for model in {b.spec.said_model or b.spec.model.name: b.spec.model for b in fleet.bikes}:
        _write(root / "models" / f"{model}.toml", model_toml(_model_named(model, fleet)))
    for logger in {b.spec.logger.name: b.spec.logger for b in fleet.bikes}.values():
        _write(root / "layouts" / f"{logger.name}.toml", layout_toml(logger))
    total = sum(len(b.rides) for b in fleet.bikes)
    truths: list[BikeTruth] = []
    for number, bike in enumerate(fleet.bikes):
        _write(root / "bikes" / f"{bike.spec.bike}.toml", bike_toml(bike.spec))
        done: dict[str, RideTruth] = {}
        for i, planned in enumerate(bike.rides):
            name, ridden = _write_ride(root, bike.spec, planned, (fleet.seed, number, i))
            done[name] = ridden
            if progress:
                progress(sum(len(t.rides) for t in truths) + len(done), total)
        truths.append(_bike_truth(bike, done))
    truth = FleetTruth(root=root, seed=fleet.seed, bikes=tuple(truths))
    truth.write(root / "truth.json")
    return truth


def _model_named(name: str, fleet: FleetPlan) -> ModelSpec:
    known = {**MODELS, **{m.name: m for m in (*fleet.models, *(b.spec.model for b in fleet.bikes))}}
    return known[name]


def _write(path: Path, text: str) -> None:
    path.write_text(text, "utf-8", newline="\n")


def _write_ride(
    root: Path, spec: BikeSpec, planned: PlannedRide, seed: tuple[int, ...]
) -> tuple[str, RideTruth]:
    ride = simulate_ride(replace(spec, faults=planned.faults), planned.plan, seed)
    dialect = DIALECTS[spec.logger.dialect]
    name = f"{spec.bike}_{planned.plan.start:%Y%m%d_%H%M%S}.{dialect.suffix}"
    write_log(ride.samples, dialect, root / "inbox" / name)
    return name, ride.truth


def _bike_truth(bike: PlannedBike, rides: dict[str, RideTruth]) -> BikeTruth:
    spec = bike.spec
    planted = {f.name: f for r in bike.rides for f in r.faults}
    return BikeTruth(
        bike=spec.bike,
        model=spec.model.name,
        said_model=spec.said_model or spec.model.name,
        faults=tuple(
            FaultTruth(
                name=f.name,
                part=FAULTS[f.name].about.part,
                danger=FAULTS[f.name].about.danger,
                severity=f.severity,
                trigger=f.trigger or FAULTS[f.name].about.trigger,
            )
            for f in planted.values()
        ),
        rides=rides,
    )


def model_toml(model: ModelSpec) -> str:
    """The model file of a made-up model."""
    cruise = model.cruise
    gears = ", ".join(f"{g:g}" for g in model.gear_ratios)
    lines = [
        "[drivetrain]",
        f"primary_ratio = {model.primary_ratio:g}",
        f"gear_ratios = [{gears}]",
        f"final_ratio = {model.final_ratio:g}",
        f"rolling_circumference_m = {model.circumference_m:g}",
        f"idle_rpm = {model.engine.idle_rpm:g}",
        f"redline_rpm = {model.engine.redline_rpm:g}",
        "",
        "[speed_signal]",
        f'taken_from = "{model.taken_from}"',
        f"reads_high_percent = {model.reads_high_percent:g}",
        f"resolution_kmh = {model.resolution_kmh:g}",
        "",
        "[cruise]",
    ]
    if cruise.maximum_kmh <= 0.0:
        return "\n".join([*lines, "fitted = false"]) + "\n"
    panel = ", ".join(f'"{p}"' for p in cruise.panel)
    must = ", ".join(f'"{m}"' for m in cruise.must_cancel)
    lines += [
        "fitted = true",
        f"minimum_kmh = {cruise.minimum_kmh:g}",
        f"maximum_kmh = {cruise.maximum_kmh:g}",
        f"far_from_set_kmh = {cruise.far_from_set_kmh:g}",
        f"must_cancel = [{must}]",
        f"panel = [{panel}]",
        f'throttle = "{cruise.throttle}"',
    ]
    return "\n".join(lines) + "\n"


def bike_toml(spec: BikeSpec) -> str:
    """The bike file of a simulated bike."""
    lines = [f'bike = "{spec.bike}"']
    if spec.label:
        lines.append(f'label = "{spec.label}"')
    lines.append(f'model = "{spec.said_model or spec.model.name}"')
    lines.append(f'layout = "{spec.logger.name}"')
    return "\n".join(lines) + "\n"


# ---------------------------------------------------------------- a plan from a file


def read_plan(path: Path) -> FleetPlan:
    """Read an index.toml: how each log of a fleet was made.

    Raises UsageError where the file cannot be read or names something unknown.
    """
    try:
        table = tomllib.loads(path.read_text("utf-8"))
        bikes = tuple(_planned_bike(entry) for entry in table["bike"])
        return FleetPlan(name=table["name"], seed=table["seed"], bikes=bikes)
    except (OSError, tomllib.TOMLDecodeError, KeyError, TypeError) as error:
        raise UsageError(
            "the plan of a fleet cannot be read",
            where=str(path),
            value=f"{type(error).__name__}: {error}",
            what_to_do="start from the shipped sample_logs/index.toml",
        ) from error


def _planned_bike(entry: Mapping[str, Any]) -> PlannedBike:
    spec = BikeSpec(
        bike=entry["bike"],
        model=MODELS[entry["model"]],
        logger=LOGGERS[entry["logger"]],
        label=entry.get("label", ""),
        said_model=entry.get("said_model", ""),
        circumference_factor=entry.get("circumference_factor", 1.0),
    )
    rides = []
    odometer_km = float(entry.get("odometer_km", 12000.0))
    for number, ride in enumerate(entry["rides"], start=1):
        faults = tuple(
            PlantedFault(f["name"], f.get("severity", 0.6), f.get("trigger", ""))
            for f in entry.get("faults", ())
            if number >= f.get("from_ride", 1)
        )
        plan = _ride_plan(ride, odometer_km)
        odometer_km += sum(leg.length_km for leg in plan.legs) + 40.0
        rides.append(PlannedRide(plan, faults))
    return PlannedBike(spec, tuple(rides))


def _ride_plan(ride: Mapping[str, Any], odometer_km: float) -> RidePlan:
    rain = ride.get("rain_min")
    return RidePlan(
        start=ride["start"].astimezone(UTC),
        legs=PLANS[ride["plan"]],
        rider=RIDERS[ride["rider"]],
        weather=Weather(
            rain_min=(rain[0], rain[1]) if rain else None, air_c=ride.get("air_c", 18.0)
        ),
        incidents=tuple(ride.get("incidents", ())),
        cold_start=ride.get("cold_start", True),
        luggage_kg=ride.get("luggage_kg", 20.0),
        odometer_km=odometer_km,
    )


# ---------------------------------------------------------------- a plan drawn by lot


def _drawn(
    bikes: int, rides: int, seed: int, faults: tuple[str, ...], rate_hz: float | None
) -> FleetPlan:
    for name in faults:
        if name not in FAULTS:
            raise UsageError(
                "no such fault can be planted",
                where="--fault",
                value=name,
                what_to_do="choose one of: " + ", ".join(sorted(FAULTS)),
            )
    rng = np.random.default_rng((seed, 77))
    kinds = faults or tuple(sorted(FAULTS))
    made = []
    for i in range(bikes):
        logger = LOGGERS[
            str(rng.choice(["bench-20hz", "workshop-10hz", "volts-20hz", "card-50hz"]))
        ]
        spec = BikeSpec(
            bike=f"S{i + 1:02d}",
            model=list(MODELS.values())[int(rng.integers(len(MODELS)))],
            logger=at_rate(logger, rate_hz) if rate_hz else logger,
            label=f"Simulated bike {i + 1}",
        )
        carried: tuple[PlantedFault, ...] = ()
        if i % 3 != 0 or (faults and bikes == 1):
            carried = (PlantedFault(kinds[i % len(kinds)], float(rng.uniform(0.4, 1.0))),)
        first = datetime(2026, 5, 1, 8, 0, tzinfo=UTC) + timedelta(minutes=int(rng.integers(240)))
        planned = []
        for n in range(rides):
            legs = PLANS[str(rng.choice(["proving-loop", "valley", "day-out", "pass"]))]
            habit = list(RIDERS.values())[int(rng.integers(len(RIDERS)))]
            rain = (2.0, 20.0) if rng.random() < 0.25 else None
            plan = RidePlan(
                start=first + timedelta(days=n),
                legs=legs,
                rider=habit,
                weather=Weather(rain_min=rain, air_c=round(float(rng.uniform(6.0, 30.0)), 1)),
                odometer_km=12000.0 + 150.0 * n,
            )
            planned.append(PlannedRide(plan, carried))
        made.append(PlannedBike(spec, tuple(planned)))
    return FleetPlan(name="Simulated fleet", seed=seed, bikes=tuple(made))
