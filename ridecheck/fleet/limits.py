"""The thresholds that fleet files may set, and the ones they may not loosen."""

from collections.abc import Iterator, Mapping

from ridecheck.core.model import Cruise
from ridecheck.core.names import nearest_name
from ridecheck.core.strict_toml import one_of
from ridecheck.core.thresholds import Limit
from ridecheck.fleet.files import Thresholds
from ridecheck.fleet.mistakes import Mistake
from ridecheck.fleet.source import Source

KnownLimits = Mapping[str, Mapping[str, Limit]]
"""Rule id -> threshold name -> what it is."""


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
            elif not limit.accepts(value, base := limit.default_for(cruise)):
                loosens = limit.loosens(value, than=base)
                yield source.mistake(
                    path,
                    "it loosens a danger rule" if loosens else "it could make a danger rule blind",
                    allowed=_allowed(limit, base),
                )


def _allowed(limit: Limit, base: float) -> str:
    """What may be set, the bound that keeps the rule from being loosened first."""
    least, most = limit.allowed(base)
    if least == most:
        return f"{base:g} {limit.unit} alone".replace("  ", " ")
    bounds = [
        f"at most {most:g} {limit.unit}".rstrip(),
        f"at least {least:g} {limit.unit}".rstrip(),
    ]
    return " and ".join(bounds if limit.loosened_by == "raising" else reversed(bounds))
