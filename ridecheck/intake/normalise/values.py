"""Raw cells into channel values: numbers in the channel's unit, switches, gears."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import polars as pl

from ridecheck.core.catalog import Channel
from ridecheck.core.errors import LogError
from ridecheck.core.model import Note
from ridecheck.core.units import UnitError, to_channel_unit
from ridecheck.intake.normalise.no_value import NOT_AVAILABLE_SWITCH, is_no_level, is_no_value

if TYPE_CHECKING:
    from ridecheck.fleet.layout import Column, FileTable, GearColumn, NumberColumn, SwitchColumn

PLAIN_BLANKS = frozenset({"", "nan", "na", "n/a", "#n/a", "null", "none", "-", "--"})
ODD_BLANKS = frozenset(
    ["---", "----", "-----", "-.-", "--.-", "?", "??", "???", "nil", "n.a.", "n.a", "undefined"]
) | {"nodata", "<na>", "(null)", "#div/0!", "#value!", "#ref!", "#num!", "#name?", "#null!"}
"""They mean "no value" too, and are counted and named where they stand."""
USUAL_BLANKS = PLAIN_BLANKS | ODD_BLANKS
"""Cells that mean "no value" in any log, without case and outer blanks."""
OTHER_TEXT_LIMIT = 0.01
"""More other text than this share of a column sets the log aside, though it is read."""
MOSTLY_OTHER_TEXT = 0.5
"""More than this: the column is not what the layout says, and nothing of the log is used."""
USUAL_ON = frozenset({"1", "true", "on", "yes", "y", "open", "active", "x"})
USUAL_OFF = frozenset({"0", "false", "off", "no", "n", "closed", "inactive"})
NEUTRAL_WORDS = frozenset({"n", "neutral"})
_ORDINALS = {"1st": 1, "2nd": 2, "3rd": 3, **{f"{n}th": n for n in range(4, 10)}}


@dataclass(frozen=True, slots=True)
class Decoded:
    """One channel of a log: values (null is blank), and what was said while decoding.

    problem: why the log is set aside, though its other cells are read; None where it is not.
    behind: the numbers that a switch is worked out from, where it is from numbers.
    """

    values: pl.Series
    notes: tuple[Note, ...] = ()
    problem: LogError | None = None
    behind: pl.Series | None = None


def decode(
    cells: pl.Series,
    channel: Channel,
    column: "Column",
    file: "FileTable",
    *,
    rows: pl.Series,
    where: str,
) -> Decoded:
    """The values of one channel. LogError where a number column is mostly something else.

    cells: as the reader hands them on, text or plain numbers. rows: the line numbers.
    """
    if not (cells.dtype == pl.String or cells.dtype == pl.Boolean or cells.dtype.is_numeric()):
        # An instant or a duration is no value of any channel; not all cast to text.
        cells = pl.Series([None if v is None else str(v) for v in cells.to_list()], dtype=pl.String)
    if channel.kind == "switch":
        return _switch(cells, channel, cast("SwitchColumn", column), file, rows=rows, where=where)
    if channel.kind == "integer":
        return _gear(cells, channel, cast("GearColumn", column), file, rows=rows)
    return _number(cells, channel, cast("NumberColumn", column), file, rows=rows, where=where)


def as_float(cells: pl.Series, file: "FileTable", missing: Iterable[str] = ()) -> pl.Series:
    """Cells as Float64; blanks, missing codes, NaN and what is no number become null."""
    codes = [value for text in missing if (value := _float(text, file)) is not None]
    values = _text_as_float(cells, file) if cells.dtype == pl.String else cells.cast(pl.Float64)
    values = values.fill_nan(None)
    return values.set(values.is_in(codes), None) if codes else values


def is_blank(cells: pl.Series, missing: Iterable[str] = ()) -> pl.Series:
    """True where a text cell means "no value"."""
    words = [*USUAL_BLANKS, *(m.strip().lower() for m in missing)]
    return cells.is_null() | cells.str.strip_chars().str.to_lowercase().is_in(words)


def _odd_blanks(cells: pl.Series, channel: Channel, column: "Column") -> tuple[Note, ...]:
    """A note that names the less usual cells for "no value"."""
    if cells.dtype != pl.String:
        return ()
    words = cells.str.strip_chars()
    unstated = ODD_BLANKS - {m.strip().lower() for m in column.missing}
    odd = words.filter(words.str.to_lowercase().is_in(list(unstated)))
    if odd.is_empty():
        return ()
    return (Note("values", f"{channel.name}: {shown_cell(odd[0])} read as no value", len(odd)),)


def _number(
    cells: pl.Series,
    channel: Channel,
    column: "NumberColumn",
    file: "FileTable",
    *,
    rows: pl.Series,
    where: str,
) -> Decoded:
    values = as_float(cells, file, column.missing)
    notes: tuple[Note, ...] = ()
    problem: LogError | None = None
    if cells.dtype == pl.String and values.null_count():
        values = _of_other_spelling(cells, values, column, file)
        notes, problem = _other_text(cells, values, channel, column, rows, where)
        notes = (*notes, *_odd_blanks(cells, channel, column))
    raw = values
    factor, shift = column.to_channel
    if factor != 1.0:
        values = values * factor
    if shift != 0.0:
        values = values + shift
    if (codes := is_no_value(raw, values, channel)) is not None:
        values = values.set(codes, None)
        notes = (*notes, _no_value(raw, codes, channel))
    return Decoded(values.rename(channel.name), notes, problem)


def _no_value(raw: pl.Series, codes: pl.Series, channel: Channel) -> Note:
    count, first = int(codes.sum()), float(raw.filter(codes)[0])
    said = f"{channel.name}: numbers that mean no value blanked, first {first:g}"
    return Note("values", said, count)


def _of_other_spelling(
    cells: pl.Series, values: pl.Series, column: "NumberColumn", file: "FileTable"
) -> pl.Series:
    """Numbers that are there, but written as no parser reads them, by their distinct cells.

    A minus sign of its own (U+2212), single quotes, hexadecimal, the column's own unit after
    the number. Another unit than the column's makes it no number.
    """
    lost = values.is_null() & ~is_blank(cells, column.missing)
    if column.missing:
        lost &= ~_equals_code(cells, column.missing)
    few = cells.filter(lost).unique()
    if few.is_empty() or len(few) > MOST_SPELLINGS:
        return values
    known = {cell: number for cell in few if (number := _spelled(cell, column, file)) is not None}
    if not known:
        return values
    return cells.replace_strict(
        pl.Series(list(known), dtype=pl.String),
        pl.Series(list(known.values()), dtype=pl.Float64),
        default=values,
        return_dtype=pl.Float64,
    )


MOST_SPELLINGS = 100_000
_HEX = re.compile(r"0[xX][0-9a-fA-F]{1,8}\Z")
_WITH_UNIT = re.compile(r"([-+]?[\d.,' ]*\d)\s*([^\d\s.,'+-].*)\Z")


def _spelled(cell: str, column: "NumberColumn", file: "FileTable") -> float | None:
    text = cell.strip().strip("'").strip().replace("\u2212", "-")
    if _HEX.match(text):
        return float(int(text, 16))
    if (with_unit := _WITH_UNIT.match(text)) is not None:
        if not _is_its_unit(with_unit.group(2), column):
            return None
        text = with_unit.group(1)
    return as_float(pl.Series([text]), file)[0]  # type: ignore[no-any-return]


def _is_its_unit(unit: str, column: "NumberColumn") -> bool:
    try:
        stated = to_channel_unit(unit, column.stored_unit)
        return stated == to_channel_unit(column.unit, column.stored_unit)
    except UnitError:
        return False


def _other_text(
    cells: pl.Series,
    values: pl.Series,
    channel: Channel,
    column: "Column",
    rows: pl.Series,
    where: str,
) -> tuple[tuple[Note, ...], LogError | None]:
    """A note for text that is no number, and the problem where it is more than stray."""
    lost = values.is_null() & ~is_blank(cells, column.missing)
    codes = [m.strip() for m in column.missing]
    if codes:
        lost &= ~cells.str.strip_chars().is_in(codes)
        lost &= ~_equals_code(cells, column.missing)
    count = int(lost.sum())
    if not count:
        return (), None
    first = int(lost.arg_max() or 0)
    cell = shown_cell(cells[first])
    filled = len(cells) - int(is_blank(cells, column.missing).sum())
    problem = LogError(
        f'The column "{column.column}" holds text where numbers are expected',
        where=f"{where}, line {rows[first]}",
        value=f"{cell}; {count} of {filled} cells",
        what_to_do="Correct decimal, thousands, or the column's name or missing in the layout.",
    )
    if count > MOSTLY_OTHER_TEXT * filled:
        raise problem
    said = f"{channel.name}: text that is no number blanked, first {cell} at line {rows[first]}"
    notes = (Note("values", said, count),)
    return notes, problem if count > OTHER_TEXT_LIMIT * filled else None


def _equals_code(cells: pl.Series, missing: Iterable[str]) -> pl.Series:
    """True where a cell equals a missing code by value ("9999.0" is "9999")."""
    codes = [value for text in missing if (value := _float(text, None)) is not None]
    return cells.str.strip_chars().cast(pl.Float64, strict=False).is_in(codes).fill_null(False)


def _text_as_float(cells: pl.Series, file: "FileTable") -> pl.Series:
    text = cells.str.strip_chars()
    if file.thousands:
        mark, point = re.escape(file.thousands), re.escape(file.decimal)
        grouped = text.str.contains(rf"^[-+]?\d{{1,3}}(?:{mark}\d{{3}})+(?:{point}\d*)?$")
        bare = ~text.str.contains(file.thousands, literal=True)
        text = text.set(~(grouped | bare), None)  # "8,0" is not 80
        text = text.str.replace_all(file.thousands, "", literal=True)
    if file.decimal == ",":
        text = text.str.replace(",", ".", literal=True)
    return text.cast(pl.Float64, strict=False)


def _float(text: str, file: "FileTable | None") -> float | None:
    try:
        return float(text.replace(",", ".") if file is not None and file.decimal == "," else text)
    except ValueError:
        return None


def _switch(
    cells: pl.Series,
    channel: Channel,
    column: "SwitchColumn",
    file: "FileTable",
    *,
    rows: pl.Series,
    where: str,
) -> Decoded:
    unknown: pl.Series | None = None
    behind: pl.Series | None = None
    notes: tuple[Note, ...] = ()
    if column.on_above is not None:
        behind = as_float(cells, file, column.missing)
        if (codes := is_no_level(behind, column.on_above)) is not None:
            notes = (_no_value(behind, codes, channel),)
            behind = behind.set(codes, None)
        values = behind > column.on_above
        if cells.dtype == pl.String and values.null_count():
            unknown = values.is_null() & ~is_blank(cells, column.missing)
            if codes is not None:
                unknown &= ~codes
    elif (plain := _two_words(cells, column)) is not None:
        values = plain
    else:
        words = _switch_words(cells, column, file)
        values = _mapped(cells, words, pl.Boolean)
        if not column.on and not column.off and _only_marks(cells):
            values = values.fill_null(value=False)  # "x" or blank: blank is off
        elif "" in (w.strip() for w in column.off):
            values = values.set(_empty(cells), False)
        if values.null_count():
            unknown = values.is_null() & ~_nothing(cells, column)
            if {"0", "1"} <= {w for cell in words for w in _words_of(cell, file)}:
                codes = _not_available(cells, file) & unknown
                if bool(codes.any()) and bool((codes == unknown).all()):
                    raw = cells.cast(pl.Float64, strict=False)
                    notes = (_no_value(raw, codes, channel),)
                    unknown &= ~codes
    if column.inverted:
        values = ~values
    values = values.rename(channel.name)
    notes = (*notes, *_odd_blanks(cells, channel, column))
    if unknown is None or not unknown.any():
        return Decoded(values, notes, behind=behind)
    known = len(values) - values.null_count()
    said, problem = _unknown_words(cells, unknown, channel, column, known, rows, where)
    return Decoded(values, (*notes, *said), problem, behind=behind)


def _not_available(cells: pl.Series, file: "FileTable") -> pl.Series:
    """Cells that mean "error" or "not available" in a switch of 0 and 1."""
    words = {c: _word(c, file) in NOT_AVAILABLE_SWITCH for c in cells.unique().to_list()}
    return _mapped(cells, words, pl.Boolean).fill_null(value=False)


def _two_words(cells: pl.Series, column: "SwitchColumn") -> pl.Series | None:
    """The values where every cell is written just as the layout's only two words; else None."""
    if cells.dtype != pl.String or len(column.on) != 1 or len(column.off) != 1:
        return None
    on, off = str(column.on[0]), str(column.off[0])
    if on in column.missing or off in column.missing or not on.strip() or not off.strip():
        return None
    values = cells == on
    return values if bool((values | (cells == off)).all(ignore_nulls=False)) else None


def _switch_words(
    cells: pl.Series, column: "SwitchColumn", file: "FileTable"
) -> dict[object, bool | None]:
    """What each distinct cell means; None for words that are not known."""
    on, off = _word_set(column.on, file), _word_set(column.off, file)
    if not on and not off:
        on, off = set(USUAL_ON), set(USUAL_OFF)
    missing = _word_set(column.missing, file)
    meaning: dict[object, bool | None] = {}
    for cell in cells.unique(maintain_order=False).to_list():
        words = _words_of(cell, file)
        if words & missing or words & (USUAL_BLANKS - (on | off)):
            meaning[cell] = None
        else:
            meaning[cell] = True if words & on else False if words & off else None
    return meaning


def _words_of(cell: object, file: "FileTable") -> set[str]:
    """The words a cell may be called by: true of a boolean column is 1 as well."""
    if isinstance(cell, bool):
        return {"1", "true"} if cell else {"0", "false"}
    return {_word(cell, file)}


def _word_set(words: Iterable[object], file: "FileTable") -> set[str]:
    return {_word(w, file) for w in words}


def _word(cell: object, file: "FileTable") -> str:
    """A cell as compared: no case, no outer blanks, numbers by value."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "1" if cell else "0"
    text = str(cell).strip().lower()
    number = _float(text, file)
    return f"{number:g}" if number is not None and number == number else text


def _mapped(cells: pl.Series, words: Mapping[object, object], kind: type[pl.DataType]) -> pl.Series:
    """Cells through a table of meanings; what is not in it is null."""
    if cells.dtype == pl.Boolean and kind == pl.Boolean and words.get(True, True) is True:
        return cells if words.get(False, False) is False else cells.set(~cells, None)
    if (
        cells.dtype == pl.UInt8
        and kind == pl.Boolean
        and words.get(1, True) is True
        and (words.get(0, False) is False and set(words) <= {0, 1, None})
    ):
        return cells.cast(pl.Boolean)
    known = {cell: meaning for cell, meaning in words.items() if meaning is not None}
    known.pop(None, None)
    if not known:
        return pl.Series(cells.name, [None], dtype=kind).new_from_index(0, len(cells))
    return cells.replace_strict(
        pl.Series(list(known), dtype=cells.dtype),
        pl.Series(list(known.values()), dtype=kind),
        default=None,
        return_dtype=kind,
    )


def _only_marks(cells: pl.Series) -> bool:
    if cells.dtype != pl.String:
        return False
    words = {_word(cell, None) for cell in cells.unique().to_list()}  # type: ignore[arg-type]
    return words <= {"", "x"} and "x" in words


def _empty(cells: pl.Series) -> pl.Series:
    if cells.dtype != pl.String:
        return cells.is_null()
    return cells.is_null() | (cells.str.strip_chars() == "").fill_null(True)


def _nothing(cells: pl.Series, column: "Column") -> pl.Series:
    if cells.dtype == pl.String:
        return is_blank(cells, column.missing)
    codes = [value for text in column.missing if (value := _float(text, None)) is not None]
    if cells.dtype.is_numeric():
        nothing = cells.is_null()
        if cells.dtype.is_float():
            nothing |= cells.is_nan().fill_null(True)
        return nothing | cells.cast(pl.Float64).is_in(codes).fill_null(False)
    return cells.is_null()


def _unknown_words(
    cells: pl.Series,
    unknown: pl.Series,
    channel: Channel,
    column: "Column",
    known: int,
    rows: pl.Series,
    where: str,
) -> tuple[tuple[Note, ...], LogError | None]:
    """A note for words that are neither on nor off, and the problem where they are many."""
    count, first = int(unknown.sum()), int(unknown.arg_max() or 0)
    cell = shown_cell(cells[first])
    said = (
        f"{channel.name}: words that mean neither on nor off left blank, first {cell} "
        f"at line {rows[first]}"
    )
    notes = (Note("values", said, count),)
    if count <= OTHER_TEXT_LIMIT * (known + count):
        return notes, None
    problem = LogError(
        f'The column "{column.column}" holds words that mean neither on nor off',
        where=f"{where}, line {rows[first]}",
        value=f"{cell}; {count} of {known + count} cells",
        what_to_do=f"State them under on, off or missing in [columns.{channel.name}].",
    )
    return notes, problem


def _gear(
    cells: pl.Series, channel: Channel, column: "GearColumn", file: "FileTable", *, rows: pl.Series
) -> Decoded:
    """Gears as Int16; what is no whole number within the channel's range is unknown."""
    highest = int(channel.maximum or 8)
    stated = {_word(word, file): int(gear) for word, gear in column.words.items()}
    missing = _word_set(column.missing, file)
    meaning: dict[object, int | None] = {}
    strange: list[object] = []
    for cell in cells.unique().to_list():
        word = _word(cell, file)
        number = _float(word, file)
        if word in stated:
            gear: int | None = stated[word]
        elif word in missing or word in USUAL_BLANKS:
            gear = None
        elif word in NEUTRAL_WORDS:
            gear = 0
        elif word in _ORDINALS:
            gear = _ORDINALS[word]
        elif number is not None and number == number and abs(number) < 1e6:
            gear = int(number) if number == int(number) else None
        else:
            gear = None
            strange.append(cell)
        meaning[cell] = gear if gear is not None and 0 <= gear <= highest else None
    values = _mapped(cells, meaning, pl.Int16)
    notes: tuple[Note, ...] = ()
    if strange:
        unknown = cells.is_in(pl.Series(strange, dtype=cells.dtype)).fill_null(False)
        first = int(unknown.arg_max() or 0)
        notes = (
            Note(
                "values",
                f"{channel.name}: words that are no gear left blank, first "
                f"{shown_cell(cells[first])} at line {rows[first]}",
                int(unknown.sum()),
            ),
        )
    return Decoded(values.rename(channel.name), notes)


def shown_cell(cell: object) -> str:
    """One cell as quoted in a message: printable, at most 40 characters."""
    text = str(cell)
    shown = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text[:40])
    return f'"{shown}{"..." if len(text) > 40 else ""}"'
