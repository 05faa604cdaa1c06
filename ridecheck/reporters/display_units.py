"""Speeds and distances as a fleet reads them: km/h and km, or mph and miles.

What is judged, stored and handed to programs is metric always; only what people read is
turned, here, and only speeds and distances. The factor is the international mile of
1609.344 m (ISO 80000-3 names km; the mile by the agreement of 1959).
"""

import dataclasses
import re
from typing import Any, TypeVar

from ridecheck.core.units import KM_PER_MILE
from ridecheck.reporters import wording
from ridecheck.trace import StripChannel

IMPERIAL = {"km/h": "mph", "km": "mi"}

SENTENCES = frozenset(
    {
        *(
            "since_repair",
            "models_doubted",
            "because",
            "not_covered",
            "message",
            "evidence_for",
            "against",
        ),
        *("reason", "doubt", "order", "sentences", "what"),
    }
)
"""Fields of records that hold sentences of ours; ids, names and logs are never touched."""

_NUMBER = r"-?\d+(?:\.\d+)?"
_MEASURE = re.compile(
    rf"(?<![\w.])(?P<several>(?:{_NUMBER}(?: to | and | or |, ))*)(?P<last>{_NUMBER}) "
    r"(?P<unit>km/h|km)(?![\w/])"
)

Record = TypeVar("Record")


def sentence(text: str, units: str) -> str:
    """A sentence with its speeds and distances in the fleet's units.

    >>> sentence("fell from 100 to 0 km/h in 1.5 s, 12.5 km after the start", "imperial")
    'fell from 62 to 0 mph in 1.5 s, 7.8 mi after the start'
    """
    return _MEASURE.sub(_turned, text) if units == "imperial" else text


def figure(value: float | None, unit: str = "", *, units: str) -> str:
    """A figure with its unit as the fleet reads it, "" for blank."""
    if units == "imperial" and unit in IMPERIAL and value is not None:
        number = wording.rounded(value / KM_PER_MILE, unit)
        return "" if number is None else f"{number:.1f} {IMPERIAL[unit]}"
    return wording.figure(value, unit)


def far(km: float, *, units: str) -> str:
    """A distance as a reader takes it at a glance: tenths below a hundred, thousands apart.

    >>> far(61.24, units="metric"), far(18204.6, units="metric"), far(100.0, units="imperial")
    ('61.2 km', '18 205 km', '62.1 mi')
    """
    unit, per = ("mi", KM_PER_MILE) if units == "imperial" else ("km", 1.0)
    value = km / per
    digits = f"{value:.1f}" if abs(value) < 100.0 else f"{value:,.0f}".replace(",", " ")
    return f"{digits} {unit}"


def in_units(record: Record, units: str) -> Record:
    """A record with its sentences, and its strips of speed and distance, in these units."""
    turned: Record = _in_units(record, units) if units == "imperial" else record
    return turned


def _in_units(value: Any, units: str) -> Any:
    if isinstance(value, StripChannel):
        return _strip(value)
    if isinstance(value, tuple):
        return tuple(_in_units(item, units) for item in value)
    if not dataclasses.is_dataclass(value) or isinstance(value, type):
        return value
    changed = {}
    for field in dataclasses.fields(value):
        old = getattr(value, field.name)
        new = _sentences(old, units) if field.name in SENTENCES else _in_units(old, units)
        if new is not old:
            changed[field.name] = new
    return dataclasses.replace(value, **changed) if changed else value


def _sentences(value: object, units: str) -> object:
    if isinstance(value, str):
        return sentence(value, units)
    if isinstance(value, tuple):
        return tuple(_sentences(item, units) for item in value)
    return _in_units(value, units)


def _strip(channel: StripChannel) -> StripChannel:
    if channel.unit not in IMPERIAL:
        return channel
    miles = tuple(None if v is None else round(v / KM_PER_MILE, 3) for v in channel.values)
    return dataclasses.replace(channel, unit=IMPERIAL[channel.unit], values=miles)


def _turned(match: re.Match[str]) -> str:
    """Keep the decimals of the sentence, but never less than two figures of a small number."""
    several = re.sub(_NUMBER, lambda m: _miles(m[0]), match["several"])
    return f"{several}{_miles(match['last'])} {IMPERIAL[match['unit']]}"


def _miles(number: str) -> str:
    value = float(number) / KM_PER_MILE
    decimals = len(number.partition(".")[2])
    if not decimals and 0.0 < abs(value) < 10.0:
        decimals = 1
    return f"{value:.{decimals}f}"
