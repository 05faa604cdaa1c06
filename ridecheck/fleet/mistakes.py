"""A mistake in a fleet file: which file and line, which key and value, what would be right."""

import json
from dataclasses import dataclass
from datetime import date, time

from ridecheck.core.strict_toml import NOT_PRINTED

_LONGEST_VALUE = 60
_LONGEST_INT_BITS = 10_000


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing that is wrong in one fleet file.

    file: path under the fleet folder, with slashes. line: from 1. key: dotted, "" where
    the file as a whole is meant. value: as it would be written in TOML, shortened.
    """

    file: str
    line: int
    key: str
    value: str
    what: str
    allowed: str = ""
    nearest: str = ""

    @property
    def where(self) -> str:
        """File, line and key."""
        return f"{self.file}:{self.line}" + (f": {self.key}" if self.key else "")

    @property
    def what_to_do(self) -> str:
        """What is allowed, and the nearest name that is known."""
        guess = f"did you mean {self.nearest}?" if self.nearest else ""
        return "; ".join(p for p in (self.allowed, guess) if p)

    def __str__(self) -> str:
        value = f" = {self.value}" if self.value else ""
        advice = f" ({self.what_to_do})" if self.what_to_do else ""
        return f"{self.where}{value}: {self.what}{advice}"


def quoted(text: str) -> str:
    """A text in quotes; what would change how a page or terminal shows it is escaped."""
    shown = json.dumps(text, ensure_ascii=False)
    return NOT_PRINTED.sub(lambda found: f"\\u{ord(found[0]):04x}", shown)


def as_toml(value: object) -> str:
    """A value roughly as a TOML file would write it, cut to a readable length."""
    if isinstance(value, dict):
        text = "{ " + ", ".join(str(k) for k in value) + " }" if value else "{}"
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(as_toml(v) for v in value) + "]"
    elif isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = quoted(value)
    elif isinstance(value, int) and value.bit_length() > _LONGEST_INT_BITS:
        text = hex(value)  # Python refuses to write overlong numbers in decimal
    elif isinstance(value, date | time):
        text = value.isoformat()
    else:
        text = str(value)
    return text if len(text) <= _LONGEST_VALUE else text[: _LONGEST_VALUE - 3] + "..."
