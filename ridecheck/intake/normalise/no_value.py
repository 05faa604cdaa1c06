"""Numbers that mean "no value": the highest codes of a field, by range and resolution.

Field buses keep the top codes of a field for "error" and "not available": in SAE J1939-71
FE and FF of a byte, FE00 to FFFF of two bytes, 10 and 11 of a two-bit switch (10, "error",
is left to the layout: it may be a third state). On-board
diagnostics (SAE J1979) have no such codes, but loggers fill a field that was not answered
with ones. 65520 is a 12-bit converter's full scale shifted up by four (from memory).

A number is taken for such a code only where it cannot be the signal: nothing lies between it
and the channel's other values, which a wheel or an engine would have to pass through.
"""

from collections.abc import Mapping

import polars as pl

from ridecheck.core.catalog import Channel

ALL_ONES = (254.0, 255.0, 32767.0, 65520.0, 65534.0, 65535.0, 2147483647.0, 4294967295.0)
"""Raw numbers that fields filled with ones give; -32768 is the signed one's other end."""
SIGNED = -32768.0
NOT_AVAILABLE_SWITCH = frozenset({"3", "254", "255"})
"""Beside 0 and 1, and no other word, of a switch: all ones of two bits or a byte."""
APART = 0.8
"""Of the lowest code: a signal that reaches it has been above this share of it too."""

_CODES: Mapping[str, tuple[float, float, float]] = {
    "km/h": (APART * 254.0, 254.0, 256.0),  # FE, FF of whole km/h; FE00 to FFFF of 1/256 km/h
    "rpm": (APART * 8128.0, 8128.0, 8191.875),  # FE00 to FFFF of 0.125 rpm
    "%": (100.5, 101.55, 102.05),  # FE, FF of 0.4 %: a plate's full opening lies below
    "km": (APART * 65534.0, 65534.0, 65535.0),
}
"""Channel's unit -> from where nothing may lie below the codes, their lowest and highest."""


def is_no_value(raw: pl.Series, values: pl.Series, channel: Channel) -> pl.Series | None:
    """Which values of a channel are codes for "no value"; None where none is.

    raw: as the file has them; values: in the channel's unit. Null stays null (not True).
    """
    out_of_range = ~values.is_between(channel.minimum, channel.maximum)
    codes = out_of_range & raw.is_in([*ALL_ONES, SIGNED])
    if channel.unit in _CODES:
        free_from, low, high = _CODES[channel.unit]
        within = values.is_between(low, high)
        between = values.is_between(free_from, low, closed="left")
        if bool(within.any()) and not bool(between.any()):
            codes |= within
    codes = codes.fill_null(value=False)
    return codes if bool(codes.any()) else None


def is_no_level(raw: pl.Series, on_above: float) -> pl.Series | None:
    """The same for a voltage or number that a switch is worked out from.

    Full scale may be the switch's own "on": it is a code only beside other levels for on.
    """
    codes = raw.is_in([c for c in ALL_ONES if c > on_above]).fill_null(value=False)
    if not bool(codes.any()):
        return None
    lowest = float(raw.filter(codes).min())  # type: ignore[arg-type]
    others = raw.filter(~codes & raw.is_not_null())
    is_on = others > on_above
    if not bool(is_on.any()) or bool((others > APART * lowest).any()):
        return None
    return codes
