"""What one ride contributes to comparisons over rides: before and after a repair, and trends.

Plain numbers by name, stored with the ride's result and never judged in the ride itself.
A measure that the ride cannot give is left out: absent is not zero.
"""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Cancel, Span
from ridecheck.signals import cruise, drivetrain, motion, pulses
from ridecheck.signals.ride import Ride

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

SWITCHES = ("front_brake", "rear_brake", "brake_lamp", "clutch", "roll_off")
PULSE_REFRESH_S = 0.105
"""A switch logged slower than 10 Hz shows too few pulses of a hand's length or less to count."""
BURST_S, BURST_KM = 900.0, 10.0
"""Pulses no further apart than this are one burst (common practice, see ``bike.proof``)."""
HOLD_S = 10.0
"""A shorter hold has not settled (common practice)."""
SMOOTH_S = 5.0
"""Hills and wind move the speed more slowly than this; hunting and noise do it faster."""
STEADY_KMH = 50.0
"""Below, satellite speed and wheel speed are read at too different instants to compare."""
CALM_MS2 = 0.3
"""Slower changes of speed than this let the delay of a satellite receiver be left aside."""
LEAST_ROWS = 50
BUMP_MS2, BUMP_S = 4.0, 0.5
"""A jolt of the road, and how long after it a loose contact may open (common practice)."""
LEAN_DEGREES = 10.0
WARM_UP_S = 1200.0
"""Twenty minutes: what is cold or wet has gone by then (common practice)."""


def measures(ride: Ride, cancels: Sequence[Cancel]) -> Mapping[str, float]:
    """Every measure this ride can give, by name; cancels: those of the ride."""
    found: dict[str, float] = {}
    for some in (_holds(ride), _pulses(ride), _speeds(ride), _supply(ride)):
        found.update(some)
    found.update(_occasions(ride, [c for c in cancels if c.commanded is False]))
    return found


def _holds(ride: Ride) -> Iterator[tuple[str, float]]:
    """How far speed strays, while cruise holds, from its own mean over SMOOTH_S (km/h)."""
    if not ride.has("wheel_speed", "cruise_engaged"):
        return
    squares, seconds = 0.0, 0.0
    for phase in cruise.phases(ride):
        if phase.kind != "hold" or phase.span.length_s < HOLD_S:
            continue
        rows = ride.slice(Span(phase.span.start_s, phase.span.end_s - 1e-6))
        speed = ride.numbers("wheel_speed")[rows]
        known = speed[np.isfinite(speed)]
        wide = max(3, round(SMOOTH_S / ride.row_interval_s)) | 1
        if len(known) <= wide:
            continue
        sums = np.cumsum(np.insert(known, 0, 0.0))
        mean = (sums[wide:] - sums[:-wide]) / wide
        away = known[wide // 2 : wide // 2 + len(mean)] - mean
        squares += float(np.mean(away**2)) * phase.span.length_s
        seconds += phase.span.length_s
    if seconds:
        yield "hold.unsteady_kmh", (squares / seconds) ** 0.5
        yield "hold.seconds", seconds


def _pulses(ride: Ride) -> Iterator[tuple[str, float]]:
    """Short pulses nobody made on each switch that is logged fast enough, and their bursts."""
    if not ride.has("wheel_speed"):
        return
    both = ride.has("front_brake") or ride.has("rear_brake")
    for name in SWITCHES:
        slow = ride.interval_s(name) > PULSE_REFRESH_S
        if not ride.has(name) or slow or (name == "brake_lamp" and both):
            continue
        starts_s = [t.span.start_s for t in pulses.touches(ride, name) if t.short and not t.effect]
        yield f"short_pulses.{name}", float(len(starts_s))
        yield f"short_pulse_bursts.{name}", float(_bursts(ride, starts_s))


def _bursts(ride: Ride, starts_s: Sequence[float]) -> int:
    pace_kms = cruise.totals(ride).distance_km / ride.duration_s if ride.duration_s else 0.0
    count, last_s = 0, -np.inf
    for t_s in starts_s:
        apart_s = t_s - last_s
        count += apart_s > BURST_S and apart_s * pace_kms > BURST_KM
        last_s = t_s
    return count


def _speeds(ride: Ride) -> Iterator[tuple[str, float]]:
    """Wheel speed against satellite speed, and against the engine under load (shares)."""
    if ride.has("wheel_speed", "gps_speed"):
        wheel, gps = ride.numbers("wheel_speed"), ride.numbers("gps_speed")
        calm = np.abs(motion.acceleration(ride)) < CALM_MS2
        rows = calm & (wheel > STEADY_KMH) & (gps > STEADY_KMH)
        if np.count_nonzero(rows) >= LEAST_ROWS:
            yield "wheel_against_gps", float(np.median(wheel[rows] / gps[rows])) - 1.0
    if drivetrain.has_ladder(ride):
        biases = drivetrain.gear_biases(ride).values()
        seconds = sum(b.seconds for b in biases)
        if seconds >= HOLD_S:
            yield "wheel_against_engine", sum(b.bias * b.seconds for b in biases) / seconds


def _supply(ride: Ride) -> Iterator[tuple[str, float]]:
    """Median supply voltage while riding (V)."""
    if ride.has("supply_voltage", "wheel_speed"):
        volts = ride.numbers("supply_voltage")[ride.numbers("wheel_speed") > STEADY_KMH]
        volts = volts[np.isfinite(volts)]
        if len(volts) >= LEAST_ROWS:
            yield "supply_v", float(np.median(volts))


def _occasions(ride: Ride, uncommanded: Sequence[Cancel]) -> Iterator[tuple[str, float]]:
    """Seconds with cruise held in each occasion, and the uncommanded cancels that came in it."""
    if not ride.has("cruise_engaged"):
        return
    engaged = ride.numbers("cruise_engaged") == 1
    at = np.array([max(ride.index(c.t_s) - 1, 0) for c in uncommanded], dtype=int)
    for name, rows in occasion_rows(ride):
        known = engaged & np.isfinite(rows)
        inside = known & (rows == 1)
        if known.any():
            yield f"occasion.{name}.seconds", float(motion.row_seconds(ride)[inside].sum())
            yield f"occasion.{name}.uncommanded", float((rows[at] == 1).sum())


def occasion_rows(ride: Ride) -> Iterator[tuple[str, Floats]]:
    """Occasions that mean the same in every ride, as rows: 1 in it, 0 not, NaN unknown."""
    if ride.has("vertical_acceleration"):
        yield "bumps", bumpy(ride)
    if ride.has("lean_angle"):
        lean = np.abs(ride.numbers("lean_angle"))
        yield "leaning", np.where(np.isnan(lean), np.nan, (lean > LEAN_DEGREES).astype(float))
    yield "first 20 minutes", (ride.t_s < WARM_UP_S).astype(float)


def bumpy(ride: Ride) -> Floats:
    """Rows no more than BUMP_S after a jolt: 1, else 0; NaN where it is not logged."""
    vertical = ride.numbers("vertical_acceleration")
    known = ~np.isnan(vertical)
    rest = float(np.median(vertical[known])) if known.any() else 0.0
    jolt_s = ride.t_s[known & (np.abs(np.nan_to_num(vertical, nan=rest) - rest) > BUMP_MS2)]
    if not len(jolt_s):
        return np.where(known, 0.0, np.nan)
    last = np.searchsorted(jolt_s, ride.t_s + 1e-9, side="right") - 1
    since_s = np.where(last >= 0, ride.t_s - jolt_s[np.maximum(last, 0)], np.inf)
    return np.where(known, (since_s <= BUMP_S).astype(float), np.nan)
