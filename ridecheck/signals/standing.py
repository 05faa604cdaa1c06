"""Whether a log shows a bike that stands: said only where nothing at all speaks for riding."""

import numpy as np

from ridecheck.signals.ride import Ride

PUSHED_KMH = 5.0
"""GPS wanders and a wheel is turned by hand below this (common practice)."""
WORKED_S = 60.0
"""An engine kept above its idle for so long is more likely riding than tried on the stand; a dead
speed sensor looks like standing, so in doubt the log is a ride."""
ABOVE_IDLE = 1.5
ODOMETER_KM = 0.05


def stands(ride: Ride) -> bool:
    """Whether a speed is logged, is zero throughout, and no other channel speaks for riding."""
    if not ride.has("wheel_speed") or _most(ride, "wheel_speed") > 0.0:
        return False
    if ride.has("cruise_engaged") and _most(ride, "cruise_engaged") > 0.0:
        return False
    if any(_most(ride, n) > PUSHED_KMH for n in ("front_wheel_speed", "gps_speed") if ride.has(n)):
        return False
    if ride.has("odometer") and _most(ride, "odometer") - _least(ride, "odometer") > ODOMETER_KM:
        return False
    return not _engine_works(ride)


def _engine_works(ride: Ride) -> bool:
    """Whether the engine ran above its idle for long, or in gear with the clutch out at all."""
    if not ride.has("engine_speed"):
        return False
    idle_rpm = ride.settings.drivetrain.idle_rpm
    with np.errstate(invalid="ignore"):
        running = ride.numbers("engine_speed") > 0.5 * idle_rpm
        above = ride.numbers("engine_speed") > ABOVE_IDLE * idle_rpm
        in_gear = running & (ride.numbers("gear") > 0) & (ride.numbers("clutch") == 0)
    return ride.where(above).seconds > WORKED_S or ride.where(in_gear).seconds > 1.0


def _most(ride: Ride, name: str) -> float:
    return float(np.nanmax(ride.numbers(name)))


def _least(ride: Ride, name: str) -> float:
    return float(np.nanmin(ride.numbers(name)))
