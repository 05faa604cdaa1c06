"""The channels a log can be mapped onto, from schemas/channels.toml."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Literal

from ridecheck.core.resources import shipped

ChannelKind = Literal["number", "integer", "switch"]


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel: unit as stored, plausible range, longest hold in seconds."""

    name: str
    kind: ChannelKind
    unit: str
    meaning: str
    max_hold_s: float
    minimum: float | None = None
    maximum: float | None = None


@cache
def channels() -> Mapping[str, Channel]:
    """All channels by name, in the file's order; ``time`` is not among them."""
    table = tomllib.loads(shipped("schemas", "channels.toml").read_text("utf-8"))
    return MappingProxyType({name: Channel(name=name, **entry) for name, entry in table.items()})


BRAKES = ("front_brake", "rear_brake")
SPOKEN = {
    "roll_off": "throttle-closed switch",
    "abs_active": "ABS",
    "gps_speed": "GPS speed",
    "switch_power": "main switch",
    "switch_set": "set button",
    "switch_resume": "resume button",
    "switch_cancel": "cancel button",
}
"""Channels whose code is not what people say."""


def channel_name(channel: str) -> str:
    """A channel as a sentence names it.

    >>> channel_name("front_brake"), channel_name("roll_off")
    ('front brake', 'throttle-closed switch')
    """
    return SPOKEN.get(channel, channel.replace("_", " "))


PANEL = {
    "power": "switch_power",
    "set": "switch_set",
    "resume": "switch_resume",
    "cancel": "switch_cancel",
}
