"""The thresholds that fleet files may set, and the ones they may not loosen."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Protocol

from ridecheck.core.model import Cruise
from ridecheck.core.strict_toml import nearest_name, one_of
from ridecheck.fleet.files import Thresholds
from ridecheck.fleet.mistakes import Mistake
from ridecheck.fleet.source import Source


class Limit(Protocol):
    """What a fleet file has to know of a rule's threshold.

    model names the key of the model file whose figure is the default ("" for none).
    loosened_by: "raising", "lowering" or "" says which way makes the rule blinder.
    """

    @property
    def default(self) -> float: ...  # noqa: D102
    @property
    def unit(self) -> str: ...  # noqa: D102
    @property
    def loosened_by(self) -> str: ...  # noqa: D102
    @property
    def danger(self) -> bool: ...  # noqa: D102
    @property
    def model(self) -> str: ...  # noqa: D102


KnownLimits = Mapping[str, Mapping[str, Limit]]
"""Rule id -> threshold name -> what it is."""


@dataclass(frozen=True, slots=True)
class LimitInfo:
    """A plain Limit."""

    default: float
    unit: str = ""
    loosened_by: str = ""
    danger: bool = False
    model: str = ""


def default_of(limit: Limit, cruise: Cruise | None) -> float:
    """The value where nobody sets one: the model's figure, where the limit names one."""
    table, _, key = limit.model.partition(".")
    if cruise is None or table != "cruise":
        return limit.default
    return float(getattr(cruise, key))


def loosens(limit: Limit, value: float, *, than: float) -> bool:
    """Whether a value makes a danger rule blinder than another value would."""
    if not limit.danger:
        return False
    return (limit.loosened_by == "raising" and value > than) or (
        limit.loosened_by == "lowering" and value < than
    )


def threshold_mistakes(
    source: Source, thresholds: Thresholds, known: KnownLimits, *, cruise: Cruise | None
) -> Iterator[Mistake]:
    """Unknown rules, unknown thresholds, and danger rules made blinder, in one file.

    cruise: the model's figures where the file belongs to one model, else None.
    """
    for rule, values in thresholds.items():
        if rule not in known:
            near = nearest_name(rule, known)
            yield source.mistake(
                ("thresholds", rule),
                "no such rule",
                allowed="ridecheck explain lists them",
                nearest=near,
            )
            continue
        for name, value in values.items():
            path = ("thresholds", rule, name)
            limit = known[rule].get(name)
            if limit is None:
                near = nearest_name(name, known[rule])
                allowed = one_of(known[rule], empty="this rule has none")
                yield source.mistake(path, "no such threshold", allowed=allowed, nearest=near)
            elif loosens(limit, value, than=(base := default_of(limit, cruise))):
                most = "at most" if limit.loosened_by == "raising" else "at least"
                yield source.mistake(
                    path,
                    "it loosens a danger rule",
                    allowed=f"{most} {base:g} {limit.unit}".rstrip(),
                )
