"""What the tables of all fleet files share: strictness, plain text, words for what is wrong."""

import re
import unicodedata
from collections.abc import Iterable, Sequence
from typing import Annotated, Any
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from ridecheck.core.names import nearest_name

BIKE_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
"""What a bike may be called: its file's name without ``.toml``."""
BIKE_ID_RULE = "1 to 32 of A-Z a-z 0-9 _ -, the first a letter or digit"

NOT_PRINTED = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
"""Control characters, line separators, and marks that turn the writing direction."""
_LONGEST_LINE = 300


class Table(BaseModel):
    """A TOML table: no unknown keys, no guessing of types, nothing changed later.

    A whole number is accepted where a number is wanted; infinity and NaN are not.
    """

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def wrong(
    what: str, allowed: str = "", *, nearest: str = "", at: Sequence[str | int] = ()
) -> PydanticCustomError:
    """What a validator raises; ``at`` leads on from its own field to the value meant."""
    said = {"what": what, "allowed": allowed, "nearest": nearest, "at": tuple(at)}
    return PydanticCustomError("mistake", "{what}", said)


def one_of(names: Iterable[str], *, empty: str = "none are known here") -> str:
    """The allowed names in a sentence."""
    listed = ", ".join(names)
    return f"allowed: {listed}" if listed else empty


def as_tuple(value: Any) -> Any:
    """TOML knows lists only; frozen tables keep tuples."""
    return tuple(value) if isinstance(value, list) else value


def is_one_line(text: str) -> bool:
    """Whether pages can show a text as it is: at most 300 characters, none of control."""
    return len(text) <= _LONGEST_LINE and not NOT_PRINTED.search(text)


def is_printed(text: str) -> bool:
    """Whether a text over several lines holds nothing of control but its line ends and tabs."""
    return not any(NOT_PRINTED.search(line) for line in text.replace("\t", " ").split("\n"))


def is_visible(name: str) -> bool:
    """Whether a name can be read: a letter in it, and no mark that takes no room."""
    marks = any(unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Cn") for c in name)
    return not marks and any(unicodedata.category(c)[0] == "L" for c in name)


def _one_line(text: str) -> str:
    if not is_one_line(text):
        raise wrong("not plain text on one line", "at most 300 characters, none of control")
    return text


OneLine = Annotated[str, Field(max_length=_LONGEST_LINE), AfterValidator(_one_line)]
"""Text as pages show it: at most 300 characters on one line."""
Lines = Annotated[tuple[OneLine, ...], BeforeValidator(as_tuple)]


def _time_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        near = nearest_name(name, available_timezones())
        raise wrong(
            "time zone not known", 'a zone such as "UTC", "Europe/Rome"', nearest=near
        ) from None
    return name


TimeZone = Annotated[str, AfterValidator(_time_zone)]
"""A name of the time zone database."""
