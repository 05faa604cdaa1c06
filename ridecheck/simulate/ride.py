"""Simulate one ride of one bike."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from ridecheck.core.errors import UsageError
from ridecheck.simulate.defective import Defective, written
from ridecheck.simulate.faults import FAULTS, Fault
from ridecheck.simulate.grammar import Defect
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


def simulate_ride(
    bike: BikeSpec, plan: RidePlan, seed: int | tuple[int, ...], *, defect: Defect | None = None
) -> SimulatedRide:
    """Ride a plan on a bike and log it. The same arguments give the same ride.

    defect: one of the grammar, beside the faults that the bike carries.
    """
    if defect is None:
        return next(_logged(*_ridden(bike, plan, seed, ())))
    return next(simulate_variants(bike, plan, seed, (defect,)))


def simulate_variants(
    bike: BikeSpec, plan: RidePlan, seed: int | tuple[int, ...], defects: Sequence[Defect]
) -> Iterator[SimulatedRide]:
    """One ride, logged once for each defect: of several, all must be the logger's own."""
    if len(defects) > 1 and any(d.side != "logger" for d in defects):
        raise UsageError(
            "defects that the control unit sees cannot share a ride",
            where="defects",
            what_to_do="ride once for each of them",
        )
    yield from _logged(*_ridden(bike, plan, seed, defects))


def _ridden(
    bike: BikeSpec, plan: RidePlan, seed: int | tuple[int, ...], defects: Sequence[Defect]
) -> tuple[SimulatedRide, list[Defective]]:
    """The ride as its logger recorded it, and its defects with the times they showed."""
    streams = np.random.SeedSequence(seed).spawn(4)
    riding = Riding(bike, plan, np.random.default_rng(streams[0]))
    seeds = streams[3].spawn(len(defects))
    shown = [Defective(d, np.random.default_rng(s)) for d, s in zip(defects, seeds, strict=True)]
    riding.run([*_actors(bike, plan, streams[1]), *shown])
    rng = np.random.default_rng(streams[2])
    recorder = Recorder(riding, rng)
    samples = recorder.frame()
    truth = ride_truth(recorder)
    for name in plan.incidents:
        if name in MISHAPS:
            samples = MISHAPS[name](samples, rng)
    return SimulatedRide(bike, plan, samples, truth), shown


def _logged(ride: SimulatedRide, shown: Sequence[Defective]) -> Iterator[SimulatedRide]:
    """The ride as it is, or once for each defect as that one leaves its log."""
    if not shown:
        yield ride
    for one in shown:
        samples = ride.samples
        if one.defect.side == "logger":
            samples = written(samples, one.defect, one.windows, one.rng)
        yield replace(ride, samples=samples)


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
