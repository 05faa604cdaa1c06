"""Read a Parquet log by its layout, through pyarrow: columns by name, never by position."""

from collections.abc import Iterator, Mapping
from typing import IO, TYPE_CHECKING

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from ridecheck.core.errors import LogError
from ridecheck.intake.readers.table import (
    Lost,
    RawTable,
    joined,
    missing_columns,
    plain_name,
    time_columns,
    wanted_columns,
)

if TYPE_CHECKING:
    from ridecheck.fleet import Layout

MAGIC = b"PAR1"
MOST_ROWS = 500_000
BATCH_ROWS = 1_000_000
MOST_CELLS = 100_000_000
"""Cells of a row group that are read at once: 0.8 GB as numbers."""
_EPOCHS = frozenset(
    {"epoch_seconds", "epoch_milliseconds", "epoch_microseconds", "epoch_nanoseconds"}
)


def open_parquet(stream: IO[bytes], *, shown: str) -> pq.ParquetFile:
    """The file with its footer read, or LogError where that is cut or damaged."""
    try:
        return pq.ParquetFile(stream)
    except (pa.ArrowException, OSError, ValueError) as fault:
        raise LogError(
            "The Parquet file has no readable footer; it is cut or damaged",
            where=shown,
            value=str(fault).splitlines()[0][:120] if str(fault) else type(fault).__name__,
            what_to_do="Copy it from the logger again.",
        ) from fault


def parquet_names(file: pq.ParquetFile) -> tuple[str, ...]:
    """Plain names of the columns."""
    return tuple(map(plain_name, file.schema_arrow.names))


def metadata_of(file: pq.ParquetFile) -> dict[str, str]:
    """The file's own key-values as text, keys in lower case; pyarrow's own are left out."""
    stated = file.schema_arrow.metadata or {}
    return {
        key.decode("utf-8", "replace").strip().lower(): value.decode("utf-8", "replace").strip()
        for key, value in stated.items()
        if len(value) <= 200 and not key.startswith((b"ARROW:", b"pandas"))
    }


def read_parquet(stream: IO[bytes], layout: "Layout", *, shown: str) -> RawTable:
    """The mapped columns of a Parquet log. LogError where it cannot be read by this layout."""
    return joined(list(parquet_batches(stream, layout, shown=shown, batch_rows=1 << 62)))


def parquet_batches(
    stream: IO[bytes], layout: "Layout", *, shown: str, batch_rows: int = BATCH_ROWS
) -> Iterator[RawTable]:
    """The same, row group by row group, in tables of at least batch_rows rows (the last: less).

    Other columns are never read. What a row group would unpack to is bounded before it is.
    """
    file = open_parquet(stream, shown=shown)
    own = _own_columns(file, layout, shown)
    if not file.metadata.num_rows:
        raise LogError(
            "The log has columns but no rows",
            where=shown,
            value="0 rows",
            what_to_do="Copy it from the logger again.",
        )
    metadata = metadata_of(file)
    start = next((v for k, v in metadata.items() if k in {"start", "start_time"}), "")
    first_row, tables = 1, []
    for group in range(file.num_row_groups):
        _refuse_too_many_cells(file, group, own, shown)
        tables.append(_read_group(file, group, list(own.values()), shown))
        rows = sum(table.num_rows for table in tables)
        if rows < batch_rows and group + 1 < file.num_row_groups:
            continue
        table = pa.concat_tables(tables)
        tables.clear()
        frame = pl.DataFrame([_column(table.column(theirs), name) for name, theirs in own.items()])
        numbers = pl.int_range(first_row, first_row + rows, dtype=pl.UInt32, eager=True)
        yield RawTable(
            frame=frame.with_columns(numbers.alias("row")),
            starts=((0, start),) if start and first_row == 1 else (),
            metadata=metadata,
            header=parquet_names(file),
            lost=Lost(of_rows=rows),
        )
        first_row += rows


def parquet_rows(stream: IO[bytes], *, shown: str) -> int:
    """How many rows the footer says there are."""
    return int(open_parquet(stream, shown=shown).metadata.num_rows)


def _own_columns(file: pq.ParquetFile, layout: "Layout", shown: str) -> dict[str, str]:
    """The mapped columns by their plain name, as the file calls them. LogError."""
    names, plain = file.schema_arrow.names, parquet_names(file)
    wanted = wanted_columns(layout)
    missing = [name for name in wanted.needed if name not in plain]
    if missing:
        raise missing_columns(missing, plain, where=shown)
    doubled = [name for name in wanted.all if plain.count(name) > 1]
    if doubled:
        raise LogError(
            f'The column "{doubled[0]}" stands more than once in the file',
            where=shown,
            value=f"{plain.count(doubled[0])} columns of that name",
            what_to_do="Give the columns names of their own in the logger's set-up.",
        )
    own = {name: names[plain.index(name)] for name in wanted.all if name in plain}
    _refuse_nested(file.schema_arrow, own, shown)
    _refuse_coarse_epoch(file.schema_arrow, own, layout, shown)
    return own


def _refuse_too_many_cells(
    file: pq.ParquetFile, group: int, own: Mapping[str, str], shown: str
) -> None:
    """LogError where a row group holds more than is read at once: a few bytes may say so."""
    rows = int(file.metadata.row_group(group).num_rows)
    if rows * len(own) > MOST_CELLS:
        raise LogError(
            "A row group of the Parquet file is too large to be read",
            where=f"{shown}, row group {group + 1}",
            value=f"{rows} rows of {len(own)} mapped columns, at most {MOST_CELLS} cells",
            what_to_do="Have the logger write row groups of up to a million rows.",
        )


def _read_group(file: pq.ParquetFile, group: int, names: list[str], shown: str) -> "pa.Table":
    try:
        return file.read_row_group(group, columns=names, use_threads=False)
    except (pa.ArrowException, OSError) as fault:
        raise LogError(
            "A page of the Parquet file is damaged",
            where=f"{shown}, row group {group + 1}",
            value=str(fault).splitlines()[0][:120] if str(fault) else type(fault).__name__,
            what_to_do="Copy it from the logger again.",
        ) from fault


def read_all(file: pq.ParquetFile, *, shown: str) -> tuple[pl.DataFrame, dict[str, str]]:
    """Every column of plain type by its plain name, and the file's key-values.

    Of a long file only the first row groups, up to about MOST_ROWS rows.
    """
    groups, rows = 0, 0
    while groups < file.num_row_groups and (groups == 0 or rows < MOST_ROWS):
        rows += file.metadata.row_group(groups).num_rows
        groups += 1
    try:
        table = file.read_row_groups(list(range(groups)), use_threads=False)
    except (pa.ArrowException, OSError) as fault:
        raise LogError(
            "A page of the Parquet file is damaged",
            where=shown,
            value=str(fault).splitlines()[0][:120] if str(fault) else type(fault).__name__,
            what_to_do="Copy it from the logger again.",
        ) from fault
    columns = {
        plain_name(entry.name): _column(table.column(i), plain_name(entry.name))
        for i, entry in enumerate(table.schema)
        if not pa.types.is_nested(entry.type)
    }
    return pl.DataFrame(list(columns.values())), metadata_of(file)


def _column(column: "pa.ChunkedArray", name: str) -> pl.Series:
    """One column for polars: plain types, dictionaries and decimals unpacked."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_decimal(kind) or pa.types.is_float16(kind):
        column = column.cast(pa.float64())
    elif pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        column = pa.chunked_array(
            [[None if v is None else v.decode("utf-8", "replace") for v in column.to_pylist()]],
            type=pa.string(),
        )
    elif pa.types.is_null(kind):
        column = column.cast(pa.float64())
    series = pl.Series(name, pl.from_arrow(column))
    return _of_the_calendar(series.rechunk())


YEARS_S = (-62_135_596_800, 253_402_300_799)
"""Years 1 to 9999, in seconds from 1970: no clock writes others, and they cannot be spelled."""

DAY_S = 86_400


def _of_the_calendar(series: pl.Series) -> pl.Series:
    """Dates, instants and times of day that cannot be, as damaged bytes make them, are blank."""
    kind = series.dtype
    if isinstance(kind, pl.Datetime):
        per_s = {"ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}[kind.time_unit]
        low, high = (min(max(s * per_s, -(2**63)), 2**63 - 1) for s in YEARS_S)
    elif kind == pl.Date:
        low, high = (s // DAY_S for s in YEARS_S)
    elif kind == pl.Time:
        low, high = 0, DAY_S * 1_000_000_000 - 1
    else:
        return series
    possible = series.to_physical().is_between(low, high)
    return pl.select(pl.when(possible).then(series).alias(series.name)).to_series()


def _refuse_nested(schema: "pa.Schema", own: dict[str, str], shown: str) -> None:
    for name, theirs in own.items():
        kind = schema.field(theirs).type
        if pa.types.is_nested(kind):
            raise LogError(
                "A column holds lists or records where one value a row is expected",
                where=f'{shown}, column "{name}"',
                value=str(kind)[:80],
                what_to_do="Have the logger write one value a row and column.",
            )


def _refuse_coarse_epoch(
    schema: "pa.Schema", own: dict[str, str], layout: "Layout", shown: str
) -> None:
    """A 32-bit float of seconds since 1970 has steps of 128 s: no time can be separated from it."""
    if layout.time.format not in _EPOCHS:
        return
    for name in time_columns(layout):
        if name in own and schema.field(own[name]).type in {pa.float32(), pa.float16()}:
            raise LogError(
                "The time is an epoch in a 32-bit float, which is too coarse to be a time",
                where=f'{shown}, column "{name}"',
                value="steps of 128 s in epoch seconds",
                what_to_do="Write the time as a timestamp, an integer or a 64-bit float.",
            )
