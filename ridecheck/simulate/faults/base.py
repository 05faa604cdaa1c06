"""What a planted fault is: a part that misbehaves when something brings it on."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from numpy.random import Generator

from ridecheck.simulate.riding import STEP_S, TICK_STEPS, Actor, Riding

TICK_S = TICK_STEPS * STEP_S

Trigger = Callable[[Riding], float]
"""How likely, 0 to 1 relative to its worst, the fault is to show right now."""


def _rain(ride: Riding) -> float:
    return 1.0 if ride.raining else 0.0


def _heat(ride: Riding) -> float:
    return min(1.0, max(0.0, (ride.coolant_c - 68.0) / 14.0))


def _load(ride: Riding) -> float:
    return min(1.0, max(0.0, (ride.plate - 8.0) / 25.0))


def _steering(ride: Riding) -> float:
    return min(1.0, abs(ride.lean) / 0.15)


def _first_minutes(ride: Riding) -> float:
    return math.exp(-ride.minutes / 6.0)


def _vibration(ride: Riding) -> float:
    centre = 0.42 * ride.engine.redline_rpm
    return math.exp(-(((ride.rpm - centre) / (0.12 * centre)) ** 2))


TRIGGERS: dict[str, Trigger] = {
    "always": lambda _: 1.0,
    "rain": _rain,
    "heat": _heat,
    "load": _load,
    "steering": _steering,
    "first_minutes": _first_minutes,
    "vibration": _vibration,
    "bump": lambda ride: 1.0 if ride.bump else 0.0,
}


@dataclass(frozen=True, slots=True)
class About:
    """What there is to know of a kind of fault without running it.

    part: the contract's part names. danger: a dangerous fault. events_per_h: how often
    it shows at severity 1 while its trigger is full on (for bumps: share of bumps).
    lowest_rate_hz: the lowest useful logging rate for the deciding channel.
    """

    name: str
    part: str
    trigger: str
    events_per_h: float
    lowest_rate_hz: float
    danger: bool = False
    needs: tuple[str, ...] = ()


class Fault(Actor):
    """A planted fault. Subclasses say what one event does, or what is wrong for good."""

    about: ClassVar[About]

    def __init__(self, severity: float, trigger: str, rng: Generator) -> None:
        self.severity = severity
        self.trigger_name = trigger or self.about.trigger
        self.trigger = TRIGGERS[self.trigger_name]
        self.rng = rng
        self.quiet_until_s = 4.0

    def begin(self, ride: Riding) -> None:
        """What is wrong from the start; nothing unless a subclass says so."""

    def tick(self, ride: Riding, t_s: float) -> None:
        """Draw whether it shows now."""
        if self.about.events_per_h <= 0.0 or t_s < self.quiet_until_s:
            return
        strength = self.trigger(ride)
        if strength <= 0.0:
            return
        chance = (
            self.severity * min(1.0, self.about.events_per_h)
            if self.trigger_name == "bump"
            else self.severity * strength * self.about.events_per_h * TICK_S / 3600.0
        )
        if self.rng.random() < chance:
            self.show(ride, t_s + float(self.rng.uniform(0.0, TICK_S)))

    def show(self, ride: Riding, t_s: float) -> None:
        """One event, beginning at t_s."""

    def between(self, low: float, high: float) -> float:
        """A draw between two values."""
        return float(self.rng.uniform(low, high))


class DeafUnit(Fault):
    """The control unit answers no button. Subclasses say why."""

    def begin(self, ride: Riding) -> None:
        """Deaf for good."""
        ride.cruise.fault.ignores_buttons = True

    def end(self, ride: Riding, t_s: float) -> None:
        """Every press that led to nothing is an event."""
        for at_s, what in ride.rider.acts:
            if what == "set pressed":
                ride.event(self.about.name, at_s, at_s + 2.0, "switch_set")


FAULTS: dict[str, type[Fault]] = {}


def planted(kind: type[Fault]) -> type[Fault]:
    """Class decorator: a fault that can be asked for by name."""
    FAULTS[kind.about.name] = kind
    return kind
