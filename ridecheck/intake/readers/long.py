"""Logs that write one value a row (time, name, value): brought to one row an instant."""

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from ridecheck.core.errors import LogError
from ridecheck.core.names import nearest_names
from ridecheck.intake.readers.table import RawTable, plain_name, time_columns

if TYPE_CHECKING:
    from ridecheck.fleet import Layout


def widen(raw: RawTable, layout: "Layout", *, where: str) -> RawTable:
    """One row for each stamp, one column for each mapped name; what is not said is blank.

    A name that comes again under the same stamp (a clock of whole seconds) begins a row of
    its own. LogError where a needed name never comes.
    """
    names, values = plain_name(layout.file.name_column), plain_name(layout.file.value_column)
    frame = raw.frame.with_columns(
        pl.col(names).cast(pl.String).str.strip_chars().str.strip_chars("\"'")
    )
    said = set(frame[names].drop_nulls().unique().to_list())
    mapped = {plain_name(c.column): c.optional for c in layout.channels.values()}
    _refuse_missing(mapped, said, raw, where)
    stamps = time_columns(layout)
    others = [c for c in frame.columns if c not in {names, values, "row", *stamps}]
    marked = (
        frame.with_row_index("index")
        .filter(pl.col(names).is_in([n for n in mapped if n in said]))
        .with_columns(_run=pl.struct(stamps).ne_missing(pl.struct(stamps).shift(1)).cum_sum())
        .with_columns(_turn=pl.int_range(pl.len()).over("_run", names))
    )
    keys = ["_run", "_turn"]
    first = marked.group_by(keys, maintain_order=True).agg(
        pl.col("index", "row", *stamps, *others).first()
    )
    wide = marked.pivot(on=names, index=keys, values=values, aggregate_function="last")
    table = first.join(wide, on=keys, how="left").sort("index")
    at = table["index"].to_list()
    return replace(
        raw,
        frame=table.drop("index", *keys),
        restarts=tuple(_place(at, i) for i in raw.restarts),
        starts=tuple((_place(at, i), text) for i, text in raw.starts),
    )


def _place(at: list[int], index: int) -> int:
    """Index of the first wide row that begins at or after a row of the long table."""
    return sum(i < index for i in at)


def _refuse_missing(mapped: dict[str, bool], said: set[str], raw: RawTable, where: str) -> None:
    missing = [name for name, optional in mapped.items() if not optional and name not in said]
    if not missing:
        return
    hints = [
        f'nearest to "{name}": ' + ", ".join(f'"{n}"' for n in near)
        for name in missing[:4]
        if (near := nearest_names(name, said))
    ]
    raise LogError(
        "Names that the layout maps never come in the file",
        where=f"{where}, from line {raw.frame['row'][0]}",
        value="missing " + ", ".join(f'"{name}"' for name in missing[:8]),
        what_to_do="; ".join(
            [*hints, "correct the layout, or let `ridecheck layout` propose one."]
        ),
    )
