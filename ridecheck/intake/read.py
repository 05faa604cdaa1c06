"""One log through the stages: read by its layout, normalised to channels, validated."""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING

import polars as pl

from ridecheck.core.errors import LogError
from ridecheck.core.model import Note, Part
from ridecheck.intake.normalise import Carry, LogId, normalise_batch
from ridecheck.intake.normalise.parts import MOST_ROWS
from ridecheck.intake.readers import (
    Choice,
    Member,
    RawTable,
    choose_layout,
    read_csv,
    read_parquet,
    unknown_bike,
)
from ridecheck.intake.readers.choose import FleetFiles
from ridecheck.intake.readers.csv_log import csv_batches
from ridecheck.intake.readers.long import widen
from ridecheck.intake.readers.mdf_log import MAGIC as MDF_MAGIC
from ridecheck.intake.readers.mdf_log import read_mdf
from ridecheck.intake.readers.parquet_log import parquet_batches, parquet_rows
from ridecheck.intake.readers.table import Lost, joined, plain_name
from ridecheck.intake.validate import validated

if TYPE_CHECKING:
    from ridecheck.fleet import Layout

LARGE_BYTES = 128 << 20
"""A larger CSV is read in batches and never held whole."""


def take_in(
    member: Member,
    fleet: FleetFiles,
    *,
    layout: "Layout | str | None" = None,
    bike: str | None = None,
    first_seen: datetime | None = None,
) -> tuple[Part, ...]:
    """The validated parts of one log. Raises LogError: what, where with the value, what to do.

    layout, bike: stated by the user, else chosen by the contract's order. first_seen: when
    the log was first seen (UTC); a ride dated more than a day later is undated. Where more
    of the log than is allowed cannot be read, the parts are marked ``partly``.
    """
    reading = Reading(member, fleet, layout=layout, bike=bike, first_seen=first_seen)
    parts = list(reading.parts())
    return tuple(reading.marked(part) for part in parts)


class Reading:
    """A log being read: its parts one by one, and at their end what could not be read.

    Of a large CSV only about one part is in memory at a time. problem: more of the log than
    is allowed could not be read; known, like left_out (rows), once the last part is given.
    """

    def __init__(
        self,
        member: Member,
        fleet: FleetFiles,
        *,
        layout: "Layout | str | None" = None,
        bike: str | None = None,
        first_seen: datetime | None = None,
    ) -> None:
        self._member, self._fleet = member, fleet
        self._choice = choose_layout(member, fleet, layout=layout, bike=bike)
        self._book = _Book(self._choice, member, first_seen)
        self._stated = layout is not None or bike is not None
        self._lost = Lost()
        self._cut = ""

    def parts(self) -> Iterator[Part]:
        """The validated parts. Raises LogError where nothing of the log can be used."""
        for raw, last in _batches(self._member, self._choice):
            self._lost += raw.lost
            self._cut = self._cut or raw.cut
            for name, rows in _by_bike(raw, self._choice, self._fleet, self._member.name):
                yield from self._book.add(name, rows)
            if last:
                yield from self._book.close()

    @property
    def left_out(self) -> int:
        """Rows of the log that could not be read."""
        return self._lost.rows + self._book.untimed

    @property
    def problem(self) -> LogError | None:
        """Why the log does not count, though it is read: rows, its end, or cells are missing."""
        lost = self._lost + Lost(rows=self._book.untimed)
        if lost.share > MOST_LOST:
            return _too_many_lost(lost, self._book.first_untimed, self._member.name)
        if self._cut:
            return LogError(
                "The log is not whole",
                where=self._member.name,
                value=self._cut,
                what_to_do=f"Copy it from the logger again. {CONVICTS}",
            )
        return self._book.problem

    def marked(self, part: Part) -> Part:
        """A part that says how much of its log could not be read."""
        info = replace(
            part.info,
            left_out=self.left_out,
            partly=self.problem is not None,
            stated=self._stated,
        )
        return replace(part, info=info)


MOST_LOST = 0.01
"""More rows than this share that cannot be read set the log aside, as cells do."""
CONVICTS = "Until then dangers seen in the rows that were read hold the bike."


def _too_many_lost(lost: Lost, first_untimed: str, name: str) -> LogError:
    return LogError(
        f"{lost.share:.1%} of the log cannot be read",
        where=f"{name}, {lost.first or first_untimed}",
        value=f"{lost.rows} of {lost.of_rows} rows",
        what_to_do="Copy the log from the logger again; if its rows are so there too, correct "
        f"the layout or the logger's set-up. {CONVICTS}",
    )


def read_raw(member: Member, choice: Choice) -> RawTable:
    """The mapped columns of a log by the chosen layout, all of it."""
    if member.head(8).startswith(MDF_MAGIC):
        with member.open() as stream:
            raw = read_mdf(stream, choice.layout, shown=member.name)
    elif choice.layout.file.kind == "parquet":
        with member.open() as stream:
            raw = read_parquet(stream, choice.layout, shown=member.name)
    else:
        raw = read_csv(member.read(), choice.layout, shown=member.name)
    return _finished(raw, member, choice)


def _finished(raw: RawTable, member: Member, choice: Choice) -> RawTable:
    if choice.layout.file.shape == "long":
        raw = widen(raw, choice.layout, where=member.name)
    if member.note:
        raw = replace(raw, notes=(*raw.notes, Note("rows", member.note, 1)), cut=member.note)
    return raw


def _batches(member: Member, choice: Choice) -> Iterator[tuple[RawTable, bool]]:
    """The log's rows, each batch with whether it is the last."""
    with contextlib.ExitStack() as stack:
        if member.head(8).startswith(MDF_MAGIC) or not _is_large(member, choice):
            yield read_raw(member, choice), True
            return
        stream = stack.enter_context(member.open())
        read = csv_batches if choice.layout.file.kind == "csv" else parquet_batches
        held: RawTable | None = None
        for raw in read(stream, choice.layout, shown=member.name):
            if held is not None:
                yield _finished(held, member, choice), False
            held = raw
        if held is not None:
            yield _finished(held, member, choice), True


def _is_large(member: Member, choice: Choice) -> bool:
    """Whether a log is read in batches: by its bytes, or by its rows where they are packed."""
    if choice.layout.file.kind == "csv":
        return member.size > LARGE_BYTES
    with member.open() as stream:
        return parquet_rows(stream, shown=member.name) > MOST_ROWS


@dataclass(slots=True)
class _Account:
    """Rows of one bike that are not yet in a part."""

    carry: Carry
    waiting: list[RawTable] = field(default_factory=list)

    @property
    def rows(self) -> int:
        return sum(len(raw.frame) for raw in self.waiting)


class _Book:
    """Gathers a log's rows by bike, and lets parts go as soon as they are whole.

    untimed: rows without a time so far, the first of them in words. problem: cells.
    """

    def __init__(self, choice: Choice, member: Member, first_seen: datetime | None) -> None:
        self._choice = choice
        self._first = LogId(
            name=member.name,
            sha256=member.sha256,
            bike="",
            layout=choice.name,
            first_seen=first_seen,
        )
        self._accounts: dict[str, _Account] = {}
        self._numbered = 0
        self.untimed = 0
        self.first_untimed = ""
        self.problem: LogError | None = None

    def add(self, bike: str, raw: RawTable) -> Iterator[Part]:
        """Take rows of a bike; give the parts that are whole, where enough have gathered."""
        if bike not in self._accounts:
            self._accounts[bike] = _Account(Carry(replace(self._first, bike=bike)))
        account = self._accounts[bike]
        account.waiting.append(raw)
        if account.rows > MOST_ROWS:
            yield from self._settle(account, last=False)

    def close(self) -> Iterator[Part]:
        """All that is left."""
        for account in self._accounts.values():
            if account.waiting:
                yield from self._settle(account, last=True)

    def _settle(self, account: _Account, *, last: bool) -> Iterator[Part]:
        raw = joined(account.waiting)
        log = replace(account.carry.log, first_part=self._numbered + 1)
        parts, carry = normalise_batch(
            raw, self._choice.layout, replace(account.carry, log=log), last=last
        )
        self._numbered += len(parts)
        self.untimed += carry.untimed
        self.first_untimed = self.first_untimed or carry.first_untimed
        self.problem = self.problem or carry.problem
        yield from map(validated, parts)
        if parts and not last:
            account.carry = replace(carry, untimed=0)
            account.waiting = [_from(raw, carry.from_row)]
        else:
            account.waiting = [raw]


def _from(raw: RawTable, row: int) -> RawTable:
    """The rows from an index on; what was said of the earlier ones has been said."""
    return replace(
        raw,
        frame=raw.frame.slice(row),
        notes=(),
        starts=tuple((i - row, text) for i, text in raw.starts if i > row),
        restarts=tuple(i - row for i in raw.restarts if i > row),
    )


def _by_bike(
    raw: RawTable, choice: Choice, fleet: FleetFiles, where: str
) -> Iterator[tuple[str, RawTable]]:
    """The table of each bike: one, unless a column names them row by row."""
    if choice.bike:
        yield choice.bike, raw
        return
    column = plain_name(choice.layout.file.bike_column)
    if column not in raw.frame.columns:
        raise LogError(
            "The file does not name its bike",
            where=where,
            value=f'neither a column nor metadata "{column}"',
            what_to_do="Correct bike_column in the layout, or give the bike with --bike.",
        )
    spelled = raw.frame[column].cast(pl.String).str.strip_chars()
    named = spelled.str.to_lowercase()
    known = {bike.lower(): bike for bike in fleet.bikes}
    for name in named.drop_nulls().unique(maintain_order=True).to_list():
        if not name:
            continue
        of_bike = (named == name).fill_null(value=False)
        if name not in known:
            first = int(of_bike.arg_max() or 0)
            line = raw.frame["row"][first]
            raise unknown_bike(spelled[first], fleet.bikes, where=f"{where}, line {line}")
        before = of_bike.cast(pl.Int64).cum_sum().shift(1, fill_value=0).to_list()
        before.append(int(of_bike.sum()))
        yield (
            known[name],
            replace(
                raw,
                frame=raw.frame.filter(of_bike),
                restarts=tuple(before[i] for i in raw.restarts),
                starts=tuple((before[i], text) for i, text in raw.starts),
            ),
        )
