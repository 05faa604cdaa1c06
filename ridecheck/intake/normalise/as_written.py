"""Time cells as loggers write them, brought to what their format says.

Milliseconds without leading zeros are known by their pattern: read as decimals the time
steps back every second, read as counts it never does.
"""

import re
from collections.abc import Callable

import numpy as np
import polars as pl
from numpy.typing import NDArray

Micros = NDArray[np.int64]

_FRACTION = r"[.,](\d{1,3})(?:Z|[+-]\d\d:?\d\d)?$"
_SHORT = (
    (r"([.,])(\d)((?:Z|[+-]\d\d:?\d\d)?)$", "${1}00${2}${3}"),
    (r"([.,])(\d\d)((?:Z|[+-]\d\d:?\d\d)?)$", "${1}0${2}${3}"),
)
_WIDTHS = {"Y": 4, "y": 2, "m": 2, "d": 2, "H": 2, "I": 2, "M": 2, "S": 2}
_SPEC = re.compile(r"%([-_0]?)(\.?\d*[A-Za-z%+])")


def with_padded_milliseconds(
    cells: pl.Series, micros_of: Callable[[pl.Series], Micros]
) -> pl.Series:
    """The cells with milliseconds of three digits, where that is what they are."""
    text = cells.str.strip_chars()
    digits = text.str.extract(_FRACTION)
    lengths = digits.str.len_chars()
    begun = digits.filter((lengths > 1) & digits.str.starts_with("0"))
    shortest, longest = lengths.min(), lengths.max()
    if longest != 3 or shortest == 3 or len(begun):
        return cells
    padded = text
    for pattern, with_zeros in _SHORT:
        padded = padded.str.replace(pattern, with_zeros)
    return padded if steps_back(micros_of(padded)) == 0 else cells


def steps_back(micros: Micros) -> int:
    """How often the time steps back, rows without a time left out."""
    known = micros[micros != np.iinfo(np.int64).min]
    return int((np.diff(known) < 0).sum())


def of_full_width(text: pl.Series, fmt: str) -> pl.Series:
    """Cells whose digits are as many as the pattern asks for; others become null.

    Digits that stand together are reported apart by their number alone: "10125" by "%d%m%y" is
    the 10th of December or the 1st of January.
    """
    if not re.search(r"%[-_0]?[YymdHIMS]%[-_0]?[YymdHIMS]", fmt):
        return text
    pattern, at, before = "", 0, False
    specs = list(_SPEC.finditer(fmt))
    for number, spec in enumerate(specs):
        pattern += re.escape(fmt[at : spec.start()])
        follows = number + 1 < len(specs) and specs[number + 1].start() == spec.end()
        joined = (before and spec.start() == at) or follows
        width = _WIDTHS.get(spec.group(2))
        exact = f"\\d{{{width}}}" if joined else "\\d+"
        pattern += ".*?" if width is None else exact
        at, before = spec.end(), width is not None
    pattern += re.escape(fmt[at:])
    fits = text.str.contains(rf"^\s*{pattern}\s*$")
    return text.set(~fits.fill_null(value=False), None)
