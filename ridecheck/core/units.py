"""Units of logged values: exact factors, and the spellings people use for them.

The factors are definitions, not measurements: the international mile is 1609.344 m and
the foot 0.3048 m (international yard and pound agreement, 1959), the nautical mile 1852 m
(1929), standard gravity 9.80665 m/s2 (1901), the pound 0.45359237 kg; psi follows from
the last three.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from ridecheck.core.errors import RidecheckError
from ridecheck.core.names import nearest_names

KM_PER_MILE = 1.609344
KM_PER_NAUTICAL_MILE = 1.852
M_PER_FOOT = 0.3048
STANDARD_GRAVITY = 9.80665
KPA_PER_PSI = 0.45359237 * STANDARD_GRAVITY / (M_PER_FOOT / 12) ** 2 / 1000


class UnitError(RidecheckError):
    """A unit that is not known, or does not fit what is measured."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: value x scale + offset gives the value in the dimension's first unit.

    spellings: other ways of writing it; how they are compared says ``_plain``.
    """

    name: str
    scale: float
    offset: float = 0.0
    spellings: tuple[str, ...] = ()


_DIMENSIONS: tuple[tuple[Unit, ...], ...] = (
    (
        Unit("km/h", 1.0, spellings=("kph", "kmh", "kmph", "km/hr", "km/hour")),
        Unit("mph", KM_PER_MILE, spellings=("mi/h", "mile/h", "miles/h", "miles/hour")),
        Unit("m/s", 3.6, spellings=("m/sec", "mps")),
        Unit("knots", KM_PER_NAUTICAL_MILE, spellings=("kn", "knot", "kt", "kts")),
    ),
    (
        Unit("rpm", 1.0, spellings=("1/min", "r/min", "rev/min", "min-1", "min^-1", "/min")),
        Unit("Hz", 60.0, spellings=("hertz", "1/s", "rev/s", "r/s", "rps")),
    ),
    (
        Unit("V", 1.0, spellings=("volt", "volts")),
        Unit("mV", 0.001, spellings=("millivolt", "millivolts")),
    ),
    (
        Unit("kPa", 1.0, spellings=("kilopascal", "kilopascals")),
        Unit("bar", 100.0, spellings=("bars",)),
        Unit("psi", KPA_PER_PSI, spellings=("lbf/in2", "lbf/in^2", "lb/in2")),
        Unit("mbar", 0.1, spellings=("millibar", "hpa")),
        Unit("MPa", 1000.0, spellings=("megapascal", "megapascals")),
    ),
    (
        Unit("degC", 1.0, spellings=("c", "celsius", "degreesc", "degcelsius")),
        Unit("degF", 5 / 9, -160 / 9, spellings=("f", "fahrenheit", "degreesf", "degfahrenheit")),
        Unit("K", 1.0, -273.15, spellings=("kelvin", "degk")),
    ),
    (Unit("%", 1.0, spellings=("percent", "pct", "per cent")),),
    (
        Unit("m", 1.0, spellings=("metre", "metres", "meter", "meters")),
        Unit("km", 1000.0, spellings=("kilometre", "kilometres", "kilometer", "kilometers")),
        Unit("mi", 1000 * KM_PER_MILE, spellings=("mile", "miles")),
        Unit("ft", M_PER_FOOT, spellings=("foot", "feet")),
    ),
    (
        Unit("degrees", 1.0, spellings=("deg", "degree")),
        Unit("rad", math.degrees(1.0), spellings=("radian", "radians")),
    ),
    (
        Unit("degrees/s", 1.0, spellings=("deg/s", "deg/sec", "degree/s", "dps")),
        Unit("rad/s", math.degrees(1.0), spellings=("rad/sec", "radians/s")),
    ),
    (
        Unit("m/s2", 1.0, spellings=("m/s^2", "m/s/s", "m/sec2", "m/sec^2")),
        Unit("g", STANDARD_GRAVITY, spellings=("gn", "g0")),
    ),
)


def to_channel_unit(unit_text: str, channel_unit: str) -> tuple[float, float]:
    """Scale and offset that turn a value in ``unit_text`` into ``channel_unit``.

    value x scale + offset. Spelling is taken generously: case, blanks, brackets, the
    degree sign and the raised 2 do not matter. UnitError where the unit is not known or
    measures something else; the nearest names are offered.

    >>> to_channel_unit("mph", "km/h")
    (1.609344, 0.0)
    """
    fitting = units_for(channel_unit)
    known = {_plain(s): u for u in fitting for s in (u.name, *u.spellings)}
    source, target = known.get(_plain(unit_text)), known.get(_plain(channel_unit))
    if source is None or target is None:
        raise _no_such_unit(unit_text, fitting)
    scale, offset = source.scale / target.scale, (source.offset - target.offset) / target.scale
    return scale, offset


def units_for(channel_unit: str) -> tuple[Unit, ...]:
    """All units of the same dimension; empty for a unit no channel is stored in."""
    return _by_spelling().get(_plain(channel_unit), ())


@cache
def _by_spelling() -> Mapping[str, tuple[Unit, ...]]:
    """Every spelling of every unit, to the units of its dimension."""
    return MappingProxyType(
        {
            _plain(spelling): dimension
            for dimension in _DIMENSIONS
            for unit in dimension
            for spelling in (unit.name, *unit.spellings)
        }
    )


def _plain(text: str) -> str:
    """A unit as compared: no case, blanks, brackets; degree sign and raised 2 as letters."""
    text = text.strip().strip("[]()").casefold().replace("²", "2").replace("°", "deg")
    return "".join(text.split()).replace("_", "").replace("·", "")


def _no_such_unit(unit_text: str, fitting: tuple[Unit, ...]) -> UnitError:
    names = {_plain(s): u.name for u in fitting for s in (u.name, *u.spellings)}
    near = [names[m] for m in nearest_names(_plain(unit_text), names)]
    allowed = "allowed: " + ", ".join(u.name for u in fitting) if fitting else "it has no unit"
    measures_other = _plain(unit_text) in _by_spelling()
    return UnitError(
        "this unit measures something else" if measures_other else "unit not known",
        value=unit_text,
        what_to_do=allowed + (f"; did you mean {near[0]}?" if near and not measures_other else ""),
    )
