"""Ride a prescribed speed trace in prescribed gears, as on a chassis dynamometer."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.simulate.rider import Rider
from ridecheck.simulate.riding import TRACK, Riding
from ridecheck.simulate.route import POINT_M, Route
from ridecheck.simulate.spec import BikeSpec, RidePlan

Floats = NDArray[np.float64]

AHEAD_S = 0.5


@dataclass(frozen=True, slots=True)
class Driven:
    """What came of a driven cycle, one entry a simulation step.

    locked: in gear with the clutch lever at rest.
    """

    t_s: Floats
    speed_kmh: Floats
    rpm: Floats
    gear: Floats
    locked: NDArray[np.bool_]


class CycleRider(Rider):
    """A rider on the rollers: speed and gear come from a table, nothing from a road."""

    def prescribe(self, t_s: Floats, speed_kmh: Floats, gear: Floats) -> None:
        """The table to follow: seconds, km/h, gear (0 neutral, NaN while changing)."""
        self._at_s = t_s
        self._speed_mps = speed_kmh / 3.6
        self._gear_told = gear

    def tick(self, ride: Riding, t_s: float) -> None:
        """Follow the speed half a second ahead; stop and start where the table does."""
        now = float(np.interp(t_s, self._at_s, self._speed_mps))
        soon = float(np.interp(t_s + AHEAD_S, self._at_s, self._speed_mps))
        clutch = ride.lines["clutch"]
        if t_s >= self._at_s[-1]:
            self.arrived = True
        if soon < 0.05 and ride.v < 1.0:
            self.grip, self.launching = 0.0, False
            self.brake_mps2 = 1.0
            clutch.press(t_s)
            self.waiting_until_s = t_s
            return
        self.waiting_until_s = -1.0
        if ride.v < 1.0 and soon > now and not self.launching:
            self.brake_mps2 = 0.0
            clutch.press(t_s)
            ride.select(t_s, 1)
            self.launching = True
        self._drive(ride, t_s, (soon - now) / AHEAD_S + 0.9 * (now - ride.v))

    def _gears(self, ride: Riding, t_s: float, wanted: float) -> None:
        at = min(int(np.searchsorted(self._at_s, t_s, side="right")), len(self._at_s) - 1)
        gear = float(self._gear_told[at])
        clutch = ride.lines["clutch"]
        if self.shifting or math.isnan(gear):
            return
        if gear == 0.0:  # declutched before a stop
            clutch.press(t_s)
        elif int(gear) != ride.gear:
            self.shift(ride, t_s, int(gear))
        elif clutch.hand:
            clutch.release(t_s)


def drive_cycle(
    bike: BikeSpec, plan: RidePlan, t_s: Floats, speed_kmh: Floats, gear: Floats
) -> Driven:
    """Drive a cycle on a level road without wind. The plan gives rider and load."""
    riding = Riding(bike, plan, np.random.default_rng(0))
    metres = float(np.sum(speed_kmh) / 3.6) + 2000.0
    riding.route = _level(int(metres / POINT_M))
    rider = CycleRider(plan.rider, riding.route, np.random.default_rng(1))
    rider.prescribe(t_s, speed_kmh, gear)
    riding.rider = rider
    track = np.array(riding.run([]).track)
    column = {name: track[:, i] for i, name in enumerate(TRACK)}
    pulled = np.zeros(len(track), dtype=bool)
    for start_s, end_s in riding.lines["clutch"].hand_s:
        pulled |= (column["t_s"] >= start_s) & (column["t_s"] < end_s + 0.4)
    return Driven(
        t_s=column["t_s"],
        speed_kmh=column["speed_mps"] * 3.6,
        rpm=column["rpm"],
        gear=column["gear"],
        locked=(column["gear"] > 0) & ~pulled,
    )


def _level(points: int) -> Route:
    flat = np.zeros(points)
    return Route(
        free_kmh=flat + 200.0,
        allowed_mps=flat + 60.0,
        slope=flat,
        curvature_per_m=flat,
        altitude_m=flat,
        cruise=np.zeros(points, dtype=bool),
        stops=(),
        bumps_m=np.empty(0),
    )
