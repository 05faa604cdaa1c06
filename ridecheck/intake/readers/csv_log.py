"""Read a CSV log by its layout, fast where a count proves that it may be."""

import codecs
import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import IO, TYPE_CHECKING

import polars as pl

from ridecheck.core.errors import LogError
from ridecheck.core.model import Note
from ridecheck.intake.readers.csv_rows import (
    LONGEST_LINE_BYTES,
    Heading,
    Rows,
    careful_rows,
    each_is_whole,
    plain_rows,
)
from ridecheck.intake.readers.csv_text import (
    HEADER_WITHIN_BYTES,
    Header,
    encoding_of,
    find_header,
    looks_like_text,
    numbered_lines,
    split_line,
    start_lines,
    to_utf8,
)
from ridecheck.intake.readers.table import (
    Lost,
    RawTable,
    Wanted,
    plain_name,
    time_columns,
    wanted_columns,
)

if TYPE_CHECKING:
    from ridecheck.fleet import Layout

_NUMBER = {
    ".": re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?\Z"),
    ",": re.compile(r"[-+]?(\d+,?\d*|,\d+)([eE][-+]?\d+)?\Z"),
}
_THOUSANDS = {
    ".": re.compile(r"-?[1-9]\d{0,2}(\.\d{3})+\Z"),
    ",": re.compile(r"-?[1-9]\d{0,2}(,\d{3})+\Z"),
}
_SAMPLE_ROWS = 120
BLOCK_BYTES = 32 << 20
SHEET_LINES = 1_048_576
"""Rows of a spreadsheet's sheet (Office Open XML workbooks as written since 2007)."""


@dataclass(frozen=True, slots=True)
class CsvStart:
    """The beginning of a CSV as a layout sees it: header, units row, where rows begin."""

    header: Header
    wanted: Wanted
    unit_cells: tuple[str, ...]
    body_at: int
    first_line: int
    times: tuple[str, ...]

    @property
    def trails(self) -> bool:
        """True where the header ends with a separator."""
        return not self.header.names[-1]

    def heading(self) -> Heading:
        """What is no sample when it is met again."""
        names = self.header.names
        places = {name: at for at, name in enumerate(names) if name}
        mapped = tuple(places[name] for name in self.mapped())
        times = tuple(places[name] for name in self.times)
        return Heading(self.header.text, names, self.unit_cells, times, mapped)

    def mapped(self) -> tuple[str, ...]:
        """The mapped columns that the file has, needed and optional."""
        return tuple(name for name in self.wanted.all if name in self.header.names)


def read_start(head: bytes, layout: "Layout", *, shown: str) -> CsvStart:
    """Find header and units row in the first bytes of a file, or raise LogError.

    head: UTF-8, at most the first HEADER_WITHIN_BYTES are looked at.
    """
    wanted = wanted_columns(layout)
    text = head[:HEADER_WITHIN_BYTES].decode("utf-8", "replace")
    header = find_header(text, layout, wanted, shown=shown)
    if layout.file.decimal == "," and header.separator == ",":
        raise LogError(
            "Decimal comma and comma as separator look alike",
            where=f"{shown}, line {header.line}",
            value='decimal "," with separator ","',
            what_to_do="Set the logger to write semicolons or decimal points.",
        )
    header = _with_unnamed_index(text, header)
    cells, end, line = _units_row(text, header, wanted, layout)
    body_at = len(text[:end].encode("utf-8"))
    return CsvStart(header, wanted, cells, body_at, line, time_columns(layout))


def read_csv(data: bytes, layout: "Layout", *, shown: str) -> RawTable:
    """The mapped columns of a CSV log. LogError where it cannot be read by this layout."""
    if not looks_like_text(data[:4096], layout.file.encoding):
        raise LogError(
            "This is no text",
            where=shown,
            value=f"first bytes {data[:6]!r}",
            what_to_do="If it is a log, state its encoding in the layout; else take it out.",
        )
    text, _ = to_utf8(data, layout.file.encoding)
    start = read_start(text, layout, shown=shown)
    rows, frame = read_block(text[start.body_at :], start, layout, shown=shown)
    if not len(rows.line):
        raise _no_rows(start, shown, _lost(rows, start, len(text)))
    return RawTable(
        frame=frame,
        notes=(*left_out_notes(rows), *_row_limit(text)),
        restarts=rows.restarts,
        starts=_starts(start, rows),
        units=dict(zip(start.header.names, start.unit_cells, strict=False)),
        header=start.header.names,
        lost=_lost(rows, start, len(text) - start.body_at),
    )


def csv_batches(
    stream: IO[bytes], layout: "Layout", *, shown: str, block_bytes: int = BLOCK_BYTES
) -> Iterator[RawTable]:
    """The same, in batches of about block_bytes, so that no file is ever held whole.

    A quoted field that runs over a batch's end costs its row, which is left out and counted.
    """
    head = stream.read(min(HEADER_WITHIN_BYTES, block_bytes))
    if not looks_like_text(head[:4096], layout.file.encoding):
        raise LogError(
            "This is no text",
            where=shown,
            value=f"first bytes {head[:6]!r}",
            what_to_do="If it is a log, state its encoding in the layout; else take it out.",
        )
    encoding, mark = encoding_of(head, layout.file.encoding)
    decoder = codecs.getincrementaldecoder(encoding)("replace")
    pending = decoder.decode(head[mark:]).encode("utf-8", "replace")
    start = read_start(pending, layout, shown=shown)
    pending = pending[start.body_at :]
    line = start.first_line
    above = _starts(start, None)
    unread = Lost()
    astray = False
    more = True
    held: RawTable | None = None
    while more:
        block = stream.read(block_bytes)
        more = bool(block)
        pending += decoder.decode(block, final=not more).encode("utf-8", "replace")
        cut = len(pending) if not more else _last_line_end(pending)
        body, pending = pending[:cut], pending[cut:]
        if len(pending) > 2 * max(block_bytes, LONGEST_LINE_BYTES):
            raise LogError(
                "A line is longer than any logger writes",
                where=f"{shown}, from line {line}",
                value=f"over {len(pending)} bytes without a line end",
                what_to_do="Copy the log from the logger again.",
            )
        if not body:
            continue
        rows, frame = read_block(
            body, start, layout, shown=shown, first_line=line, complete=more, astray=astray
        )
        astray = rows.astray
        line += body.count(b"\n") + body.count(b"\r") - body.count(b"\r\n")
        if not len(rows.line):
            unread += _lost(rows, start, len(body))
            continue
        if held is not None:
            yield held
        held = RawTable(
            frame=frame,
            notes=left_out_notes(rows),
            restarts=rows.restarts,
            starts=(*above, *_starts(None, rows)),
            units=dict(zip(start.header.names, start.unit_cells, strict=False)),
            header=start.header.names,
            lost=unread + _lost(rows, start, len(body)),
        )
        unread = Lost()
        above = ()
    if held is None:
        raise _no_rows(start, shown, unread)
    yield replace(held, lost=held.lost + unread)  # blocks without a row may have followed


def _last_line_end(text: bytes) -> int:
    """Where the last whole line ends; 0 where none does."""
    at = text.rfind(b"\n") + 1
    if at:
        return at
    return text.rfind(b"\r", 0, -1) + 1


def read_block(
    body: bytes,
    start: CsvStart,
    layout: "Layout",
    *,
    shown: str,
    first_line: int = 0,
    complete: bool = False,
    astray: bool = False,
) -> tuple[Rows, pl.DataFrame]:
    """The rows of a stretch of the file that begins at a line (first_line, from 1).

    The frame holds the mapped columns, typed as the numbers they plainly are, else as
    text; and ``row``. Time columns stay text: they are shown as written. Anything polars
    cannot take as a number turns its column into text, so that bad cells can be known.
    complete False: the body is the end of the file. astray: the rows before these stood
    under another header.
    """
    first_line = first_line or start.first_line
    separator, fields = start.header.separator, len(start.header.names)
    if separator != "spaces" and not astray:
        plain = plain_rows(body, separator, fields, first_line=first_line, trails=start.trails)
        frame = None if plain is None else _read_plain(plain, start, layout, shown)
        if plain is not None and frame is not None:
            return plain, frame
    rows = careful_rows(
        body,
        separator,
        fields,
        first_line=first_line,
        heading=start.heading(),
        trails=start.trails,
        complete=complete,
        astray=astray,
    )
    if not len(rows.line):
        return rows, pl.DataFrame()
    types = _types(rows, start, layout, shown)
    try:
        frame = _parse(rows, types, layout)
    except pl.exceptions.ComputeError:
        frame = _parse(rows, dict.fromkeys(types, pl.String()), layout)
    return rows, _named(frame, rows, start)


def _read_plain(rows: Rows, start: CsvStart, layout: "Layout", shown: str) -> pl.DataFrame | None:
    """The frame of rows that were only counted together; None where a closer look is needed."""
    types = _types(rows, start, layout, shown)
    last = rows.fields - 1
    types.setdefault(last, pl.String())
    numeric = any(kind != pl.String() for kind in types.values())
    try:
        frame = _parse(rows, types, layout)
    except pl.exceptions.PolarsError:
        numeric = False
        try:
            frame = _parse(rows, dict.fromkeys(types, pl.String()), layout)
        except pl.exceptions.PolarsError:
            return None  # a row with more fields, or a first one with fewer
    if not numeric and _may_hold_header(frame, start):
        return None  # among numbers a header met again would have shown itself
    if len(frame) != len(rows.line) or not each_is_whole(rows, not frame[f"c{last}"].null_count()):
        return None
    return _named(frame, rows, start)


def _may_hold_header(frame: pl.DataFrame, start: CsvStart) -> bool:
    """Whether a time cell has no digit, or is the column's own name."""
    heading = start.heading()
    for place in heading.times:
        cells = frame[f"c{place}"]
        bare = ~cells.str.contains(r"\d") | cells.str.contains(heading.names[place], literal=True)
        if bare.any():
            return True
    return False


def _named(frame: pl.DataFrame, rows: Rows, start: CsvStart) -> pl.DataFrame:
    """The mapped columns under their names, with the line numbers."""
    index = {name: f"c{start.header.names.index(name)}" for name in start.mapped()}
    columns = [frame[theirs].alias(name) for name, theirs in index.items()]
    return pl.DataFrame([*columns, pl.Series("row", rows.line, dtype=pl.UInt32)])


def _types(rows: Rows, start: CsvStart, layout: "Layout", shown: str) -> dict[int, pl.DataType]:
    """Type of each mapped column, by its place."""
    named = (layout.file.bike_column, layout.file.name_column)
    as_text = {*time_columns(layout), *map(plain_name, named)}
    mapped = start.mapped()
    places = [start.header.names.index(name) for name in mapped]
    plain = _plain_types(rows, places, layout, shown)
    return {
        at: pl.String() if name in as_text else kind
        for at, name, kind in zip(places, mapped, plain, strict=True)
    }


def _parse(rows: Rows, types: Mapping[int, pl.DataType], layout: "Layout") -> pl.DataFrame:
    return pl.read_csv(
        rows.body,
        has_header=False,
        columns=sorted(types),
        schema={f"c{i}": types.get(i, pl.String()) for i in range(rows.fields)},
        separator=rows.separator,
        quote_char=None,
        decimal_comma=layout.file.decimal == ",",
    )


def _refuse_either_mark(cells: set[str], layout: "Layout", where: str) -> None:
    """LogError where a mark may be thousands or decimal: 950 beside 1.050, never 1.05.

    A writer of decimals would give the whole numbers decimals too, or now and then drop a
    last zero. Read as decimals, an engine would turn at one revolution a minute.
    """
    mark = layout.file.decimal
    if mark == ",":
        points = {cell for cell in cells if "." in cell}
        if len(points) >= 3 and all(_THOUSANDS["."].match(cell) for cell in points):
            raise _either_mark(".", min(points), where)
    marked = {cell for cell in cells if mark in cell}
    if len(marked) < 3 or not all(_THOUSANDS[mark].match(cell) for cell in marked):
        return
    plain = [cell for cell in cells - marked if cell.isdecimal()]
    if plain and all(len(cell) <= 3 for cell in plain) and max(map(int, plain)) >= 500:
        raise _either_mark(mark, min(marked), where)


def _either_mark(mark: str, cell: str, where: str) -> LogError:
    return LogError(
        f'"{mark}" may mark thousands or decimals in this column',
        where=where,
        value=f'"{cell}"',
        what_to_do="Set thousands and decimal in the layout; if it is a decimal mark, "
        "have the logger write all decimals.",
    )


def _plain_types(
    rows: Rows, columns: Sequence[int], layout: "Layout", shown: str
) -> list[pl.DataType]:
    """Type of each column by its first and last rows: UInt8 for 0/1, Float64, else text."""
    mark = rows.separator.encode()
    number = _NUMBER[layout.file.decimal]
    head = rows.body[: 1 << 16].split(b"\n", _SAMPLE_ROWS)[:_SAMPLE_ROWS]
    tail = rows.body[-(1 << 14) :].split(b"\n")[1:-1][-_SAMPLE_ROWS:]
    lines = [line.rstrip(b"\r").split(mark) for line in (*head, *tail) if line]
    lines = [cells for cells in lines if len(cells) >= rows.fields]
    types: list[pl.DataType] = []
    for column in columns:
        cells = {cells[column].decode("utf-8", "replace").strip() for cells in lines}
        cells.discard("")
        if not layout.file.thousands:
            _refuse_either_mark(cells, layout, f"{shown}, column {column + 1}")
        if cells <= {"0", "1"} and cells:
            types.append(pl.UInt8())
        elif cells and all(number.match(cell) for cell in cells) and not layout.file.thousands:
            types.append(pl.Float64())
        else:
            types.append(pl.String())
    return types


def _with_unnamed_index(text: str, header: Header) -> Header:
    """The header with a blank name in front, where the rows count themselves there.

    Some tools write the number of the row before it and no name above.
    """
    rows = itertools.islice(numbered_lines(text[header.end : header.end + (1 << 14)]), 12)
    cells = [split_line(line, header.separator) for *_, line in rows if line.strip()]
    first = [row[0].strip() for row in cells[:-1]]
    longer = all(len(row) == len(header.names) + 1 and row[-1].strip() for row in cells[:-1])
    if len(first) < 3 or not longer or not all(c.isdecimal() for c in first):
        return header
    numbers = [int(c) for c in first]
    if any(b - a != 1 for a, b in itertools.pairwise(numbers)):
        return header
    return replace(header, names=("", *header.names))


def _units_row(
    text: str, header: Header, wanted: Wanted, layout: "Layout"
) -> tuple[tuple[str, ...], int, int]:
    """Cells of the units row (empty: there is none), where the rows begin, their first line.

    It is known by its cells: nothing in the time column that has a digit, and no mapped
    cell that is a number. So one the layout forgot is no sample, and a first sample is no
    units row.
    """
    taken = 0
    for number, _start, end, line in numbered_lines(text[header.end :]):
        if not line.strip():
            continue
        if line.startswith("#"):
            continue
        cells = tuple(c.strip() for c in split_line(line, header.separator))
        by_name = dict(zip(header.names, cells, strict=False))
        mapped = [by_name.get(name, "") for name in wanted.all]
        times = [by_name.get(name, "") for name in time_columns(layout)]
        decimal = _NUMBER[layout.file.decimal]
        no_units = any(decimal.match(cell) for cell in mapped) or any(
            c.isdecimal() for cell in times for c in cell
        )
        if no_units or len(cells) < 2 or not any(mapped):
            break
        taken = header.end + end
        return cells, taken, header.line + number + 1
    return (), header.end, header.line + 1


def _no_rows(start: CsvStart, shown: str, lost: Lost) -> LogError:
    fields = len([n for n in start.header.names if n] or start.header.names)
    if not lost.rows:
        return LogError(
            "The log has a header but no rows",
            where=f"{shown}, line {start.header.line}",
            value=f"{fields} columns, 0 rows",
            what_to_do="See whether the logger was running; copy the log again.",
        )
    return LogError(
        "No row fits the header",
        where=f"{shown}, {lost.first}",
        value=f"{lost.rows} rows left out",
        what_to_do="Give the header of the logger's set-up, line "
        f"{start.header.line}, as many names as the rows have fields.",
    )


def _starts(start: CsvStart | None, rows: Rows | None) -> tuple[tuple[int, str], ...]:
    """Start lines: above the header, and in comments further down."""
    above = [(0, text) for text in start_lines(start.header.before)] if start else []
    comments = rows.comments if rows else ()
    below = [(at, text) for at, line in comments for text in start_lines([line])]
    return (*above, *below)


def _row_limit(text: bytes) -> tuple[Note, ...]:
    """A note where a file ends just where a spreadsheet's sheet does."""
    lines = text.count(b"\n") + (0 if text.endswith(b"\n") else 1)
    if lines != SHEET_LINES:
        return ()
    said = f"the file has {lines} lines, as many as a spreadsheet holds; its end may be missing"
    return (Note("rows", said, 1),)


def _lost(rows: Rows, start: CsvStart, size: int) -> Lost:
    """What of a stretch of the file could not be read."""
    out = rows.left_out
    first = out.first_damaged(len(start.header.names))
    return Lost(out.rows, out.size, len(rows.line) + out.rows, size, first)


_SAID = {
    "blank": "blank lines skipped",
    "comment": "lines starting with # skipped",
    "header again": "the header line met again",
    "units row again": "the units row met again",
    "remark": "lines of words between rows skipped",
    "another header": "rows under another header left out",
    "another number of fields": "rows with another number of fields than the header left out",
    "NUL bytes": "rows with NUL bytes left out",
    "NUL bytes alone": "stretches of NUL bytes left out",
    "a quote that is never closed": "rows with a quote that is never closed left out",
    "a stretch without line ends": "stretches without line ends left out",
    "last line cut": "the last line is cut and left out",
}


def left_out_notes(rows: Rows) -> tuple[Note, ...]:
    """One note for each kind of line that was left out."""
    return tuple(
        Note("rows", f"{_SAID[kind]}, first at line {rows.left_out.first[kind]}", count, kind)
        for kind, count in rows.left_out.counts.items()
    )
