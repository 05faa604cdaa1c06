"""Braking as the log shows it: the switches, the lamp line, or a pressure standing in."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Span
from ridecheck.signals.intervals import NOTHING, Intervals
from ridecheck.signals.ride import Ride, once
from ridecheck.signals.switches import BLANK, Runs, runs_of

Floats = NDArray[np.float64]

PRESSURE_KPA = 200.0
"""Line pressure above which a lamp switch has closed (common practice: 1 to 3 bar)."""

CONTROLS = ("front_brake", "rear_brake")


@dataclass(frozen=True, slots=True)
class BrakeSignal:
    """One channel that shows braking.

    channel: as logged. control: front_brake, rear_brake, or brake_lamp where the line
    cannot show which. stands_in: a pressure or the lamp in place of a switch not logged.
    """

    channel: str
    control: str
    runs: Runs
    interval_s: float
    skew_s: float
    stands_in: bool

    @property
    def on(self) -> Intervals:
        """When it shows a brake on."""
        return self.runs.when(1)

    @property
    def label(self) -> str:
        """As a sentence names it."""
        return self.channel.replace("_", " ")


@once
def signals(ride: Ride) -> tuple[BrakeSignal, ...]:
    """Every braking signal of a ride: own switches, lamp line, pressure where no switch is."""
    found = []
    for control in CONTROLS:
        pressure = f"{control}_pressure"
        if ride.has(control):
            found.append(_signal(ride, control, control, ride.runs(control), stands_in=False))
        elif ride.has(pressure):
            found.append(_signal(ride, pressure, control, _pressed(ride, pressure), stands_in=True))
    if ride.has("brake_lamp"):
        both = all(ride.has(c) for c in CONTROLS)
        found.append(
            _signal(ride, "brake_lamp", "brake_lamp", ride.runs("brake_lamp"), stands_in=not both)
        )
    return tuple(found)


def covered(ride: Ride) -> bool:
    """Are both controls seen, each by its own channel or by the lamp line?"""
    return ride.has("brake_lamp") or all(ride.has(c) or ride.has(f"{c}_pressure") for c in CONTROLS)


def not_told_apart(ride: Ride) -> str:
    """What the logged braking signals cannot show apart; "" where each control is logged."""
    if all(ride.has(c) for c in CONTROLS) or not ride.has("brake_lamp"):
        return ""
    return "the lamp line does not separate front from rear"


def any_on(ride: Ride, span: Span) -> bool | None:
    """Was any braking signal on within a span? None where none is on but one is blank."""
    answers = [s.runs.any_on(span) for s in signals(ride)]
    if True in answers:
        return True
    return None if None in answers or not answers else False


@once
def starts_s(ride: Ride) -> Floats:
    """When any braking signal goes on, in order."""
    starts = [s.runs.start_s[s.runs.value == 1] for s in signals(ride)]
    return np.sort(np.concatenate([np.empty(0), *starts]))


def comes_on(ride: Ride, from_s: float, to_s: float) -> bool:
    """Does any braking signal go on between two instants, the second left out?"""
    first, last = np.searchsorted(starts_s(ride), (from_s, to_s - 1e-9))
    return bool(last > first)


@once
def shown(ride: Ride) -> Intervals:
    """When any braking signal is on or blank."""
    some = NOTHING
    for signal in signals(ride):
        some |= signal.runs.where(signal.runs.value != 0)
    return some


@once
def braking(ride: Ride) -> Runs:
    """All braking signals as one: on where any is on, blank where all of them are blank."""
    return runs_of(ride.t_s, rows(ride), ride.segment, interval_s=ride.row_interval_s)


@once
def rows(ride: Ride) -> Floats:
    """Row by row: 1 where any braking signal is on, 0 where none is, NaN where all are blank."""
    codes = np.full(len(ride.t_s), np.nan)
    for signal in signals(ride):
        at = np.searchsorted(signal.runs.start_s, ride.t_s + 1e-9, side="right") - 1
        value = signal.runs.value[np.maximum(at, 0)].astype(float)
        codes = np.fmax(codes, np.where(value == BLANK, np.nan, value))
    return codes


def _pressed(ride: Ride, channel: str) -> Runs:
    pressure = ride.numbers(channel)
    on = np.where(np.isnan(pressure), np.nan, (pressure > PRESSURE_KPA).astype(float))
    return runs_of(ride.t_s, on, ride.segment, interval_s=ride.row_interval_s)


def _signal(ride: Ride, channel: str, control: str, runs: Runs, *, stands_in: bool) -> BrakeSignal:
    facts = ride.channels[channel]
    return BrakeSignal(channel, control, runs, facts.interval_s, facts.skew_s, stands_in)
