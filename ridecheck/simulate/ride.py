"""Simulate one ride of one bike."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from ridecheck.core.errors import UsageError
from ridecheck.simulate.faults import FAULTS, Fault
from ridecheck.simulate.incidents import INCIDENTS
from ridecheck.simulate.mishaps import MISHAPS
from ridecheck.simulate.riding import Actor, Riding
from ridecheck.simulate.sensors import Recorder
from ridecheck.simulate.spec import BikeSpec, RidePlan
from ridecheck.simulate.truth import RideTruth, ride_truth


@dataclass(frozen=True, slots=True)
class SimulatedRide:
    """A ride as its logger recorded it, in the catalogue's units, and what is true of it.

    samples: ``time`` (Datetime us, UTC, to the millisecond) and the logged channels;
    null is blank.
    """

    bike: BikeSpec
    plan: RidePlan
    samples: pl.DataFrame
    truth: RideTruth


def simulate_ride(bike: BikeSpec, plan: RidePlan, seed: int | tuple[int, ...]) -> SimulatedRide:
    """Ride a plan on a bike and log it. The same arguments give the same ride."""
    streams = np.random.SeedSequence(seed).spawn(3)
    riding = Riding(bike, plan, np.random.default_rng(streams[0]))
    riding.run(_actors(bike, plan, streams[1]))
    rng = np.random.default_rng(streams[2])
    recorder = Recorder(riding, rng)
    samples = recorder.frame()
    truth = ride_truth(recorder)
    for name in plan.incidents:
        if name in MISHAPS:
            samples = MISHAPS[name](samples, rng)
    return SimulatedRide(bike, plan, samples, truth)


def _actors(bike: BikeSpec, plan: RidePlan, stream: np.random.SeedSequence) -> list[Actor]:
    wanted = [(p.name, p.severity, p.trigger) for p in bike.faults]
    seeds = stream.spawn(len(wanted) + len(plan.incidents))
    actors: list[Actor] = []
    for (name, severity, trigger), seed in zip(wanted, seeds, strict=False):
        actors.append(_fault(name)(severity, trigger, np.random.default_rng(seed)))
    for name, seed in zip(plan.incidents, seeds[len(wanted) :], strict=True):
        if name in INCIDENTS:
            actors.append(INCIDENTS[name](np.random.default_rng(seed)))
        elif name not in MISHAPS:
            raise UsageError(
                "no such incident",
                where="incidents",
                value=name,
                what_to_do="choose of: " + ", ".join(sorted([*INCIDENTS, *MISHAPS])),
            )
    return actors


def _fault(name: str) -> type[Fault]:
    if name not in FAULTS:
        raise UsageError(
            "no such fault can be planted",
            where="--fault",
            value=name,
            what_to_do="choose one of: " + ", ".join(sorted(FAULTS)),
        )
    return FAULTS[name]
