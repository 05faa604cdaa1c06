"""The draft of a layout in the making."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.catalog import channels
from ridecheck.core.units import UnitError, to_channel_unit
from ridecheck.setup.propose import relations as rel
from ridecheck.setup.propose.columns import Column

Floats = NDArray[np.float64]

NAME_ONLY = 0.8
"""How sure a name alone makes."""
BOTH = 0.97
"""... a name that the values confirm."""
RELATION = 0.9
"""... the values alone."""
LEAST_RIDING_S = 60.0
"""In less riding than this nothing is drafted by what it does: chance looks like habit."""
MOVING_SHARE, GAP_S = 0.1, 5.0


@dataclass(frozen=True, slots=True)
class Mapped:
    """One channel of the draft: its column, further keys, how sure, and why."""

    channel: str
    column: str
    keys: Mapping[str, object]
    sure: float
    why: str


@dataclass(frozen=True, slots=True)
class Draft:
    """What was decided, what is asked, what is left out."""

    mapped: tuple[Mapped, ...]
    questions: tuple[str, ...]
    left_out: tuple[str, ...]


@dataclass(slots=True)
class Work:
    """The draft in the making."""

    columns: dict[str, Column]
    t_s: Floats
    mapped: dict[str, Mapped] = field(default_factory=dict)
    asked: dict[str, str] = field(default_factory=dict)
    speed: Column | None = None
    engine: Column | None = None
    ladder: rel.Ladder | None = None
    move: rel.Motion | None = None
    speed_unit: str = ""

    @property
    def riding_s(self) -> float:
        """How long the bike rides in this log; 0.0 where no speed is known yet."""
        speed = None if self.speed is None else self.speed.numbers
        if speed is None or len(speed) != len(self.t_s):
            return 0.0
        step_s = np.diff(self.t_s, append=self.t_s[-1])
        moving = speed > MOVING_SHARE * np.nanmax(speed, initial=0.0)
        return float(step_s[moving & (step_s > 0) & (step_s < GAP_S)].sum())

    def free(self) -> list[Column]:
        """Columns that are neither mapped nor asked about."""
        taken = {m.column for m in self.mapped.values()} | set(self.asked)
        return [c for name, c in self.columns.items() if name not in taken]

    def put(self, channel: str, column: Column, sure: float, why: str, **keys: object) -> None:
        """Map a column."""
        self.mapped[channel] = Mapped(channel, column.name, keys, sure, why)

    def ask(self, column: Column, question: str) -> None:
        """Leave a column out and ask."""
        self.asked[column.name] = f'column "{column.name}": {question}'


def title(channel: str) -> str:
    """A channel as people read it."""
    return channel.replace("_", " ")


def unit_key(unit: str, channel: str) -> dict[str, object]:
    """The layout's key for a unit; none where it is the channel's own."""
    try:
        same = to_channel_unit(unit, channels()[channel].unit) == (1.0, 0.0)
    except UnitError:
        same = False
    return {} if same else {"unit": unit}
