"""How a layout may say its time column is written."""

import re
import warnings
from datetime import UTC, datetime, time

import polars as pl

from ridecheck.core.names import nearest_name
from ridecheck.core.strict_toml import one_of, wrong

TIME_WORDS = (
    "seconds",
    "milliseconds",
    "epoch_seconds",
    "epoch_milliseconds",
    "epoch_microseconds",
    "epoch_nanoseconds",
    "day_number",
    "iso8601",
)
_ALLOWED = one_of(TIME_WORDS) + ', or a pattern such as "%Y-%m-%d %H:%M:%S%.f"'

# 16:10:07 in the afternoon of a day whose number is no month: mixed-up letters show.
_PROBE = datetime(2026, 5, 23, 16, 10, 7, tzinfo=UTC)


def check_time_format(text: str) -> str:
    """The format itself, where it is a known word or a pattern that gives a time of day."""
    if text in TIME_WORDS:
        return text
    if "%" not in text:
        raise wrong("not a time format", _ALLOWED, nearest=nearest_name(text, TIME_WORDS))
    if found := re.search(r"(?<!%)(?:%%)*(?P<point>\.?)%f", text):
        right = text[: found.start("point")] + "%.f" + text[found.end() :]
        raise wrong("%f does not mean fractions of a second here", f'write "{right}"')
    if re.search(r"(?<!%)(?:%%)*%Z", text):
        raise wrong(
            "%Z, the name of a zone, is not read: such names are not unique",
            "%z for an offset such as +0200; else the name as it stands and time_zone in [file]",
        )
    read = _read_back(text)
    if read is None:
        raise wrong("not a pattern that can be read", _ALLOWED)
    if (read.hour, read.minute) != (_PROBE.hour, _PROBE.minute):
        raise wrong("the pattern holds no time of day", "%H and %M, or %I, %M and %p")
    return text


def _read_back(pattern: str) -> time | None:
    """The time of day of a known instant, written in a pattern and read again; None: it fails."""
    probe = pl.Series([_PROBE])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            written = probe.dt.strftime(pattern)
            instant = written.str.to_datetime(pattern, strict=False)[0]
            daytime = written.str.to_time(pattern, strict=False)[0] if instant is None else None
        except pl.exceptions.PolarsError:
            return None
    if isinstance(instant, datetime):
        return instant.time()
    return daytime if isinstance(daytime, time) else None
