"""The bench and roadside checks a person can do next, from schemas/checks.toml."""

import tomllib
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Annotated, Literal, NamedTuple

from pydantic import AfterValidator, ConfigDict, Field, StringConstraints
from pydantic.dataclasses import dataclass

from ridecheck.core.resources import shipped

Component = Literal[
    "front_brake_switch",
    "rear_brake_switch",
    "roll_off_switch",
    "clutch_switch",
    "speed_sensor",
    "engine_speed_signal",
    "gear_sensor",
    "panel_switches",
    "supply",
    "control_unit",
    "actuator",
    "clutch_plates",
    "tyre_or_final_drive",
    "wrong_model",
    "logger",
]
"""What can be suspected."""

Chance = Annotated[float, Field(ge=0.0, lt=1.0)]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


class Sensitivity(NamedTuple):
    """Chance that a check shows a fault that is there; from judgement, never 1."""

    steady: Chance
    intermittent: Chance


def _read_only(table: Mapping[Component, Sensitivity]) -> Mapping[Component, Sensitivity]:
    return MappingProxyType(dict(table))


Finds = Annotated[Mapping[Component, Sensitivity], Field(min_length=1), AfterValidator(_read_only)]


@dataclass(frozen=True, slots=True, config=ConfigDict(extra="forbid"))
class Meaning:
    """One result of a check and what it means."""

    seen: Text
    then: Text


@dataclass(frozen=True, slots=True, config=ConfigDict(extra="forbid"))
class Check:
    """One check; see the head of schemas/checks.toml for the fields.

    cautions are the sentences themselves here, at least one, printed with the check
    wherever it is reported.
    """

    id: Annotated[str, StringConstraints(pattern=r"^[a-z]+(-[a-z0-9]+)*$")]
    name: Text
    finds: Finds
    tools: tuple[Text, ...]
    minutes: Annotated[int, Field(gt=0, le=120)]
    access: Annotated[int, Field(ge=1, le=5)]
    how: Text
    means: Annotated[tuple[Meaning, ...], Field(min_length=1)]
    cautions: Annotated[tuple[Text, ...], Field(min_length=1)]
    standing: bool = True

    @property
    def caution(self) -> str:
        """All cautions as one text."""
        return " ".join(self.cautions)

    def sensitivity(self, part: str, *, intermittent: bool) -> float:
        """Chance of showing a fault of a part; 0.0 where the check does not look at it."""
        for name, chances in self.finds.items():
            if name == part:
                return chances.intermittent if intermittent else chances.steady
        return 0.0


@cache
def checks() -> Mapping[str, Check]:
    """Every check by id, in the file's order.

    Raises KeyError where a check names a caution that is not in the file, and
    pydantic.ValidationError where an entry is wrong: both are faults of the program.
    """
    table = tomllib.loads(shipped("schemas", "checks.toml").read_text("utf-8"))
    sentences = table.pop("cautions")
    found = {}
    for name, entry in table.items():
        cautions = tuple(sentences[key] for key in entry.pop("cautions"))
        found[name] = Check(id=name, cautions=cautions, **entry)
    return MappingProxyType(found)
