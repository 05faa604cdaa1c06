"""A route as arrays over distance: what speed the road allows, slope, bends, bumps, stops."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from ridecheck.simulate.spec import Leg, RiderHabit

Floats = NDArray[np.float64]

POINT_M = 10.0
"""Distance between two points of a route."""


@dataclass(frozen=True, slots=True)
class Route:
    """Arrays over points POINT_M apart.

    free_kmh: what the rider would ride if nothing were ahead; allowed_mps: the same
    after braking in time for all that comes; slope: rise over run; curvature_per_m:
    right positive; cruise: worth using cruise here; stops: (distance m, wait s).
    """

    free_kmh: Floats
    allowed_mps: Floats
    slope: Floats
    curvature_per_m: Floats
    altitude_m: Floats
    cruise: NDArray[np.bool_]
    stops: tuple[tuple[float, float], ...]
    bumps_m: Floats

    @property
    def length_m(self) -> float:
        """Length of the whole route."""
        return POINT_M * (len(self.free_kmh) - 1)


@dataclass(frozen=True, slots=True)
class _Road:
    """What one kind of road is like; spacings in m, speeds in km/h."""

    speed_kmh: tuple[float, float]
    bend_every_m: float
    bend_radius_m: tuple[float, float]
    slow_every_m: float
    slow_kmh: tuple[float, float]
    slow_for_m: tuple[float, float]
    stop_every_m: float
    slope_sd: float
    bump_every_m: float
    cruise: bool


ROADS = {
    "town": _Road((46, 54), 350, (18, 60), 400, (28, 38), (60, 160), 700, 0.010, 500, False),
    "country": _Road((82, 96), 600, (120, 500), 1500, (45, 66), (80, 320), 9000, 0.018, 700, True),
    "mountain": _Road((66, 82), 320, (45, 220), 1800, (38, 52), (80, 200), 0, 0.050, 500, True),
    "motorway": _Road(
        (106, 124), 2500, (900, 2500), 3600, (78, 96), (300, 900), 0, 0.014, 900, True
    ),
    # a proving loop: town ends, and a road on which cruise is set and braked off often
    "loop": _Road((74, 92), 700, (160, 600), 850, (42, 60), (40, 120), 3400, 0.012, 450, True),
}


def build_route(legs: tuple[Leg, ...], rider: RiderHabit, rng: Generator) -> Route:
    """Lay the legs one after another and work out what speed can be ridden where."""
    pieces = [_piece(leg, rider, rng) for leg in legs]
    free_kmh = np.concatenate([p[0] for p in pieces])
    curvature = np.concatenate([p[1] for p in pieces])
    slope = _smooth(np.concatenate([p[2] for p in pieces]), 9)
    cruise = np.concatenate([p[3] for p in pieces])
    stops: list[tuple[float, float]] = []
    bumps: list[float] = []
    at_m = 0.0
    for piece in pieces:
        stops += [(at_m + d, w) for d, w in piece[4]]
        bumps += [at_m + d for d in piece[5]]
        at_m += POINT_M * len(piece[0])
    length_m = POINT_M * (len(free_kmh) - 1)
    stops = [s for s in stops if 80.0 < s[0] < length_m - 150.0] + [(length_m - 20.0, 3.0)]
    return Route(
        free_kmh=free_kmh,
        allowed_mps=_allowed(free_kmh, curvature, stops, rider, rng),
        slope=slope,
        curvature_per_m=curvature,
        altitude_m=np.concatenate([[0.0], np.cumsum(slope[:-1] * POINT_M)]),
        cruise=cruise,
        stops=tuple(stops),
        bumps_m=np.array(bumps),
    )


Piece = tuple[Floats, Floats, Floats, NDArray[np.bool_], list[tuple[float, float]], list[float]]


def _piece(leg: Leg, rider: RiderHabit, rng: Generator) -> Piece:
    road = ROADS[leg.kind]
    points = max(20, round(leg.length_km * 1000.0 / POINT_M))
    length_m = points * POINT_M
    speed_kmh = np.full(points, rng.uniform(*road.speed_kmh) * rider.speed_factor)
    for start_m in _along(length_m, 2600.0, rng):
        speed_kmh[int(start_m / POINT_M) :] = rng.uniform(*road.speed_kmh) * rider.speed_factor
    for start_m in _along(length_m, road.slow_every_m, rng):
        first = int(start_m / POINT_M)
        last = first + max(2, int(rng.uniform(*road.slow_for_m) / POINT_M))
        speed_kmh[first:last] = np.minimum(speed_kmh[first:last], rng.uniform(*road.slow_kmh))
    curvature = np.zeros(points)
    for start_m in _along(length_m, road.bend_every_m, rng):
        radius_m = rng.uniform(*road.bend_radius_m)
        first = int(start_m / POINT_M)
        last = first + max(2, int(radius_m * rng.uniform(0.4, 1.4) / POINT_M))
        curvature[first:last] = rng.choice((-1.0, 1.0)) / radius_m
    knots = np.arange(0.0, length_m + 400.0, 400.0)
    slope = np.interp(
        np.arange(points) * POINT_M, knots, rng.normal(0.0, road.slope_sd, len(knots))
    )
    waits = (
        [(d, float(rng.uniform(2.0, 14.0))) for d in _along(length_m, road.stop_every_m, rng)]
        if road.stop_every_m
        else []
    )
    bumps = list(_along(length_m, road.bump_every_m, rng))
    return (
        speed_kmh,
        _smooth(curvature, 3),
        np.clip(slope, -0.10, 0.10),
        np.full(points, road.cruise),
        waits,
        bumps,
    )


def _along(length_m: float, every_m: float, rng: Generator) -> list[float]:
    """Places along a stretch, about every so often, never closer than a third of that."""
    places: list[float] = []
    at_m = every_m * rng.uniform(0.4, 1.1)
    while at_m < length_m:
        places.append(at_m)
        at_m += every_m * (0.35 + min(2.5, rng.exponential(0.65)))
    return places


def _allowed(
    free_kmh: Floats,
    curvature: Floats,
    stops: list[tuple[float, float]],
    rider: RiderHabit,
    rng: Generator,
) -> Floats:
    """Speed at each point that still lets the rider brake for everything ahead (m/s)."""
    side_mps2 = 3.4 * rider.speed_factor
    bend_mps = np.sqrt(side_mps2 / np.maximum(np.abs(curvature), 1e-6))
    limit = np.minimum(free_kmh / 3.6, bend_mps)
    for distance_m, _ in stops:
        limit[int(distance_m / POINT_M)] = 0.0
    allowed = limit.tolist()
    brake_mps2 = rider.brake_mps2
    for i in range(len(allowed) - 2, -1, -1):
        reachable = math.sqrt(allowed[i + 1] ** 2 + 2.0 * brake_mps2 * POINT_M)
        if reachable < allowed[i]:
            allowed[i] = reachable
        else:  # a new approach: each is braked in its own way
            brake_mps2 = rider.brake_mps2 * float(rng.uniform(0.55, 1.5))
    return np.array(allowed)


def _smooth(values: Floats, width: int) -> Floats:
    kernel = np.ones(width) / width
    padded = np.pad(values, width // 2, mode="edge")
    smoothed: Floats = np.convolve(padded, kernel, mode="valid")[: len(values)]
    return smoothed
