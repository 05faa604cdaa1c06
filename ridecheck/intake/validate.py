"""Every part against the channels' schema: structure always, values where a count is off.

pandera costs half a second to import and full depth is thirty times a count, so one polars
select says whether any value is out of its channel's range; only then pandera looks at the
values, for its failure cases. A value that cannot be is blanked, counted and said, with one
cell as an example. It is never kept silently and never fatal.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import polars as pl

from ridecheck.core.catalog import Channel, channels
from ridecheck.core.errors import LogError
from ridecheck.core.model import ChannelFacts, Note, Part

if TYPE_CHECKING:
    from pandera.polars import DataFrameSchema

TYPES: Mapping[str, pl.DataType] = {
    "number": pl.Float64(),
    "integer": pl.Int16(),
    "switch": pl.Boolean(),
}
FIXED: Mapping[str, pl.DataType] = {
    "time": pl.Datetime("us", "UTC"),
    "row": pl.UInt32(),
    "file_time": pl.String(),
}


@dataclass(frozen=True, slots=True)
class OutOfRange:
    """Values of one channel that cannot be: how many, and the first with its row."""

    channel: str
    count: int
    value: float
    row: int


def validated(part: Part) -> Part:
    """The part with impossible values blanked, counted and noted. LogError on a wrong shape."""
    _check_structure(part.samples)
    if not any(count_out_of_range(part.samples).values()):
        return part
    found = failure_cases(part.samples)
    bounds = {f.channel: channels()[f.channel] for f in found}
    samples = part.samples.with_columns(
        pl.when(_within(channel)).then(pl.col(name)).alias(name) for name, channel in bounds.items()
    )
    counts = {f.channel: f.count for f in found}
    return Part(
        info=replace(
            part.info,
            out_of_range=counts,
            channels=_presence(part, samples, counts),
            notes=(*part.info.notes, *map(_note, found)),
        ),
        samples=samples,
    )


def count_out_of_range(samples: pl.DataFrame) -> dict[str, int]:
    """How many values of each ranged channel cannot be, in one pass."""
    ranged = [c for name in samples.columns if (c := channels().get(name)) and _is_ranged(c)]
    if not ranged:
        return {}
    counts = samples.select((~_within(c)).sum().alias(c.name) for c in ranged)
    return {name: int(count) for name, count in counts.row(0, named=True).items()}


def failure_cases(samples: pl.DataFrame) -> tuple[OutOfRange, ...]:
    """pandera in full depth over a DataFrame: which channels fail, how often, where first.

    On a LazyFrame pandera checks no values unless it is reported to; this is a DataFrame.
    """
    from pandera.config import ValidationDepth, config_context
    from pandera.errors import SchemaErrors

    names = tuple(n for n in samples.columns if n in channels())
    try:
        with config_context(validation_depth=ValidationDepth.SCHEMA_AND_DATA):
            schema(names, values=True).validate(samples.select(names), lazy=True)
    except SchemaErrors as errors:
        cases = errors.failure_cases
        return tuple(
            _first_case(samples, str(name), len(group))
            for (name,), group in cases.group_by(["column"], maintain_order=True)
        )
    return ()


@cache
def schema(names: Sequence[str], *, values: bool) -> "DataFrameSchema":
    """The schema of a part with these channels, from channels.toml.

    values False: columns and types only.
    """
    import pandera.polars as pa

    columns: dict[str, object] = {}
    for name in names:
        channel = channels().get(name)
        if channel is None:
            columns[name] = pa.Column(FIXED[name], nullable=name == "file_time")
            continue
        checks = (
            [pa.Check.in_range(channel.minimum, channel.maximum)]
            if (values and _is_ranged(channel))
            else []
        )
        columns[name] = pa.Column(TYPES[channel.kind], checks=checks, nullable=True)
    return pa.DataFrameSchema(columns, strict=True)


def _check_structure(samples: pl.DataFrame) -> None:
    from pandera.config import ValidationDepth, config_context
    from pandera.errors import SchemaError, SchemaErrors

    names = (*FIXED, *(n for n in channels() if n in samples.columns))
    try:
        with config_context(validation_depth=ValidationDepth.SCHEMA_ONLY):
            schema(names, values=False).validate(samples, lazy=True)
    except (SchemaError, SchemaErrors) as error:
        raise _misshapen(str(error).splitlines()[0][:200]) from error
    if samples["time"].null_count() or samples["row"].null_count():
        raise _misshapen("blank time or row")


def _misshapen(value: str) -> LogError:
    return LogError(
        "The log did not come out in the shape every part must have",
        where="samples",
        value=value,
        what_to_do="This is a fault of the reader; report it with the log.",
    )


def _is_ranged(channel: Channel) -> bool:
    return channel.minimum is not None and channel.maximum is not None


def _within(channel: Channel) -> pl.Expr:
    return pl.col(channel.name).is_between(channel.minimum, channel.maximum)


def _first_case(samples: pl.DataFrame, name: str, count: int) -> OutOfRange:
    off = samples.filter(~_within(channels()[name])).select(name, "row").head(1)
    return OutOfRange(name, count, float(off[name][0]), int(off["row"][0]))


def _note(found: OutOfRange) -> Note:
    channel = channels()[found.channel]
    unit = f" {channel.unit}" if channel.unit else ""
    return Note(
        "values",
        f"{found.channel}: values outside {channel.minimum:g} to {channel.maximum:g}{unit} "
        f"cannot be and were blanked, first {found.value:g} at line {found.row}",
        found.count,
    )


def _presence(
    part: Part, samples: pl.DataFrame, counts: Mapping[str, int]
) -> dict[str, ChannelFacts]:
    """Facts with the share of rows that still hold a value."""
    rows = max(1, len(samples))
    return {
        name: replace(facts, present=round(1.0 - samples[name].null_count() / rows, 6))
        if name in counts
        else facts
        for name, facts in part.info.channels.items()
    }
