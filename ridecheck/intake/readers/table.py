"""What a reader hands on: the mapped columns as the file wrote them, and what was left out."""

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import polars as pl

from ridecheck.core.errors import LogError
from ridecheck.core.model import Note
from ridecheck.core.names import nearest_names

if TYPE_CHECKING:
    from ridecheck.fleet import Layout


GIVEN_TIME = "\0time"
"""Column of instants (Datetime us, UTC) that a kind of file gives by itself."""


@dataclass(frozen=True, slots=True)
class Lost:
    """Rows of a log that could not be read, and how many rows and bytes there are.

    first: where the first of them is and what is wrong with it, "" where there is none.
    """

    rows: int = 0
    size: int = 0
    of_rows: int = 0
    of_size: int = 0
    first: str = ""

    def __add__(self, other: "Lost") -> "Lost":
        return Lost(
            self.rows + other.rows,
            self.size + other.size,
            self.of_rows + other.of_rows,
            self.of_size + other.of_size,
            self.first or other.first,
        )

    @property
    def share(self) -> float:
        """Share of the rows. A line as long as many rows, as a lost byte makes, is as many."""
        kept = self.of_rows - self.rows
        rows = float(self.rows)
        if kept > 0 and self.size:
            as_rows = self.size * kept / max(1, self.of_size - self.size)
            rows = as_rows if as_rows > 2 * rows else rows
        return rows / (kept + rows) if kept + rows else 0.0


@dataclass(frozen=True, slots=True)
class RawTable:
    """The mapped columns of one log, before any meaning is given to them.

    frame: columns by their name in the file, as text or as the numbers they plainly are,
    and ``row`` (UInt32; line number as an editor shows it, row number from 1 for
    Parquet). restarts: indexes of rows before which the header was met again. starts:
    (row index, text) of each "start <ISO time>" line. units: the units row by column, if
    there is one. metadata: what a file states beside its columns, keys in lower case. lost:
    rows that could not be read. cut: why the file's end is missing, "" where it is not.
    """

    frame: pl.DataFrame
    notes: tuple[Note, ...] = ()
    restarts: tuple[int, ...] = ()
    starts: tuple[tuple[int, str], ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    metadata: Mapping[str, str] = field(default_factory=dict)
    header: tuple[str, ...] = ()
    lost: Lost = Lost()
    cut: str = ""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Names of the file's columns that a layout maps: needed ones, optional ones."""

    needed: tuple[str, ...]
    optional: tuple[str, ...]

    @property
    def all(self) -> tuple[str, ...]:
        """Every name, needed ones first, each once."""
        return tuple(dict.fromkeys((*self.needed, *self.optional)))


def wanted_columns(layout: "Layout") -> Wanted:
    """The columns a layout reads, by their names in the file."""
    needed: list[str] = list(time_columns(layout))
    optional: list[str] = []
    if layout.file.shape == "long":
        needed += [plain_name(layout.file.name_column), plain_name(layout.file.value_column)]
    else:
        for column in layout.channels.values():
            (optional if column.optional else needed).append(plain_name(column.column))
    if layout.file.bike_from == "column" and layout.file.bike_column:
        # Parquet may state it in the file's metadata instead of a column.
        needs = optional if layout.file.kind == "parquet" else needed
        needs.append(plain_name(layout.file.bike_column))
    return Wanted(tuple(dict.fromkeys(needed)), tuple(dict.fromkeys(optional)))


def time_columns(layout: "Layout") -> tuple[str, ...]:
    """The one or two columns that hold the time."""
    return tuple(map(plain_name, layout.time.columns))


def plain_name(name: str) -> str:
    """A column name as compared: no outer blanks and quotes, case kept.

    A line break within it is a blank; an accent is one letter however it is put together;
    marks without width are left out.

    >>> plain_name(' "Vitesse\\n(km/h)" ')
    'Vitesse (km/h)'
    """
    if not name.isascii():
        name = unicodedata.normalize("NFC", _NO_WIDTH.sub("", name))
    return " ".join(name.split()).strip("\"'").strip()


_NO_WIDTH = re.compile("[\u00ad\u200b-\u200f\u2060\ufeff]")


def missing_columns(missing: Sequence[str], names: Iterable[str], *, where: str) -> LogError:
    """The error for columns that are not there, with the nearest names."""
    known = tuple(names)
    hints = [
        f'nearest to "{name}": ' + ", ".join(f'"{n}"' for n in near)
        for name in missing[:4]
        if (near := nearest_names(name, known))
    ]
    hints.append("correct the layout, or let `ridecheck layout` propose one.")
    return LogError(
        "Columns that the layout names are not in the file",
        where=where,
        value="missing " + ", ".join(f'"{name}"' for name in missing[:8]),
        what_to_do="; ".join(hints),
    )


def joined(tables: Sequence[RawTable]) -> RawTable:
    """Tables of one log under one another; a column that is text in one is text in all."""
    if len(tables) == 1:
        return tables[0]
    first = tables[0]
    texts = {
        name
        for name in first.frame.columns
        if len({str(t.frame.schema.get(name)) for t in tables}) > 1
    }
    frames = [
        t.frame.with_columns(pl.col(n).cast(pl.String) for n in texts if n in t.frame.columns)
        for t in tables
    ]
    starts: list[tuple[int, str]] = []
    restarts: list[int] = []
    notes: dict[tuple[str, str], Note] = {}
    lost = Lost()
    at = 0
    for table in tables:
        lost += table.lost
        restarts += [at + i for i in table.restarts]
        starts += [(at + i, text) for i, text in table.starts]
        at += len(table.frame)
        for note in table.notes:
            key = (note.about, note.kind or note.message)
            earlier = notes.get(key)
            notes[key] = (
                note if earlier is None else replace(earlier, count=earlier.count + note.count)
            )
    return replace(
        first,
        frame=pl.concat(frames, how="diagonal"),
        notes=tuple(notes.values()),
        starts=tuple(starts),
        restarts=tuple(restarts),
        lost=lost,
    )
