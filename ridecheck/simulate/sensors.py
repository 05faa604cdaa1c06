"""From what happened to what a logger recorded: sensing, lag, steps, refresh, jitter, blanks."""

import itertools
import math
from collections.abc import Callable, Mapping
from functools import partial

import numpy as np
import polars as pl
from numpy.random import Generator
from numpy.typing import NDArray

from ridecheck.core.catalog import channels as catalog
from ridecheck.simulate.contacts import Interval, sample, subtract, union
from ridecheck.simulate.physics import GRAVITY_MPS2
from ridecheck.simulate.riding import STEP_S, TRACK, Riding

Floats = NDArray[np.float64]

SWITCH_LINES = {
    "front_brake": "front_brake",
    "rear_brake": "rear_brake",
    "clutch": "clutch",
    "roll_off": "roll_off",
    "switch_power": "switch_power",
    "switch_set": "switch_set",
    "switch_resume": "switch_resume",
    "switch_cancel": "switch_cancel",
    "side_stand": "side_stand",
    "abs_active": "abs_active",
    "traction_active": "traction_active",
    "marker": "marker",
    "fault_lamp": "fault_lamp",
}
FRONT_KPA_PER_MPS2 = 520.0
FEW_PULSES = 8
PULSE_TIMEOUT_S = 1.0
REAR_KPA_PER_MPS2 = 700.0
FILAMENT_S = 0.08
BOUNCE_S = 0.002
"""A good switch bounces for about a millisecond, never for ten."""
STEPS = {
    "throttle": 0.4,
    "throttle_grip": 0.4,
    "supply_voltage": 0.02,
    "cruise_set_speed": 1.0,
    "front_brake_pressure": 10.0,
    "rear_brake_pressure": 10.0,
    "altitude": 1.0,
    "lean_angle": 0.5,
    "yaw_rate": 0.1,
    "acceleration": 0.02,
    "vertical_acceleration": 0.05,
    "odometer": 0.1,
    "coolant_temperature": 1.0,
    "air_temperature": 1.0,
    "gps_speed": 0.1,
}


class Recorder:
    """Records one finished ride as its logger would."""

    def __init__(self, ride: Riding, rng: Generator) -> None:
        self.ride = ride
        self.logger = ride.bike.logger
        self.rng = rng
        track = np.array(ride.record.track)
        self.track = {name: track[:, i] for i, name in enumerate(TRACK)}
        self.end_s = float(self.track["t_s"][-1])
        self.lines = {name: self._bounced(line.on_s()) for name, line in ride.lines.items()}
        self.row_s = self._rows()

    def _bounced(self, on_s: list[Interval]) -> list[Interval]:
        """Good contacts bounce for a few milliseconds when they close."""
        if not on_s:
            return on_s
        size_s = self.rng.uniform(0.0005, BOUNCE_S, len(on_s))
        gaps = [
            (start_s + 0.001, start_s + 0.001 + float(gap_s))
            for (start_s, end_s), gap_s in zip(on_s, size_s, strict=True)
            if end_s - start_s > 0.03
        ]
        return subtract(on_s, gaps)

    def _rows(self) -> Floats:
        """When each row is taken: the rate, a random phase, jitter, rows lost."""
        logger = self.logger
        period_s = 1.0 / logger.rate_hz
        count = int((self.end_s - period_s) / period_s)
        row_s = self.rng.uniform(0.0, period_s) + np.arange(count) * period_s
        if logger.jitter_s:
            row_s = row_s + self.rng.uniform(-0.5, 0.5, count) * min(
                logger.jitter_s, 0.8 * period_s
            )
        if logger.drop_rows_share:
            row_s = row_s[self.rng.random(count) >= logger.drop_rows_share]
        rows: Floats = np.maximum(0.0, row_s)
        return rows

    def frame(self) -> pl.DataFrame:
        """All logged channels in the units of the catalogue, with ``time``."""
        start = self.ride.plan.start
        micros = np.round(self.row_s * 1000.0).astype(np.int64) * 1000
        epoch = int(start.timestamp()) * 1_000_000 + start.microsecond
        columns: dict[str, pl.Series] = {
            "time": pl.Series("time", epoch + micros).cast(pl.Datetime("us", "UTC"))
        }
        kinds = catalog()
        for name in self.logger.channels:
            values = self._recorded(name)
            kind = kinds[name].kind
            if kind == "switch":
                known = ~np.isnan(values)
                flags = pl.Series(name, values > 0.5)
                columns[name] = flags if known.all() else flags.set(pl.Series(~known), None)
            elif kind == "integer":
                series = pl.Series(name, values).fill_nan(None)
                columns[name] = series.cast(pl.Int16)
            else:
                columns[name] = pl.Series(name, values).fill_nan(None)
        return pl.DataFrame(columns)

    def seen_s(self, name: str) -> Floats:
        """The instants a channel was looked at for each row: refresh and skew applied."""
        refresh_s = self.logger.refresh_s.get(name, 0.0)
        seen_s = self.row_s - self.logger.skew_s.get(name, 0.0)
        if refresh_s > 1.01 / self.logger.rate_hz:
            seen_s = np.floor(seen_s / refresh_s) * refresh_s
        return np.maximum(0.0, seen_s)

    def _recorded(self, name: str) -> Floats:
        seen_s = self.seen_s(name)
        once_s, at = np.unique(seen_s, return_inverse=True)
        held = len(once_s) < len(seen_s)  # a value held over rows is the same in all of them
        values = self._values(name, once_s)[at] if held else self._values(name, seen_s)
        if name in self.logger.blank_between:
            fresh = np.diff(seen_s, prepend=-1.0) > 1e-9
            values = np.where(fresh, values, np.nan)
        return values

    def _values(self, name: str, t_s: Floats) -> Floats:
        if name in SOURCES:
            values = SOURCES[name](self, t_s)
            step = self._step(name)
            return np.round(np.round(values / step) * step, 4) if step else values
        intervals = self.intervals(name)
        return sample(intervals, t_s, latched=name in self.logger.latched).astype(float)

    def _step(self, name: str) -> float:
        if name in ("wheel_speed", "front_wheel_speed"):
            return self.ride.model.resolution_kmh
        if name == "engine_speed":
            return self.logger.engine_step_rpm
        return STEPS.get(name, 0.0)

    def intervals(self, name: str) -> list[Interval]:
        """When a switch channel is on, as its line could show it."""
        said = self.ride.record
        if name == "cruise_engaged":
            return said.engaged_s
        if name == "cruise_armed":
            return said.armed_s
        if name == "brake_lamp":
            lit = union(self.lines["front_brake"] + self.lines["rear_brake"])
            return [(a + FILAMENT_S, b + FILAMENT_S) for a, b in lit]
        if name == "run_switch":
            return subtract([(0.0, self.end_s + 1.0)], self.lines["run_off"])
        if name == "neutral_switch":
            return self._neutral()
        return self.lines[SWITCH_LINES[name]]

    def _neutral(self) -> list[Interval]:
        gears = [(0.0, 0), *self.ride.record.gears, (self.end_s + 1.0, -1)]
        return [(a, b) for (a, gear), (b, _) in itertools.pairwise(gears) if gear == 0]

    def at(self, name: str, t_s: Floats) -> Floats:
        """A tracked quantity at any instants."""
        out: Floats = np.interp(t_s, self.track["t_s"], self.track[name])
        return out

    def noise(self, size: float, t_s: Floats) -> Floats:
        """Independent noise, one draw an instant."""
        return self.rng.normal(0.0, size, len(t_s))


def _wheel_speed(rec: Recorder, t_s: Floats) -> Floats:
    ride, model = rec.ride, rec.ride.model
    speed_kmh = rec.at("speed_mps", t_s) * 3.6
    if model.taken_from == "front_wheel":
        speed_kmh = speed_kmh * rec.at("front_factor", t_s)
    else:  # the maker calibrated for the nominal tyre
        nominal = ride.bike.circumference_factor * ride.tyre_factor
        speed_kmh = speed_kmh * rec.at("rear_factor", t_s) / nominal
    if ride.ring_ripple:
        turn = 2.0 * math.pi * rec.at("distance_m", t_s) / ride.circumference_m
        speed_kmh = speed_kmh * (1.0 + ride.ring_ripple * np.sin(turn))
    if model.pulses_per_turn <= FEW_PULSES:
        speed_kmh = _by_pulses(rec, t_s, speed_kmh)
    speed_kmh = speed_kmh * (1.0 + model.reads_high_percent / 100.0)
    speed_kmh = speed_kmh + rec.noise(0.04, t_s) * (speed_kmh > 1.0)
    speed_kmh = np.where(speed_kmh < rec.logger.dropout_below_kmh, 0.0, speed_kmh)
    said = ride.speed_signal.over(t_s, speed_kmh)
    return np.maximum(0.0, ride.logged_speed.over(t_s, said))


def _by_pulses(rec: Recorder, t_s: Floats, speed_kmh: Floats) -> Floats:
    """Speed from the time between two pulses: it stands still until the next one comes.

    With no pulse for PULSE_TIMEOUT_S it reads nothing.
    """
    apart_m = rec.ride.circumference_m / rec.ride.model.pulses_per_turn
    at_m, at_s = rec.track["distance_m"], rec.track["t_s"]
    pulses = np.floor(np.interp(t_s, at_s, at_m) / apart_m)
    rising_m = at_m + np.arange(len(at_m)) * 1e-9
    last_s = np.interp(pulses * apart_m, rising_m, at_s)
    before_s = np.interp((pulses - 1.0) * apart_m, rising_m, at_s)
    between_s = np.maximum(1e-3, last_s - before_s)
    factor = speed_kmh / np.maximum(0.1, rec.at("speed_mps", t_s) * 3.6)
    read = apart_m / between_s * 3.6 * np.clip(factor, 0.5, 2.0)
    return np.where((t_s - last_s > PULSE_TIMEOUT_S) | (pulses < 1.0), 0.0, read)


def _front_wheel_speed(rec: Recorder, t_s: Floats) -> Floats:
    speed_kmh = rec.at("speed_mps", t_s) * 3.6 * rec.at("front_factor", t_s)
    speed_kmh = speed_kmh + rec.noise(0.04, t_s) * (speed_kmh > 1.0)
    speed_kmh = np.where(speed_kmh < rec.logger.dropout_below_kmh, 0.0, speed_kmh)
    return np.maximum(0.0, rec.ride.front_signal.over(t_s, speed_kmh))


def _gps_speed(rec: Recorder, t_s: Floats) -> Floats:
    speed_kmh = rec.at("speed_mps", np.maximum(0.0, t_s - rec.logger.gps_delay_s)) * 3.6
    changed = np.diff(t_s, prepend=-1.0) > 1e-9
    noise = rec.noise(0.35, t_s)
    held = noise[np.maximum.accumulate(np.where(changed, np.arange(len(t_s)), 0))]
    speed_kmh = np.maximum(0.0, speed_kmh + held)
    outages = rec.rng.poisson(rec.logger.gps_outages_per_h * rec.end_s / 3600.0)
    for start_s in rec.rng.uniform(0.0, rec.end_s, outages):
        lost = (t_s >= start_s) & (t_s < start_s + rec.rng.uniform(2.0, 25.0))
        speed_kmh = np.where(lost, np.nan, speed_kmh)
    return speed_kmh


def _engine_speed(rec: Recorder, t_s: Floats) -> Floats:
    width = max(1, round(2.0 * rec.logger.engine_lag_s / STEP_S))
    rpm = rec.track["rpm"]
    sums = np.cumsum(np.concatenate([[0.0], rpm]))
    upto = np.arange(1, len(rpm) + 1)
    since = np.maximum(0, upto - width)
    smooth = (sums[upto] - sums[since]) / (upto - since)
    value = np.interp(t_s, rec.track["t_s"], smooth) + rec.noise(4.0, t_s)
    return np.maximum(0.0, rec.ride.rpm_signal.over(t_s, value))


def _gear(rec: Recorder, t_s: Floats) -> Floats:
    changes = rec.ride.record.gears
    times = np.array([-1.0] + [t for t, _ in changes])
    gears = np.array([0.0] + [float(g) for _, g in changes])
    late_s = 0.4 if rec.logger.gear_kind == "calculated" else 0.0
    value = gears[np.searchsorted(times, t_s - late_s, side="right") - 1]
    if rec.logger.gear_kind == "calculated":
        pulled = sample([(a, b + late_s) for a, b in rec.lines["clutch"]], t_s)
        value = np.where(pulled, np.nan, value)
    else:
        for (t, new), old in zip(changes, gears[:-1], strict=True):
            # the drum passes between positions: for a moment no contact, or a wrong one
            first, last = np.searchsorted(t_s, (t - 0.07, t))
            if first < last and new and old:
                value[first:last] = rec.rng.choice((np.nan, max(new, old), min(new, old)))
    return rec.ride.gear_signal.over(t_s, value)


def _set_speed(rec: Recorder, t_s: Floats) -> Floats:
    changes = rec.ride.record.set_kmh
    times = np.array([-1.0] + [t for t, _ in changes])
    speeds = np.array([math.nan] + [s for _, s in changes])
    high = 1.0 + rec.ride.model.reads_high_percent / 100.0
    value: Floats = speeds[np.searchsorted(times, t_s, side="right") - 1] * high
    return value


def _acceleration(rec: Recorder, t_s: Floats) -> Floats:
    along = rec.at("acceleration", t_s) + GRAVITY_MPS2 * np.sin(np.arctan(rec.at("slope", t_s)))
    return along + rec.noise(0.15, t_s)


def _vertical(rec: Recorder, t_s: Floats) -> Floats:
    moving = rec.at("speed_mps", t_s) / 20.0
    value = rec.noise(0.6, t_s) * moving
    at_m = rec.at("distance_m", t_s)
    for bump_m in rec.ride.route.bumps_m:
        first = int(np.searchsorted(at_m, bump_m))
        value[first : first + max(1, int(0.08 * rec.logger.rate_hz))] += rec.rng.uniform(5.0, 13.0)
    return value


def _yaw(rec: Recorder, t_s: Floats) -> Floats:
    v = np.maximum(3.0, rec.at("speed_mps", t_s))
    rate = np.degrees(GRAVITY_MPS2 * np.tan(rec.at("lean_rad", t_s)) / v)
    return rate + rec.noise(0.3, t_s)


def _supply(rec: Recorder, t_s: Floats) -> Floats:
    return rec.ride.supply_signal.over(t_s, rec.at("load_v", t_s)) + rec.noise(0.015, t_s)


def _altitude(rec: Recorder, t_s: Floats) -> Floats:
    points = np.arange(len(rec.ride.route.altitude_m)) * 10.0
    climbed = np.interp(rec.at("distance_m", t_s), points, rec.ride.route.altitude_m)
    step_m = np.diff(rec.track["distance_m"], prepend=rec.track["distance_m"][0])
    beside = np.cumsum(rec.track["extra_slope"] * step_m)  # hills that are not on the route
    metres: Floats = climbed + np.interp(t_s, rec.track["t_s"], beside)
    return rec.ride.plan.altitude_m + metres


def _throttle(rec: Recorder, t_s: Floats) -> Floats:
    plate = rec.at("throttle", t_s) + rec.noise(0.08, t_s)
    return np.clip(rec.ride.throttle_signal.over(t_s, plate), 0.0, 100.0)


Source = Callable[[Recorder, Floats], Floats]


def _plain(track: str, scale: float, noise: float, rec: Recorder, t_s: Floats) -> Floats:
    return rec.at(track, t_s) * scale + rec.noise(noise, t_s)


def _grip(rec: Recorder, t_s: Floats) -> Floats:
    return np.clip(rec.at("throttle_grip", t_s) + rec.noise(0.06, t_s), 0.0, 100.0)


def _odometer(rec: Recorder, t_s: Floats) -> Floats:
    high = 1.0 / rec.ride.bike.circumference_factor / rec.ride.tyre_factor
    return rec.ride.plan.odometer_km + rec.at("distance_m", t_s) / 1000.0 * high - 0.05


def _air(rec: Recorder, t_s: Floats) -> Floats:
    return np.full(len(t_s), rec.ride.plan.weather.air_c) + 0.4 * np.sin(t_s / 300.0)


SOURCES: Mapping[str, Source] = {
    "wheel_speed": _wheel_speed,
    "front_wheel_speed": _front_wheel_speed,
    "gps_speed": _gps_speed,
    "engine_speed": _engine_speed,
    "gear": _gear,
    "throttle": _throttle,
    "throttle_grip": _grip,
    "cruise_set_speed": _set_speed,
    "front_brake_pressure": partial(_plain, "front_mps2", FRONT_KPA_PER_MPS2, 8.0),
    "rear_brake_pressure": partial(_plain, "rear_mps2", REAR_KPA_PER_MPS2, 8.0),
    "supply_voltage": _supply,
    "altitude": _altitude,
    "lean_angle": partial(_plain, "lean_rad", 180.0 / math.pi, 0.6),
    "yaw_rate": _yaw,
    "acceleration": _acceleration,
    "vertical_acceleration": _vertical,
    "odometer": _odometer,
    "coolant_temperature": partial(_plain, "coolant_c", 1.0, 0.2),
    "air_temperature": _air,
}
