"""The columns of an unknown file as numbers and as switches."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.core.catalog import channels
from ridecheck.intake.normalise.values import USUAL_BLANKS
from ridecheck.setup.propose.sheet import Sheet
from ridecheck.setup.propose.times import numbers_of
from ridecheck.setup.propose.words import concepts, plain, suggested, unit_text, word_set

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_ON = word_set(
    "1 true on yes y active x pressed pulled an ein ja oui si sim tak ano kylla evet igen "
    "marche gedruckt gezogen betatigt premuto apretado pulsado enfonce applied down set "
    "engaged"
)
_OFF = word_set(
    "0 false off no n inactive free released aus nein non nao nie ne ei hayir nem arret "
    "frei los up idle clear disengaged"
)

_USUAL_PAIRS = {
    word: pair for pair in (("1", "0"), ("true", "false"), ("on", "off")) for word in pair
}


@dataclass(frozen=True, slots=True)
class Switch:
    """A column of two states. high and low: the cells of each; level: between volts.

    known: True where the words or numbers say which state is "on"; then high is it.
    """

    high: tuple[str, ...]
    low: tuple[str, ...]
    level: float | None
    is_high: Flags
    filled: Flags
    known: bool
    blank_low: bool = False


class Column:
    """One column: its name, stated unit, and its cells in each way they can be read."""

    house: "Switch | None" = None
    """How the file's other switches are written; for a switch that never moved."""

    def __init__(self, name: str, cells: pl.Series, sheet: Sheet) -> None:
        self.name = name
        self.unit = unit_text(name, sheet.units.get(name, ""))
        self.about = concepts(name)
        self._cells = cells
        self._sheet = sheet

    @cached_property
    def suggested(self) -> tuple[str, ...]:
        """Channels its name suggests, switches only where it has two states."""
        named = suggested(self.name)
        if self.switch is None or self.varied:
            return tuple(n for n in named if channels()[n].kind != "switch")
        return tuple(n for n in named if channels()[n].kind != "number" or self.unit) or named

    @cached_property
    def numbers(self) -> Floats | None:
        """As numbers, NaN for blank; None for a column of words."""
        values = numbers_of(self._cells, self._sheet)
        return None if values is None or not np.isfinite(values).any() else values

    @cached_property
    def words(self) -> Mapping[str, int]:
        """Distinct cells and how often each comes; empty where there are more than 40."""
        text = self._cells.cast(pl.String).str.strip_chars()
        counts = text.fill_null("").value_counts()
        if len(counts) > 40:
            return {}
        return dict(zip(counts[:, 0].to_list(), counts[:, 1].to_list(), strict=True))

    @cached_property
    def switch(self) -> Switch | None:
        """As a switch; None where it has more than two states or varies freely."""
        by_words = self._switch_by_words()
        return by_words if by_words is not None else self._switch_by_level()

    @property
    def never_moved(self) -> bool:
        """True where only one state was ever written."""
        states = [w for w in self.words if w.lower() not in USUAL_BLANKS]
        return len(states) == 1

    def look_again(self, house: Switch) -> None:
        """Look at a switch that never moved by what the file's other switches say."""
        self.house = house
        self.__dict__.pop("switch", None)
        self.__dict__.pop("suggested", None)

    @cached_property
    def varied(self) -> bool:
        """True for numbers that take many values."""
        values = self.numbers
        return values is not None and len(np.unique(values[np.isfinite(values)][::3])) > 12

    @cached_property
    def blanks(self) -> float:
        """Share of rows without a number."""
        return 1.0 if self.numbers is None else float((~np.isfinite(self.numbers)).mean())

    def _switch_by_words(self) -> Switch | None:
        states = {w: n for w, n in self.words.items() if w.lower() not in USUAL_BLANKS}
        if not self.words or not states or len(states) > 2:
            return None
        text = self._cells.cast(pl.String).str.strip_chars().fill_null("")
        words = sorted(states, key=lambda w: (_meaning(w) is not False, w))
        if len(states) == 1:
            return self._switch_of_one(words[0], text)
        low, high = words
        meanings = (_meaning(low), _meaning(high))
        if meanings == (None, None) and all(_is_number(w) for w in words):
            low, high = sorted(words, key=lambda w: float(w.replace(",", ".")))
            if float(low.replace(",", ".")) != 0 and self._sheet.kind == "csv":
                return None
        known = meanings == (False, True) or (_is_number(low) and _is_number(high))
        is_high = (text == high).to_numpy()
        filled = is_high | (text == low).to_numpy()
        return Switch((high,), (low,), None, is_high, filled, known)

    def _switch_of_one(self, word: str, text: pl.Series) -> Switch | None:
        """One word only: a mark beside blanks, or a switch that never moved."""
        at = (text == word).to_numpy()
        if word.lower() == "x":
            return Switch((word,), ("",), None, at, np.ones(len(at), dtype=bool), True, True)
        house = self.house
        if house is not None and house.level is None and word in (*house.high, *house.low):
            is_high = at if word in house.high else np.zeros(len(at), dtype=bool)
            return Switch(house.high, house.low, None, is_high, at, house.known)
        bare = f"{float(word):g}" if _is_number(word) and "," not in word else word.lower()
        pair = _USUAL_PAIRS.get(bare)
        if pair is None:
            return None
        is_high = at if _meaning(word) else np.zeros(len(at), dtype=bool)
        return Switch((pair[0],), (pair[1],), None, is_high, at, True)

    def _switch_by_level(self) -> Switch | None:
        """Numbers in two heaps far apart, such as volts."""
        values = self.numbers
        if values is None:
            return None
        known = values[np.isfinite(values)]
        low, high = float(known.min()), float(known.max())
        if high - low < 0.5:
            return self._switch_of_one_level(values, low, high)
        inside = ((known > low + 0.25 * (high - low)) & (known < high - 0.25 * (high - low))).mean()
        if inside > 0.002 or high < 2.0:
            return None
        level = round((low + high) / 2, 2)
        filled = np.isfinite(values)
        with np.errstate(invalid="ignore"):
            return Switch((), (), level, (values > level) & filled, filled, True)

    def _switch_of_one_level(self, values: Floats, low: float, high: float) -> Switch | None:
        """Volts that never moved, beside switches in volts that did."""
        house = self.house
        if house is None or house.level is None or low < house.level < high:
            return None
        if (
            not (low >= 0.0 and high <= 2.5 * house.level)
            or abs(high - house.level) < 0.3 * house.level
        ):
            return None
        filled = np.isfinite(values)
        return Switch((), (), house.level, (values > house.level) & filled, filled, True)


def _is_number(word: str) -> bool:
    try:
        float(word.replace(",", "."))
    except ValueError:
        return False
    return True


def _meaning(word: str) -> bool | None:
    """On, off, or not known, by the word alone."""
    text = f"{float(word):g}" if _is_number(word) and "," not in word else word
    bare = plain(text).replace(" ", "") if not _is_number(text) else text
    return True if bare in _ON else False if bare in _OFF else None
