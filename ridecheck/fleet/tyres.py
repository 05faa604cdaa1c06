"""From the size written on a tyre to the distance one turn of the wheel covers.

Three ways of writing a size are read:

metric        170/60R17, 180/55ZR17, 130/90-16, 120/70 ZR 17 M/C 58W: section width in mm,
              section height in percent of it, rim in inches.
alphanumeric  MT90B16: the letters stand for a width, the rest as in metric sizes.
inch          2.75-21: section width in inches; the height is taken to be the width.

The overall diameter is rim + 2 x section height. The inch reading is a convention for
narrow tyres only (the real height of such tyres differs by some millimetres); where it
matters, measure, and state ``rolling_circumference_m`` in the model file.
"""

import re
from dataclasses import dataclass

from ridecheck.core.errors import RidecheckError

MM_PER_INCH = 25.4

ROLLING_PER_DIAMETER = 3.05
"""Rolling circumference over overall diameter, 0.971 of pi.

A loaded tyre rolls on a shorter radius than it has when free. 3.05 is common practice for
radials at rated load and 60 km/h, stated here from memory (cross-plies: 2.99 to 3.00). A
fitted wheel should come out between about 0.96 and 1.00 of pi x diameter; how it is
measured is the subject of ISO 9112.
"""

_LETTER_WIDTH_MM = {
    "MH": 80,
    "MJ": 90,
    "MM": 100,
    "MN": 110,
    "MR": 120,
    "MT": 130,
    "MU": 140,
    "MV": 150,
}
"""Width letters of alphanumeric sizes, as published conversion lists agree on them.

MP is left out: the lists give 110 and 120 mm for it. MV85 stands in them beside 150/80 and
150/90; it is read here as written, 85 percent of 150 mm.
"""

_MIDDLE = r"\s*(?:[A-Z]\s?)?[RBD]?\s*-?\s*"
"""Speed letter, construction (radial, belted, diagonal) and hyphen, each optional."""
_TAIL = r"(?:\s*(?:M/C|TL|TT|REINF\.?|[RB]|\(?\d{2,3}\s?[A-Z]?\)?|[HVWZ]))*"
"""What may follow the rim: construction, use, load index with speed letter."""
_METRIC = re.compile(
    r"(?P<width>\d{2,3})\s*/\s*(?P<aspect>\d{2,3})" + _MIDDLE + r"(?P<rim>\d{2})" + _TAIL
)
_ALPHANUMERIC = re.compile(
    r"(?P<letters>M[A-Z])\s*(?P<aspect>\d{2})" + _MIDDLE + r"(?P<rim>\d{2})" + _TAIL
)
_INCH = re.compile(
    r"(?P<width>[1-6](?:\.\d{1,2})?)(?:\s*[A-Z]{0,2}\s*-\s*|\s*[A-Z]{1,2}\s*)(?P<rim>\d{2})" + _TAIL
)


class TyreError(RidecheckError):
    """A tyre size that cannot be read."""


@dataclass(frozen=True, slots=True)
class TyreSize:
    """Section width and height and rim diameter, all in mm."""

    width_mm: float
    height_mm: float
    rim_mm: float

    @property
    def diameter_mm(self) -> float:
        """Overall diameter of the free tyre."""
        return self.rim_mm + 2 * self.height_mm

    @property
    def rolling_circumference_m(self) -> float:
        """Distance of one wheel turn under load, by the usual factor."""
        return ROLLING_PER_DIAMETER * self.diameter_mm / 1000


def parse_tyre(text: str) -> TyreSize:
    """Read a tyre size; TyreError where it cannot be read or cannot be a motorcycle's.

    >>> parse_tyre("130/90-16").diameter_mm
    640.4
    """
    plain = " ".join(text.upper().replace(",", ".").split())
    if found := _METRIC.fullmatch(plain):
        width_mm = float(found["width"])
        size = _size(width_mm, float(found["aspect"]), found["rim"])
    elif found := _ALPHANUMERIC.fullmatch(plain):
        if found["letters"] not in _LETTER_WIDTH_MM:
            raise _unreadable(text, "width letters not known: " + found["letters"])
        width_mm = float(_LETTER_WIDTH_MM[found["letters"]])
        size = _size(width_mm, float(found["aspect"]), found["rim"])
    elif found := _INCH.fullmatch(plain):
        size = _size(float(found["width"]) * MM_PER_INCH, 100.0, found["rim"])
    else:
        raise _unreadable(text, "tyre size not understood")
    if not 350 <= size.diameter_mm <= 900:
        raise _unreadable(text, f"a tyre {size.diameter_mm:.0f} mm high is no motorcycle's")
    return size


def _size(width_mm: float, aspect_percent: float, rim_in: str) -> TyreSize:
    return TyreSize(width_mm, width_mm * aspect_percent / 100, float(rim_in) * MM_PER_INCH)


def _unreadable(text: str, what: str) -> TyreError:
    return TyreError(
        what,
        value=text,
        what_to_do='write it as on the tyre ("170/60R17", "130/90-16", "MT90B16", "2.75-21"), '
        "or state rolling_circumference_m",
    )
