"""Simulated rides kept on disk, so that a board run again after a rule change only judges.

Four fifths of a board's time go into riding. With ``RIDECHECK_KEPT_RIDES=DIR`` in the
environment every ride is looked for there first, under a hash of the simulator's code and of
what was asked of it; without it nothing is kept.
"""

import functools
import hashlib
import os
import pickle
import zlib
from pathlib import Path

from ridecheck.simulate import simulate_ride
from ridecheck.simulate.ride import SimulatedRide
from ridecheck.simulate.spec import BikeSpec, RidePlan

ROOT = Path(__file__).resolve().parents[2]


def simulated(bike: BikeSpec, plan: RidePlan, seed: tuple[int, ...]) -> SimulatedRide:
    """What ``simulate_ride`` gives, from disk where it was made before by the same code."""
    folder = os.environ.get("RIDECHECK_KEPT_RIDES", "")
    if not folder:
        return simulate_ride(bike, plan, seed)
    asked = hashlib.sha256(f"{_simulator()}\n{bike!r}\n{plan!r}\n{seed!r}".encode()).hexdigest()
    file = Path(folder) / asked[:2] / asked
    if file.exists():
        ride: SimulatedRide = pickle.loads(zlib.decompress(file.read_bytes()))
        return ride
    ride = simulate_ride(bike, plan, seed)
    file.parent.mkdir(parents=True, exist_ok=True)
    fresh = file.with_suffix(f".{os.getpid()}")
    fresh.write_bytes(zlib.compress(pickle.dumps(ride), 1))
    fresh.replace(file)  # two workers may make the same ride; neither reads half of it
    return ride


@functools.cache
def _simulator() -> str:
    digest = hashlib.sha256()
    files = sorted((ROOT / "ridecheck" / "simulate").rglob("*.py"))
    for file in [*files, ROOT / "schemas" / "channels.toml"]:
        digest.update(file.read_bytes())
    return digest.hexdigest()
