"""A grammar of defects: every channel x what can become of it x on whose side x when and how much.

Beside the list of named faults, which tells what workshops meet, this tells what can be: it is
made from channels and kinds alone, with no rule in mind. Sizes and lengths are log-uniform over
what is physically possible (common practice), never around a threshold of a rule.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from numpy.random import Generator

Kind = Literal[
    "stuck-on", "stuck-off", "lost", "frozen", "spikes", "offset", "scale", "late", "bouncing",
    "swapped", "inverted", "noise", "part-of-rows",
]  # fmt: skip
Side = Literal["sensor", "unit", "logger"]
"""Where the defect sits: at the sensor (unit and log see it), on the unit's own wire (the log
does not), or at the logger (the log alone is wrong)."""

Occasion = Literal["always", "cruise", "bumps", "warm", "rain"]
OCCASIONS: tuple[Occasion, ...] = ("always", "always", "cruise", "bumps", "warm", "rain")

LINES = (
    "front_brake", "rear_brake", "clutch", "roll_off", "switch_power", "switch_set",
    "switch_resume", "switch_cancel",
)  # fmt: skip
FLAGS = ("cruise_engaged", "cruise_armed")
SWITCHES = (*LINES, *FLAGS)
PHYSICAL: Mapping[str, tuple[float, float]] = {
    "wheel_speed": (1.0, 100.0),
    "engine_speed": (50.0, 6000.0),
    "throttle": (1.0, 80.0),
    "throttle_grip": (1.0, 80.0),
    "gear": (1.0, 3.0),
    "supply_voltage": (0.2, 12.0),
    "cruise_set_speed": (1.0, 80.0),
}
"""Numbers and the smallest and largest error that a sensor, wire or converter makes of them."""

OF_SWITCHES: tuple[Kind, ...] = (
    "stuck-on", "stuck-off", "lost", "frozen", "late", "bouncing", "swapped", "inverted",
    "part-of-rows",
)  # fmt: skip
OF_NUMBERS: tuple[Kind, ...] = (
    "lost", "frozen", "spikes", "offset", "scale", "late", "swapped", "noise", "part-of-rows",
)  # fmt: skip
SENSED: Mapping[str, tuple[Kind, ...]] = {
    **dict.fromkeys(LINES, ("stuck-on", "stuck-off", "late", "bouncing")),
    "wheel_speed": ("lost", "frozen", "spikes", "offset", "scale", "noise"),
    "engine_speed": ("lost", "frozen", "spikes", "offset", "scale", "noise"),
    "gear": ("lost", "frozen"),
    "throttle": ("lost", "frozen", "spikes", "offset", "scale", "noise"),
    "supply_voltage": ("lost", "offset"),
}
"""What can become of a channel at its sensor, in a way that the simulated unit reacts to."""

AT_THE_UNIT: tuple[Kind, ...] = ("stuck-on", "stuck-off", "bouncing")

LENGTHS_S = (0.02, 300.0)
LATE_S = (0.05, 5.0)
SHARES = (0.001, 0.5)
WHOLE = 0.3
"""Share of the defects that are there all the time."""


@dataclass(frozen=True, slots=True)
class Defect:
    """One defect: where, what, on whose side, and how much of it when.

    size in the unit of the channel (a factor for "scale", seconds for "late", a share of the
    rows for "part-of-rows"; 0 where the kind has none). share: of the time that its occasion
    is there; 1 is all the time. other: the channel it is swapped with.
    """

    channel: str
    kind: Kind
    side: Side
    size: float = 0.0
    length_s: float = math.inf
    share: float = 1.0
    occasion: Occasion = "always"
    other: str = ""


def kinds() -> Iterator[tuple[str, Kind, Side]]:
    """Every channel with every kind of defect it can have, on every side."""
    for channel in (*SWITCHES, *PHYSICAL):
        for kind in OF_SWITCHES if channel in SWITCHES else OF_NUMBERS:
            yield channel, kind, "logger"
        for kind in SENSED.get(channel, ()):
            yield channel, kind, "sensor"
        for kind in AT_THE_UNIT if channel in LINES else ():
            yield channel, kind, "unit"


def drawn(channel: str, kind: Kind, side: Side, rng: Generator) -> Defect:
    """A defect of one kind; how large, how long, how often and when is drawn."""
    whole = kind in ("swapped", "inverted", "part-of-rows") or rng.random() < WHOLE
    return Defect(
        channel,
        kind,
        side,
        size=_size(channel, kind, rng),
        length_s=math.inf if whole else _log_uniform(LENGTHS_S, rng),
        share=1.0 if whole else _log_uniform(SHARES, rng),
        occasion="always" if whole else OCCASIONS[int(rng.integers(len(OCCASIONS)))],
        other=_other(channel, rng) if kind == "swapped" else "",
    )


def _size(channel: str, kind: Kind, rng: Generator) -> float:
    sign = 1.0 if rng.random() < 0.5 else -1.0
    if kind == "scale":
        return math.exp(sign * _log_uniform((0.01, math.log(2.0)), rng))
    if kind == "late":
        return _log_uniform(LATE_S, rng)
    if kind == "part-of-rows":
        return _log_uniform((0.01, 1.0), rng)
    if kind in ("spikes", "offset", "noise"):
        return sign * _log_uniform(PHYSICAL[channel], rng)
    return 0.0


def _other(channel: str, rng: Generator) -> str:
    alike = [c for c in (LINES if channel in SWITCHES else PHYSICAL) if c != channel]
    return alike[int(rng.integers(len(alike)))]


def _log_uniform(between: tuple[float, float], rng: Generator) -> float:
    return math.exp(float(rng.uniform(math.log(between[0]), math.log(between[1]))))
