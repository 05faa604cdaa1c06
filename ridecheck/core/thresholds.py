"""Limits that decide a verdict: each with its unit, the reason for its value and its source."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any, Literal, cast

from ridecheck.core.model import Cruise, LimitUsed, Override, SetBy

TIGHTENED = 2.0
"""By this factor a danger rule's limit may be tightened where its declaration says no other."""
Blinding = Literal["raising", "lowering", ""]
"""Which change of a limit makes a danger rule blinder."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit as fleet files may set it.

    model: the key of the model file whose figure is the default where no file sets another
    ("cruise.cancel_within_s"). shared: the name of the definition several rules share, which
    it follows likewise. loosened_by: which change makes a danger rule blinder; such a change
    is refused as a mistake, and so is one the other way beyond tightest: a limit that is far
    too tight makes a rule blind too. Where no way is named, a danger rule's limit stays.
    """

    default: float
    unit: str = ""
    reason: str = ""
    source: str = ""
    model: str = ""
    shared: str = ""
    loosened_by: Blinding = ""
    tightest: float | None = None
    danger: bool = False

    def allowed(self, base: float) -> tuple[float, float]:
        """From where to where a file may set it. base: its value where no file does."""
        if not self.danger:
            return -math.inf, math.inf
        if not self.loosened_by:
            return base, base
        raising = self.loosened_by == "raising"
        far = self.tightest
        if far is None:
            far = base * (1 / TIGHTENED if raising else TIGHTENED)
        return (min(far, base), base) if raising else (base, max(far, base))

    def accepts(self, value: float, base: float) -> bool:
        """Whether a file may set this value."""
        least, most = self.allowed(base)
        return least <= value <= most

    def loosens(self, value: float, *, than: float) -> bool:
        """Whether a value makes a danger rule blinder than another value would."""
        return self.danger and (
            (self.loosened_by == "raising" and value > than)
            or (self.loosened_by == "lowering" and value < than)
        )

    def default_for(self, cruise: Cruise | None) -> float:
        """The value where nobody sets one: the model's figure, where the limit names one."""
        table, _, key = self.model.partition(".")
        if cruise is None or table != "cruise":
            return self.default
        return float(getattr(cruise, key))


def threshold(
    default: float,
    unit: str,
    reason: str,
    *,
    source: str = "",
    model: str = "",
    loosened_by: Blinding = "",
    tightest: float | None = None,
) -> Any:
    """A field of a table of limits, with its unit and the reason for its value; see Limit."""
    return field(
        default=default,
        metadata={
            "unit": unit,
            "reason": reason,
            "source": source,
            "model": model,
            "shared": "",
            "loosened_by": loosened_by,
            "tightest": tightest,
        },
    )


def shared(table: type, name: str, **changes: str | float) -> Any:
    """A field that follows a limit of a table which several rules share.

    changes: what is said of it otherwise, as its reason.
    """
    own = next(f for f in fields(table) if f.name == name)
    return field(default=own.default, metadata={**own.metadata, "shared": name, **changes})


def limits_in(table: type, *, danger: bool) -> Mapping[str, Limit]:
    """The limits of a table by name."""
    return {
        f.name: Limit(default=float(cast("float", f.default)), danger=danger, **f.metadata)
        for f in fields(table)
    }


def in_force(
    table: type,
    *,
    danger: bool,
    overrides: Mapping[str, Override],
    cruise: Cruise,
    shared_used: Mapping[str, LimitUsed] = MappingProxyType({}),
) -> tuple[Any, tuple[LimitUsed, ...]]:
    """The values of a table of limits for one bike, and who set each.

    The default, then the shared definition or the model's figure, then the nearest override.
    shared_used: the shared definitions in force, by name.
    An override that could make a danger rule blinder is not used; loading the fleet refuses
    it too, so this only guards settings made by hand.
    """
    values: dict[str, float] = {}
    used: list[LimitUsed] = []
    for name, limit in limits_in(table, danger=danger).items():
        set_by: SetBy = "model" if limit.model else "rule"
        value = limit.default_for(cruise)
        if limit.shared in shared_used:
            value, set_by = shared_used[limit.shared].value, shared_used[limit.shared].origin
        override = overrides.get(name)
        if override is not None and limit.accepts(override.value, value):
            value, set_by = override.value, override.origin
        values[name] = value
        used.append(LimitUsed(name, value, limit.unit, set_by))
    return table(**values), tuple(used)
