"""Models drawn from wide ranges, so that rules are studied on more bikes than anyone names.

A few hand-made models share habits of their maker; a limit that fits all of them may fit
nothing else. These are drawn evenly from what road motorcycles of 80 to 170 N m have
(common practice): overall ratios, tyres, engines, where and how finely speed is sensed,
how quick and how strong the cruise actuator is.
"""

import numpy as np
from numpy.random import Generator

from ridecheck.core.model import SpeedSource
from ridecheck.simulate.physics import Engine
from ridecheck.simulate.spec import CruiseSpec, ModelSpec

_SEED = 20260406
_SOURCES: tuple[SpeedSource, ...] = ("driven_wheel", "front_wheel", "gearbox_output")
_SOURCE_SHARES = (0.5, 0.25, 0.25)


def drawn_models(count: int, seed: int = _SEED) -> tuple[ModelSpec, ...]:
    """Draw models named drawn-1, drawn-2 and so on, the same ones for the same seed."""
    rng = np.random.default_rng(seed)
    return tuple(_model(f"drawn-{n + 1}", rng) for n in range(count))


def _model(name: str, rng: Generator) -> ModelSpec:
    primary = round(float(rng.uniform(1.45, 1.9)), 3)
    gears = _gears(rng)
    circumference_m = round(float(rng.uniform(1.9, 2.08)), 3)
    engine = _engine(rng)
    # Overall top ratio so that 100 km/h is 38 to 55 % of the highest engine speed.
    turns_per_min = 100.0 / 3.6 / circumference_m * 60.0
    top = float(rng.uniform(0.38, 0.55)) * engine.redline_rpm / turns_per_min
    return ModelSpec(
        name, primary, gears, round(top / primary / gears[-1], 3), circumference_m, engine,
        mass_kg=round(float(rng.uniform(205.0, 390.0))),
        taken_from=_SOURCES[int(rng.choice(3, p=_SOURCE_SHARES))],
        reads_high_percent=float(rng.choice([0.0, 0.0, 1.5, 3.0, 5.0])),
        resolution_kmh=float(rng.choice([0.1, 0.1, 0.5, 1.0])),
        pulses_per_turn=int(rng.choice([4, 6, 24, 48, 48])),
        cruise=_cruise(rng),
    )  # fmt: skip


def _gears(rng: Generator) -> tuple[float, ...]:
    """First to top: steps that shrink towards the top, as gearboxes are stepped."""
    count = int(rng.choice([5, 6]))
    steps = np.linspace(rng.uniform(1.38, 1.55), rng.uniform(1.12, 1.24), count - 1)
    top = float(rng.uniform(0.72, 0.95))
    gears = [top]
    for step in steps[::-1]:
        gears.append(gears[-1] * float(step))
    return tuple(round(g, 3) for g in gears[::-1])


def _engine(rng: Generator) -> Engine:
    redline_rpm = round(float(rng.uniform(5600.0, 9400.0)), -2)
    return Engine(
        round(float(rng.uniform(80.0, 170.0))),
        round(redline_rpm * float(rng.uniform(0.55, 0.7)), -2),
        round(float(rng.uniform(880.0, 1250.0)), -1),
        redline_rpm,
        inertia_kgm2=round(float(rng.uniform(0.06, 0.12)), 3),
        drag_nm=round(float(rng.uniform(7.0, 15.0)), 1),
        drag_nm_per_krpm=round(float(rng.uniform(2.4, 4.8)), 1),
    )


def _cruise(rng: Generator) -> CruiseSpec:
    wire = bool(rng.random() < 0.5)
    panel: tuple[str, ...] = ("power", "set", "resume")
    if rng.random() < 0.5:
        panel += ("cancel",)
    quick = (35.0, 55.0) if wire else (16.0, 28.0)
    return CruiseSpec(
        minimum_kmh=round(float(rng.uniform(35.0, 50.0))),
        maximum_kmh=round(float(rng.uniform(135.0, 180.0))),
        far_from_set_kmh=round(float(rng.uniform(14.0, 22.0))),
        throttle="by_wire" if wire else "cable",
        panel=panel,
        latency_s=round(float(rng.uniform(0.03, 0.11)), 3),
        slack_percent=round(float(rng.uniform(0.1, 0.3) if wire else rng.uniform(0.4, 1.0)), 2),
        lag_s=round(float(rng.uniform(0.1, 0.2) if wire else rng.uniform(0.22, 0.42)), 2),
        rate_percent_per_s=round(float(rng.uniform(*quick))),
        kp=round(float(rng.uniform(1.3, 1.9)), 2),
        ki=round(float(rng.uniform(0.17, 0.25)), 3),
    )  # fmt: skip
