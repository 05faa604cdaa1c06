"""What can be wrong with a bike and what it shows, from schemas/causes.toml."""

import tomllib
from collections.abc import Mapping
from dataclasses import field
from functools import cache
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, ConfigDict, Field, TypeAdapter
from pydantic.dataclasses import dataclass

from ridecheck.bike.checks import Component, checks
from ridecheck.core.resources import shipped

Chance = Annotated[float, Field(ge=0.0, lt=1.0)]


def _read_only(table: Mapping[Any, Any]) -> Mapping[Any, Any]:
    return MappingProxyType(dict(table))


Chances = Annotated[Mapping[str, Chance], AfterValidator(_read_only)]
Weights = Annotated[Mapping[str, Annotated[float, Field(gt=0.0)]], AfterValidator(_read_only)]
_STRICT = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True, config=_STRICT)
class PartFacts:
    """Where a part can be seen at all, and what else suffers when it fails."""

    channels: tuple[str, ...]
    also_serves: tuple[str, ...]


@dataclass(frozen=True, slots=True, config=_STRICT)
class Sign:
    """Something a log can show: findings of a rule, or a switch that was never on.

    channels: only findings that name one of them. fits: only in rides whose log fits
    another model of the fleet (True), or none (False). pulses: so many must be logged
    together for the sign to show.
    """

    id: str
    tells: str
    rule: str = ""
    never_on: str = ""
    channels: tuple[str, ...] = ()
    fits: bool | None = None
    pulses: Annotated[int, Field(ge=1)] = 1
    false_per_ride: Annotated[float, Field(gt=0.0, lt=1.0)] = 0.0003


@dataclass(frozen=True, slots=True, config=_STRICT)
class Cause:
    """One failure mode; see the head of schemas/causes.toml for the fields.

    part "" is something that is no fault of the bike. weight is how often it is met.
    """

    id: str
    part: Component | Literal[""]
    name: str
    frequency: str
    shows: Chances
    share: Annotated[float, Field(gt=0.0, le=1.0)] = 1.0
    steady: bool = False
    danger: bool = False
    pulse_s: Annotated[float, Field(ge=0.0)] = 0.0
    per_hour: Annotated[float, Field(gt=0.0)] = 4.0
    cancels: Chance = 0.0
    cancels_as: tuple[str, ...] = ()
    cancels_silent: Chance = 0.0
    found_by: Chances = field(default_factory=dict)
    weight: float = 0.0

    def found_chance(self, check_id: str) -> float:
        """Chance that a check shows this cause if it is there; 0.0 if it looks elsewhere."""
        if check_id in self.found_by:
            return self.found_by[check_id]
        return checks()[check_id].sensitivity(self.part, intermittent=not self.steady)


@dataclass(frozen=True, slots=True, config=_STRICT)
class MovedBy:
    """An event that moves priors: by factors (times), or to a share of all causes."""

    kind: Literal["modification", "wash", "rain"]
    words: tuple[str, ...]
    within_days: Annotated[int, Field(gt=0)]
    throttle: Literal["cable", "by_wire", ""] = ""
    times: Weights = field(default_factory=dict)
    share: Chances = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Knowledge:
    """Everything in schemas/causes.toml. cancels: cause of a cancel -> channels that show it."""

    parts: Mapping[str, PartFacts]
    signs: Mapping[str, Sign]
    cancels: Mapping[str, tuple[str, ...]]
    causes: Mapping[str, Cause]
    moved_by: tuple[MovedBy, ...]

    def of_part(self, part: str) -> tuple[Cause, ...]:
        """The causes that lie in a part."""
        return tuple(c for c in self.causes.values() if c.part == part)


@cache
def knowledge() -> Knowledge:
    """The shipped causes. A mistake in the file is a fault of the program: ValueError."""
    table = tomllib.loads(shipped("schemas", "causes.toml").read_text("utf-8"))
    per_year = table["frequency"]
    causes = {
        name: Cause(id=name, weight=per_year[entry["frequency"]] * entry.get("share", 1.0), **entry)
        for name, entry in table["causes"].items()
    }
    found = Knowledge(
        parts=MappingProxyType({k: PartFacts(**v) for k, v in table["parts"].items()}),
        signs=MappingProxyType({k: Sign(id=k, **v) for k, v in table["signs"].items()}),
        cancels=MappingProxyType({k: tuple(v) for k, v in table["cancels"].items()}),
        causes=MappingProxyType(causes),
        moved_by=TypeAdapter(tuple[MovedBy, ...]).validate_python(table["moved_by"]),
    )
    _refuse_unknown_names(found)
    return found


def _refuse_unknown_names(known: Knowledge) -> None:
    """Every name that one entry uses of another must exist."""
    for cause in known.causes.values():
        _among(cause.id, cause.shows, known.signs)
        _among(cause.id, cause.cancels_as, known.cancels)
        _among(cause.id, cause.found_by, checks())
        _among(cause.id, [cause.part] if cause.part else [], known.parts)
    for sign in known.signs.values():
        if bool(sign.rule) == bool(sign.never_on):
            raise ValueError(f"causes.toml: {sign.id} needs either a rule or never_on")
    for move in known.moved_by:
        _among(f"moved_by {move.kind}", [*move.times, *move.share], known.causes)


def _among(where: str, names: Any, known: Mapping[str, Any]) -> None:
    unknown = [n for n in names if n not in known]
    if unknown:
        raise ValueError(f"causes.toml: {where} names {', '.join(unknown)}, which is not there")
