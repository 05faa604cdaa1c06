"""An unknown file as a sheet of named columns: how it is written, before what it means."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from ridecheck.core.errors import LogError
from ridecheck.intake.readers.csv_rows import Heading, Rows, careful_rows, each_is_whole, plain_rows
from ridecheck.intake.readers.csv_text import (
    SEPARATOR_NAMES,
    encoding_of,
    looks_like_text,
    numbered_lines,
    split_line,
    split_spaces,
    start_lines,
    to_utf8,
)
from ridecheck.intake.readers.mdf_log import MAGIC as MDF_MAGIC
from ridecheck.intake.readers.mdf_log import read_all_mdf
from ridecheck.intake.readers.parquet_log import MAGIC, open_parquet, read_all
from ridecheck.intake.readers.table import plain_name
from ridecheck.intake.readers.unpack import Member

SAMPLE_LINES = 400
MOST_BYTES = 32 << 20
"""Of a larger file only the beginning is looked at."""
_CANDIDATES = (",", ";", "\t", "|", "spaces")
_NUMBER = re.compile(r"[-+]?(\d+([.,]\d+)?|[.,]\d+)([eE][-+]?\d+)?\Z")
_GROUPED = re.compile(r"[-+]?[1-9]\d{0,2}([.,'\u2019\u00a0\u202f ]\d{3})+([.,]\d+)?\Z")
_CLEAN = re.compile(r"[^,;\t|]*\Z")
_TIMELIKE = re.compile(r"\d+[-/.:T ]\d+")


@dataclass(frozen=True, slots=True)
class Sheet:
    """What an unknown file holds: every named column once, and how it is written.

    cells: text for CSV, own types for Parquet. units: the units row, or what Parquet
    states of a field. header_line counts from 1 (0 for Parquet).
    """

    kind: str
    cells: Mapping[str, pl.Series]
    separator: str = "auto"
    decimal: str = "."
    thousands: str = ""
    encoding: str = "utf-8"
    header_line: int = 0
    units_row: bool = False
    units: Mapping[str, str] = field(default_factory=dict)
    starts: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()
    long_columns: tuple[str, str] = ("", "")
    """Of a table that writes one value a row: the columns of the names and of the values."""

    @property
    def rows(self) -> int:
        """Rows of every column."""
        return len(next(iter(self.cells.values()), []))


def read_sheet(member: Member) -> Sheet:
    """Read an unknown file as a sheet, or raise LogError where it is no table."""
    head = member.head(1 << 16)
    if head.startswith(MAGIC):
        return _parquet_sheet(member)
    if head.startswith(MDF_MAGIC):
        with member.open() as stream:
            frame, units = read_all_mdf(stream, shown=member.name)
        return Sheet(kind="parquet", cells={n: frame[n] for n in frame.columns}, units=units)
    encoding = _encoding(head)
    if not looks_like_text(head[:4096], encoding):
        raise LogError(
            "This is no text and no Parquet file",
            where=member.name,
            value=f"first bytes {head[:6]!r}",
            what_to_do="Give the logger's own file.",
        )
    with member.open() as stream:
        data = stream.read(MOST_BYTES)
    text, _ = to_utf8(data, encoding)
    return _csv_sheet(text, encoding, member.name)


def widened(sheet: Sheet, stamps: Sequence[str]) -> Sheet:
    """A table of time, name and value as one column a name; any other sheet as it is.

    The last value is carried on, so that columns can be held against one another.
    """
    others = [n for n in sheet.cells if n not in stamps]
    named = [n for n in others if _holds_names(sheet.cells[n])]
    values = [n for n in others if n not in named and _mostly_numbers(sheet.cells[n])]
    if len(named) != 1 or len(values) != 1 or len(others) > 3:
        return sheet
    name, value = named[0], values[0]
    frame = pl.DataFrame([sheet.cells[c].alias(c) for c in (*stamps, name, value)])
    keyed = frame.with_columns(
        _run=pl.struct(list(stamps)).ne_missing(pl.struct(list(stamps)).shift(1)).cum_sum()
    )
    first = keyed.group_by("_run", maintain_order=True).agg(pl.col(list(stamps)).first())
    wide = keyed.pivot(on=name, index="_run", values=value, aggregate_function="last")
    joined = first.join(wide, on="_run", how="left").sort("_run").drop("_run")
    cells = {c: joined[c] if c in stamps else joined[c].forward_fill() for c in joined.columns}
    return replace(sheet, cells=cells, long_columns=(name, value))


def _holds_names(cells: pl.Series) -> bool:
    """Few words that come again and again, none of them a number, at least one of letters."""
    if cells.dtype != pl.String:
        return False
    words = cells.drop_nulls().unique().to_list()
    return (
        2 <= len(words) <= 80
        and len(cells) > 5 * len(words)
        and all(w.strip() and not _NUMBER.match(w.strip()) and len(w.strip()) > 1 for w in words)
    )


def _mostly_numbers(cells: pl.Series) -> bool:
    if cells.dtype != pl.String:
        return cells.dtype.is_numeric()
    sample = [c.strip() for c in cells.drop_nulls().head(2000).to_list()]
    return sum(bool(_NUMBER.match(c)) for c in sample) > 0.5 * max(1, len(sample))


def _encoding(head: bytes) -> str:
    """Encoding by byte order mark, by NULs in every second byte, by validity."""
    marked, length = encoding_of(head, "")
    if length:
        return marked
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if odd > len(head) // 5 and even < odd // 4:
        return "utf-16-le"
    if even > len(head) // 5 and odd < even // 4:
        return "utf-16-be"
    try:
        head[: max(0, len(head) - 4)].decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _parquet_sheet(member: Member) -> Sheet:
    with member.open() as stream:
        file = open_parquet(stream, shown=member.name)
        schema = file.schema_arrow
        names = [plain_name(n) for n in schema.names]
        frame, metadata = read_all(file, shown=member.name)
    units = {}
    for name, entry in zip(names, schema, strict=True):
        stated = {k.lower(): v for k, v in (entry.metadata or {}).items()}
        unit = stated.get(b"unit", stated.get(b"units", b"")).decode("utf-8", "replace")
        if unit:
            units[name] = unit
    cells = {n: frame[n] for n in frame.columns if names.count(n) == 1 and n}
    if not cells or not len(frame):
        raise LogError(
            "The file holds no rows",
            where=member.name,
            value=f"{len(frame)} rows",
            what_to_do="Give a log of a ride.",
        )
    starts = tuple(v for k, v in metadata.items() if k in {"start", "start_time"})
    return Sheet(kind="parquet", cells=cells, units=units, starts=starts)


def _csv_sheet(text: bytes, encoding: str, shown: str) -> Sheet:
    lines = []
    for number, _, end, line in numbered_lines(text[: 1 << 18].decode("utf-8", "replace")):
        lines.append((number, end, line))
        if len(lines) >= SAMPLE_LINES:
            break
    separator, fields = _separator(lines, shown)
    split = [(n, e, [plain_name(c) for c in _split(line, separator)]) for n, e, line in lines]
    first = _first_data(split, fields)
    above = [
        (n, e, cells)
        for n, e, cells in split[:first]
        if abs(len(cells) - fields) <= 1 and sum(map(bool, cells)) >= 2
    ]
    if separator == "," and not above:
        _refuse_comma_in_comma(split[:first], fields, shown)
    header = _header(above, fields, shown)
    units = above[above.index(header) + 1] if above.index(header) + 1 < len(above) else None
    names = header[2]
    data = [cells for _, _, cells in split[first:] if len(cells) == fields]
    decimal, thousands, questions = _marks(data, separator)
    body_at = len(text[: 1 << 18].decode("utf-8", "replace")[: split[first - 1][1]].encode())
    frame = _all_text(text[body_at:], separator, names, lines, header[0], split[first][0])
    cells = {n: frame[n] for n in frame.columns if n}
    unit_cells = dict(zip(names, units[2], strict=False)) if units else {}
    before = [line for n, _, line in lines if n < split[first][0]]
    return Sheet(
        kind="csv",
        cells=cells,
        separator=separator,
        decimal=decimal,
        thousands=thousands,
        encoding="utf-8" if encoding.startswith("utf-8") else encoding,
        header_line=header[0],
        units_row=units is not None,
        units={k: v for k, v in unit_cells.items() if k and v},
        starts=start_lines(before),
        questions=questions,
    )


def _split(line: str, separator: str) -> list[str]:
    return split_spaces(line) if separator == "spaces" else split_line(line, separator)


def _separator(lines: Sequence[tuple[int, int, str]], shown: str) -> tuple[str, int]:
    """The mark that splits most lines into the same number of clean cells."""
    body = [line for _, _, line in lines[len(lines) // 4 :] if line.strip()]
    body = [line for line in body if not line.startswith("#")] or body
    best: tuple[float, int, str] = (0.0, 0, "")
    for mark in _CANDIDATES:
        split = [_split(line, mark) for line in body]
        count, times = Counter(map(len, split)).most_common(1)[0] if split else (0, 0)
        if count < 2:
            continue
        cells = [c.strip() for row in split if len(row) == count for c in row]
        clean = sum(
            bool(_CLEAN.match(c))
            and (
                mark == "spaces"
                or " " not in c
                or bool(_TIMELIKE.search(c))
                or not c[:1].isdecimal()
            )
            for c in cells
        ) / len(cells)
        if mark != ",":  # a decimal comma is clean between other marks
            clean = max(
                clean, sum(bool(_NUMBER.match(c) or _CLEAN.match(c)) for c in cells) / len(cells)
            )
        score = times / len(body) * clean**3 - (0.05 if mark == "spaces" else 0.0)
        if (round(score, 2), count) > (round(best[0], 2), best[1]):
            best = (score, count, mark)
    if best[0] < 0.5:
        raise LogError(
            "No separator splits the lines into columns",
            where=shown,
            value=f"tried {', '.join(SEPARATOR_NAMES[c] for c in _CANDIDATES)}",
            what_to_do="Give the logger's own file.",
        )
    return best[2], best[1]


def _first_data(split: Sequence[tuple[int, int, list[str]]], fields: int) -> int:
    """Index of the first of several lines that look like data."""
    for index, (_, _, cells) in enumerate(split):
        if len(cells) == fields and _is_data(cells):
            following = [c for _, _, c in split[index : index + 5] if len(c) == fields]
            if sum(map(_is_data, following)) >= min(3, len(following)):
                return index
    return len(split) - 1


def _is_data(cells: Sequence[str]) -> bool:
    filled = [c for c in cells if c]
    numbers = sum(bool(_NUMBER.match(c) or _GROUPED.match(c) or _TIMELIKE.match(c)) for c in filled)
    return (
        numbers >= 1
        and numbers >= 0.2 * len(filled)
        and bool(
            _NUMBER.match(cells[0]) or _TIMELIKE.match(cells[0]) or numbers >= 0.4 * len(filled)
        )
    )


def _header(
    above: Sequence[tuple[int, int, list[str]]], fields: int, shown: str
) -> tuple[int, int, list[str]]:
    """The line with the names: the upper of the last two lines of words above the data."""
    words = [entry for entry in above if not any(_NUMBER.match(c) for c in entry[2] if c)]
    if not words:
        raise LogError(
            "The columns have no names",
            where=shown,
            value=f"{fields} columns",
            what_to_do="Have the logger write a header line, or add one to a copy.",
        )
    if len(words) > 1 and words[-2][0] >= words[-1][0] - 2:
        upper, lower = words[-2], words[-1]
        filled = [c for c in upper[2] if c]
        if len(set(filled)) == len(filled) and _looks_like_units(lower[2]):
            return upper
    return words[-1]


def _refuse_comma_in_comma(
    above: Sequence[tuple[int, int, list[str]]], fields: int, shown: str
) -> None:
    """LogError where fewer names than cells stand above: commas are decimals here as well."""
    for number, _, cells in reversed(above):
        if 2 <= len(cells) < fields and all(c and not _NUMBER.match(c) for c in cells):
            raise LogError(
                "Decimal comma and comma as separator look alike",
                where=f"{shown}, line {number}",
                value=f"{len(cells)} names above {fields} cells",
                what_to_do="Set the logger to write semicolons or decimal points.",
            )


def _looks_like_units(cells: Sequence[str]) -> bool:
    from ridecheck.setup.propose.words import known_unit

    filled = [c for c in cells if c]
    known = sum(known_unit(c) for c in filled)
    return known >= 1 and known >= 0.4 * len(filled)


def _marks(data: Sequence[Sequence[str]], separator: str) -> tuple[str, str, tuple[str, ...]]:
    """Decimal and thousands marks, and what stays open of them."""
    cells = [c for row in data for c in row if (c and _NUMBER.match(c)) or _GROUPED.match(c)]
    comma = sum("," in c for c in cells)
    point = sum("." in c for c in cells)
    mixed = next((c for c in cells if "," in c and "." in c), "")
    if mixed:
        decimal = "," if mixed.rfind(",") > mixed.rfind(".") else "."
        return decimal, "." if decimal == "," else ",", ()
    for mark in ("'", "\u2019", "\u00a0", "\u202f"):
        if any(mark in c for c in cells):
            return ("," if comma else "."), mark, ()
    if comma and point and separator != ",":
        grouped = {m: all(_GROUPED.match(c) for c in cells if m in c) for m in ",."}
        if grouped["."] and not grouped[","]:
            return ",", ".", ()
        if grouped[","] and not grouped["."]:
            return ".", ",", ()
    decimal = "," if comma > point and separator != "," else "."
    return decimal, "", _either(data, decimal)


def _either(data: Sequence[Sequence[str]], decimal: str) -> tuple[str, ...]:
    """A question for each column whose mark may be thousands or decimals."""
    for column in range(len(data[0]) if data else 0):
        cells = {row[column] for row in data if column < len(row)}
        marked = {c for c in cells if decimal in c}
        plain = [int(c) for c in cells if c.isdecimal()]
        grouped = len(marked) >= 3 and all(_GROUPED.match(c) for c in marked)
        if grouped and plain and 500 <= max(plain) < 1000:
            return (
                f'column {column + 1}: does "{decimal}" mark thousands or decimals '
                f'("{min(marked)}" beside "{max(plain)}")? Set thousands and decimal.',
            )
    return ()


def _all_text(
    body: bytes,
    separator: str,
    names: Sequence[str],
    lines: Sequence[tuple[int, int, str]],
    header_line: int,
    first_line: int,
) -> pl.DataFrame:
    """Every uniquely named column as text."""
    header = next(line for n, _, line in lines if n == header_line)
    trails = not names[-1]
    rows = None
    if separator != "spaces":
        rows = plain_rows(body, separator, len(names), first_line=first_line, trails=trails)
    try:
        frame = None if rows is None else _as_text(rows)
    except pl.exceptions.PolarsError:
        frame = None  # a row with more fields, or a first one with fewer
    if rows is None or frame is None or not each_is_whole(rows, not frame[:, -1].null_count()):
        heading = Heading(header, tuple(names))
        rows = careful_rows(
            body, separator, len(names), first_line=first_line, heading=heading, trails=trails
        )
        frame = _as_text(rows)
    renamed = {f"c{i}": n for i, n in enumerate(names[: rows.fields]) if n and names.count(n) == 1}
    return frame.select(list(renamed)).rename(renamed)


def _as_text(rows: Rows) -> pl.DataFrame:
    schema = {f"c{i}": pl.String() for i in range(rows.fields)}
    return pl.read_csv(
        rows.body, has_header=False, schema=schema, separator=rows.separator, quote_char=None
    )
