"""A defect of the grammar at work: in the ride, where unit and log see it, or in the log alone."""

import math
from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.random import Generator
from numpy.typing import NDArray

from ridecheck.simulate.contacts import Interval
from ridecheck.simulate.faults.base import TICK_S
from ridecheck.simulate.grammar import LINES, SWITCHES, Defect
from ridecheck.simulate.riding import Actor, Riding
from ridecheck.simulate.signals import Disturbance

NAME = "defect"
"""What the truth calls it where a named fault would stand."""

FIRST_S = 1.0
BURST_S = 0.04
BURSTS_FOR_S = 20.0
"""A contact that bounces for longer than this is written as if it did for this long."""

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


class Defective(Actor):
    """Shows a defect when its occasion is there. windows: when it showed, in seconds."""

    def __init__(self, defect: Defect, rng: Generator) -> None:
        self.defect = defect
        self.rng = rng
        self.windows: list[Interval] = []
        self._until_s = FIRST_S

    def begin(self, ride: Riding) -> None:
        """What is wrong for good."""
        one = self.defect
        if one.side == "unit" and one.kind == "stuck-off":
            ride.lines[one.channel].dead_to_unit = True
        if one.side == "sensor" and one.kind == "late":
            ride.lines[one.channel].hang_s = one.size

    def tick(self, ride: Riding, t_s: float) -> None:
        """Draw whether it shows now."""
        one = self.defect
        if t_s < self._until_s or not _occasion(ride, one):
            return
        if one.share < 1.0:
            off_s = one.length_s * (1.0 - one.share) / one.share
            chance = 1.0 if one.occasion == "bumps" else TICK_S / max(off_s, TICK_S)
            if self.rng.random() >= chance * (one.share if one.occasion == "bumps" else 1.0):
                return
        length_s = one.length_s * float(self.rng.uniform(0.5, 1.5))
        end_s = t_s + min(length_s, 1e5)
        self.windows.append((t_s, end_s))
        ride.event(NAME, t_s, end_s, one.channel)
        if one.side != "logger":
            _sense(ride, one, t_s, end_s, self.rng)
        self._until_s = end_s + TICK_S


def _occasion(ride: Riding, one: Defect) -> bool:
    match one.occasion:
        case "cruise":
            return ride.cruise.engaged
        case "bumps":
            return ride.bump
        case "warm":
            return ride.coolant_c > 75.0
        case "rain":
            return ride.raining
    return True


def _sense(ride: Riding, one: Defect, start_s: float, end_s: float, rng: Generator) -> None:
    """What the unit, and on the sensor's side the log, sees from now on."""
    if one.channel in LINES:
        line = ride.lines[one.channel]
        pulse = line.unit_pulse if one.side == "unit" else line.pulse
        if one.kind == "stuck-on":
            pulse(start_s, end_s)
        elif one.kind == "stuck-off" and one.side == "sensor":
            line.gap(start_s, end_s)
        elif one.kind == "bouncing":
            at_s = start_s
            while at_s < min(end_s, start_s + BURSTS_FOR_S):
                long_s = float(rng.exponential(BURST_S))
                pulse(at_s, min(at_s + long_s, end_s))
                at_s += long_s + float(rng.exponential(BURST_S))
        return
    signal = {
        "wheel_speed": ride.speed_signal,
        "engine_speed": ride.rpm_signal,
        "gear": ride.gear_signal,
        "throttle": ride.throttle_signal,
        "supply_voltage": ride.supply_signal,
    }[one.channel]
    match one.kind:
        case "lost":
            signal.add(Disturbance(start_s, end_s, "is", 0.0))
        case "frozen":
            signal.add(Disturbance(start_s, end_s, "frozen"))
        case "offset":
            signal.add(Disturbance(start_s, end_s, "plus", one.size))
        case "scale":
            signal.add(Disturbance(start_s, end_s, "times", one.size))
        case "spikes" | "noise":
            at_s, apart_s = start_s, 2.0 if one.kind == "spikes" else BURST_S
            while at_s < min(end_s, start_s + 60.0 * BURSTS_FOR_S):
                size = one.size if one.kind == "spikes" else float(rng.normal(0.0, one.size))
                signal.add(Disturbance(at_s, at_s + BURST_S, "plus", size))
                at_s += BURST_S + float(rng.exponential(apart_s))


def written(
    samples: pl.DataFrame, defect: Defect, windows: Sequence[Interval], rng: Generator
) -> pl.DataFrame:
    """The log as a defect at the logger leaves it; as it is where it lacks the channel."""
    if defect.channel not in samples.columns or defect.other not in ("", *samples.columns):
        return samples
    micros = samples["time"].dt.epoch("us").to_numpy()
    t_s = (micros - micros[0]) / 1e6
    rows = np.zeros(len(t_s), dtype=bool)
    for start_s, end_s in windows:
        rows |= (t_s >= start_s) & (t_s < end_s)
    if not rows.any():
        return samples
    was = samples[defect.channel].cast(pl.Float64).to_numpy().astype(float)
    swap = samples[defect.other].cast(pl.Float64).to_numpy().astype(float) if defect.other else was
    now = np.where(rows, _wrong(defect, t_s, was, swap, rows, rng), was)
    series = pl.Series(defect.channel, now).fill_nan(None)
    if defect.channel in SWITCHES:
        return samples.with_columns((series > 0.5).alias(defect.channel))
    if samples.schema[defect.channel].is_integer():
        series = series.round().cast(samples.schema[defect.channel])
    return samples.with_columns(series.alias(defect.channel))


def _wrong(
    one: Defect, t_s: Floats, was: Floats, swap: Floats, rows: Flags, rng: Generator
) -> Floats:
    """What would be written in every row, were the defect there all the time."""
    blank = np.full(len(was), math.nan)
    match one.kind:
        case "stuck-on":
            return np.ones(len(was))
        case "stuck-off":
            return np.zeros(len(was))
        case "lost":
            return blank if rng.random() < 0.5 else np.zeros(len(was))
        case "frozen":
            first = np.maximum.accumulate(
                np.where(rows & ~np.roll(rows, 1), np.arange(len(was)), 0)
            )
            return was[first]
        case "inverted":
            return 1.0 - was
        case "bouncing":
            return np.where(rng.random(len(was)) < 0.5, 1.0 - was, was)
        case "swapped":
            return swap
        case "late":
            return was[np.maximum(np.searchsorted(t_s, t_s - one.size, "right") - 1, 0)]
        case "part-of-rows":
            return np.where(rng.random(len(was)) < one.size, math.nan, was)
        case "scale":
            return was * one.size
        case "offset":
            return np.maximum(was + one.size, 0.0)
        case "spikes":
            return np.maximum(was + one.size * (rng.random(len(was)) < 0.02), 0.0)
        case "noise":
            return np.maximum(was + rng.normal(0.0, abs(one.size), len(was)), 0.0)
    raise AssertionError(one.kind)
