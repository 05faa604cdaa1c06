"""One log through the stages: read by its layout, normalised to channels, validated."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

import polars as pl

from ridecheck.errors import LogError
from ridecheck.model import Note, Part
from ridecheck.normalise import LogId, normalise
from ridecheck.readers import (
    Choice,
    Member,
    RawTable,
    choose_layout,
    read_csv,
    read_parquet,
    unknown_bike,
)
from ridecheck.readers.choose import FleetFiles
from ridecheck.readers.long import widen
from ridecheck.readers.table import plain_name
from ridecheck.validate import validated

if TYPE_CHECKING:
    from ridecheck.fleet import Layout


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
    the log was first seen (UTC); a ride dated more than a day later is undated.
    """
    choice = choose_layout(member, fleet, layout=layout, bike=bike)
    raw = read_raw(member, choice)
    parts: list[Part] = []
    for name, rows in _by_bike(raw, choice, fleet, member.name):
        log = LogId(
            name=member.name,
            sha256=member.sha256,
            bike=name,
            layout=choice.name,
            first_seen=first_seen,
            first_part=len(parts) + 1,
        )
        parts += map(validated, normalise(rows, choice.layout, log))
    return tuple(parts)


def read_raw(member: Member, choice: Choice) -> RawTable:
    """The mapped columns of a log by the chosen layout."""
    if choice.layout.file.kind == "parquet":
        with member.open() as stream:
            raw = read_parquet(stream, choice.layout, shown=member.name)
    else:
        raw = read_csv(member.read(), choice.layout, shown=member.name)
    if choice.layout.file.shape == "long":
        raw = widen(raw, choice.layout, where=member.name)
    if member.note:
        raw = replace(raw, notes=(*raw.notes, Note("rows", member.note, 1)))
    return raw


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
