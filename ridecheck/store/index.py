"""The DuckDB index: derived from results/ and rides/, changed in a copy, moved into place."""

import contextlib
import errno
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import duckdb
import polars as pl
from pydantic import TypeAdapter

from ridecheck.core.files import placed
from ridecheck.core.model import BikeReport, Cancel, RideResult, SetAside, StoredFinding
from ridecheck.core.resources import shipped
from ridecheck.store.parts import KeptPart

NAME = "ridecheck.duckdb"
_SMALLEST_PARQUET = 12
"""Bytes: both magic words and the footer's length (Apache Parquet format)."""
BIKE_TABLES = (
    "parts",
    "rides",
    "exposures",
    "limits",
    "findings",
    "cancels",
    "measures",
    "verdicts",
)


@dataclass(frozen=True, slots=True)
class LogRow:
    """A log as the inbox held it. file: the file it lies in; differs for archives."""

    file: str
    log: str
    sha256: str
    size: int
    mtime_ns: int
    inode: int
    state: str
    tried_with: str

    @property
    def facts(self) -> tuple[int, int, int]:
        """What shows, without reading it, that a file is the one seen before."""
        return (self.size, self.mtime_ns, self.inode)


@dataclass(frozen=True, slots=True)
class BikeRow:
    """A bike's report as it was worked out, and for which ``as_of`` it stands."""

    report: BikeReport
    stamp: str
    valid_from: datetime | None
    valid_until: datetime | None

    def stands(self, as_of: datetime | None) -> bool:
        """Would the report be the same for this instant?"""
        if as_of is None:
            return self.valid_from is None and self.valid_until is None
        after = self.valid_from is None or as_of >= self.valid_from
        return after and (self.valid_until is None or as_of < self.valid_until)


@dataclass(frozen=True, slots=True)
class BikeRows:
    """Everything the index keeps of one bike. rides_of: stem -> the ride it is part of."""

    row: BikeRow
    results: Sequence[RideResult]
    parts: Sequence[KeptPart]
    rides_of: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Known:
    """What the index remembers from the last run, empty where it is missing or damaged."""

    logs: Mapping[str, tuple[LogRow, ...]]
    stamps: Mapping[str, str]
    bikes: Mapping[str, BikeRow]
    whole: bool

    @classmethod
    def nothing(cls) -> "Known":
        """No index yet: everything is worked out anew."""
        return cls({}, {}, {}, whole=False)


@cache
def _report_adapter() -> TypeAdapter[BikeReport]:
    return TypeAdapter(BikeReport)


def read_known(root: Path) -> Known:
    """What the last run left in the index."""
    path = root / NAME
    if not path.is_file():
        return Known.nothing()
    try:
        with duckdb.connect(str(path), read_only=True) as con:
            if _applied(con) != [n for n, _ in migrations()]:
                return Known.nothing()
            logs: dict[str, list[LogRow]] = {}
            for row in con.execute("SELECT * FROM logs ORDER BY file, log").fetchall():
                logs.setdefault(row[0], []).append(LogRow(*row))
            stamps = dict(con.execute("SELECT name, value FROM stamps").fetchall())
            bikes = {
                bike: BikeRow(
                    _report_adapter().validate_json(report), stamp, _aware(since), _aware(until)
                )
                for bike, stamp, since, until, report in con.execute(
                    "SELECT bike, stamp, valid_from, valid_until, report FROM verdicts"
                ).fetchall()
            }
    except (duckdb.Error, ValueError):
        return Known.nothing()
    return Known({f: tuple(rows) for f, rows in logs.items()}, stamps, bikes, whole=True)


def bikes_with_old_samples(root: Path, before: datetime) -> tuple[str, ...]:
    """Bikes with parts that ended before an instant and are not thinned yet."""
    path = root / NAME
    if not path.is_file():
        return ()
    asked = 'SELECT DISTINCT bike FROM parts WHERE NOT thinned AND "end" < ? ORDER BY bike'
    with duckdb.connect(str(path), read_only=True) as con:
        return tuple(bike for (bike,) in con.execute(asked, [_naive(before)]).fetchall())


MOST_WAITING = 50_000
"""Rows that gather before they are put."""


@contextlib.contextmanager
def index_update(root: Path, *, anew: bool = False) -> Iterator["IndexUpdate"]:
    """A change of the index, in a copy that is moved into place by ``finish``.

    anew builds it from nothing. Whoever reads it meanwhile keeps the old one. Raises
    OSError where the disk is full.
    """
    try:
        with contextlib.ExitStack() as stack:
            yield IndexUpdate(root, anew, stack)
    except duckdb.IOException as error:
        raise OSError(errno.EIO, str(error).splitlines()[0], NAME) from error


class IndexUpdate:
    """What the index is to say of some bikes and of all logs. Untouched, it stays as it is."""

    def __init__(self, root: Path, anew: bool, stack: contextlib.ExitStack) -> None:
        self._root, self._anew, self._stack = root, anew, stack
        self._con: duckdb.DuckDBPyConnection | None = None
        self._bikes: list[str] = []
        self._rows: dict[str, list[tuple[object, ...]]] = {table: [] for table in BIKE_TABLES}

    @property
    def begun(self) -> bool:
        """True where anything was put."""
        return self._con is not None

    def put(self, bike: str, entry: BikeRows | None) -> None:
        """Replace everything the index says of a bike; None forgets it."""
        self._opened()
        self._bikes.append(bike)
        for table, row in _of_bike(bike, entry) if entry is not None else ():
            self._rows[table].append(row)
        if sum(map(len, self._rows.values())) > MOST_WAITING:
            self._flush()

    def _flush(self) -> None:
        """Put what has gathered: one statement a table, however many bikes."""
        con = self._opened()
        for table in BIKE_TABLES:
            con.execute(f"DELETE FROM {table} WHERE bike IN (SELECT unnest(?))", [self._bikes])
            _insert(con, table, self._rows[table])
            self._rows[table] = []
        self._bikes = []

    def finish(
        self,
        *,
        logs: Sequence[LogRow],
        set_aside: Sequence[SetAside],
        stamps: Mapping[str, str],
    ) -> None:
        """Say what is known of logs, make the views anew, and move the copy into place."""
        con = self._opened()
        if self._bikes:
            self._flush()
        said: dict[str, list[tuple[object, ...]]] = {
            "logs": sorted(
                (g.file, g.log, g.sha256, *g.facts, g.state, g.tried_with) for g in logs
            ),
            "set_aside": sorted(
                (s.log, s.sha256, s.what, s.where, s.value, s.what_to_do) for s in set_aside
            ),
            "stamps": sorted(stamps.items()),
        }
        for table, rows in said.items():
            con.execute(f"DELETE FROM {table}")
            _insert(con, table, rows)
        _make_views(con, self._root)
        con.execute("COMMIT")
        con.execute("CHECKPOINT")
        self._stack.close()

    def _opened(self) -> duckdb.DuckDBPyConnection:
        if self._con is None:
            target = self._root / NAME
            temporary = self._stack.enter_context(placed(target))
            if target.is_file() and not self._anew:
                shutil.copyfile(target, temporary)
            self._con = self._stack.enter_context(duckdb.connect(str(temporary)))
            _migrate(self._con)
            self._con.execute("BEGIN")
        return self._con


def migrations() -> tuple[tuple[str, str], ...]:
    """Names and text of the shipped migrations, in order."""
    files = sorted(shipped("schemas", "store").glob("[0-9]*.sql"))
    return tuple((f.stem, f.read_text("utf-8")) for f in files)


def _applied(con: duckdb.DuckDBPyConnection) -> list[str]:
    with contextlib.suppress(duckdb.Error):
        return [n for (n,) in con.execute("SELECT name FROM migrations ORDER BY name").fetchall()]
    return []


def _migrate(con: duckdb.DuckDBPyConnection) -> None:
    con.execute("CREATE TABLE IF NOT EXISTS migrations (name VARCHAR PRIMARY KEY)")
    applied = _applied(con)
    for name, text in migrations():
        if name not in applied:
            con.execute(text)
            con.execute("INSERT INTO migrations VALUES (?)", [name])


def _make_views(con: duckdb.DuckDBPyConnection, root: Path) -> None:
    """The view over the kept samples, then the shipped views, in order of their names."""
    con.execute("DROP VIEW IF EXISTS samples")
    con.execute("DROP TABLE IF EXISTS no_samples")
    folder = root.resolve() / "rides"
    parts = sorted(folder.glob("*/*.parquet"))
    whole = [p for p in parts if _is_whole(p)]  # one damaged file must not hide all others
    if not whole:
        _view_of_nothing(con)
    elif len(whole) == len(parts):
        _view_of(con, _quoted(folder / "*" / "*.parquet"))
    else:
        _view_of(con, f"[{', '.join(map(_quoted, whole))}]")
    for file in sorted(shipped("pipelines", "views").glob("*.sql")):
        con.execute(file.read_text("utf-8"))


def _view_of_nothing(con: duckdb.DuckDBPyConnection) -> None:
    columns = 'bike VARCHAR, stem VARCHAR, time TIMESTAMPTZ, "row" UINTEGER, file_time VARCHAR'
    con.execute(f"CREATE TABLE no_samples ({columns})")
    con.execute("CREATE VIEW samples AS SELECT * FROM no_samples")


def _view_of(con: duckdb.DuckDBPyConnection, files: str) -> None:
    con.execute(
        "CREATE VIEW samples AS SELECT "
        "split_part(filename, '/', -2) AS bike, "
        "replace(split_part(filename, '/', -1), '.parquet', '') AS stem, "
        "* EXCLUDE (filename) "
        f"FROM read_parquet({files}, union_by_name = true, filename = true, "
        "hive_partitioning = false)"
    )


def _quoted(path: Path) -> str:
    text = str(path).replace("'", "''")
    return f"'{text}'"


def _is_whole(path: Path) -> bool:
    """Whether a Parquet file begins and ends as one: cheap, and enough for what was cut."""
    with contextlib.suppress(OSError), path.open("rb") as file:
        head = file.read(4)
        size = file.seek(0, os.SEEK_END)
        if size < _SMALLEST_PARQUET:
            return False
        file.seek(-4, os.SEEK_END)
        return head == file.read(4) == b"PAR1"
    return False


def _of_bike(bike: str, entry: BikeRows) -> Iterator[tuple[str, tuple[object, ...]]]:
    open_ids = {f.finding.id for f in entry.row.report.findings if f.open}
    for kept in sorted(entry.parts, key=lambda k: (k.info.bike, k.info.stem)):
        yield "parts", _part_row(kept, entry.rides_of.get(kept.info.stem))
    for result in sorted(entry.results, key=lambda r: r.ride):
        ride = result.ride
        yield "rides", _ride_row(bike, result)
        for o in result.rules:
            said = (o.state.value, o.reason, o.exposure_s, o.events, o.findings)
            yield "exposures", (bike, ride, o.rule, *said)
            for used in o.limits:
                yield "limits", (bike, ride, o.rule, used.name, used.value, used.unit, used.origin)
        for finding in result.findings:
            yield "findings", _finding_row(bike, finding, finding.id in open_ids)
        for cancel in result.cancels:
            yield "cancels", _cancel_row(bike, cancel)
        for name, value in sorted(result.measures.items()):
            yield "measures", (bike, ride, name, value)
    yield "verdicts", _verdict_row(bike, entry.row)


def _part_row(kept: KeptPart, ride: str | None) -> tuple[object, ...]:
    info = kept.info
    return (
        info.bike,
        info.stem,
        ride,
        kept.log,
        info.sha256,
        info.layout,
        info.read_key,
        _naive(info.start),
        _naive(info.end),
        info.dating,
        info.rows,
        info.thinned,
    )


def _finding_row(bike: str, finding: StoredFinding, is_open: bool) -> tuple[object, ...]:
    return (
        bike,
        finding.ride,
        finding.id,
        finding.rule,
        finding.severity.value,
        is_open,
        _naive(finding.start),
        _naive(finding.end),
        finding.start_s,
        finding.end_s,
        finding.message,
        finding.measured,
        finding.limit,
        finding.unit,
        list(finding.channels),
        finding.doubt,
        finding.carried_from,
    )


def _cancel_row(bike: str, cancel: Cancel) -> tuple[object, ...]:
    return (
        bike,
        cancel.ride,
        cancel.t_s,
        _naive(cancel.time),
        cancel.file_time,
        cancel.row,
        cancel.speed_kmh,
        cancel.cause,
        cancel.commanded,
        cancel.gear,
        cancel.pulse_s,
        cancel.first_mover,
        cancel.resolution_s,
        list(cancel.not_logged),
        cancel.inferred,
        cancel.wanted_back,
    )


def _ride_row(bike: str, r: RideResult) -> tuple[object, ...]:
    return (
        bike,
        r.ride,
        _naive(r.start),
        _naive(r.end),
        r.dating,
        r.start_from,
        r.model,
        r.fits_model,
        r.duration_s,
        r.samples,
        r.distance_km,
        r.engaged_s,
        r.engaged_km,
        r.engagements,
        list(r.layouts),
        list(r.aliases),
        r.version,
        r.judge_key,
    )


def _verdict_row(bike: str, row: BikeRow) -> tuple[object, ...]:
    report = row.report
    return (
        bike,
        report.label,
        report.model,
        report.verdict.value,
        report.previous_verdict and report.previous_verdict.value,
        list(report.because),
        list(report.not_covered),
        _naive(report.last_data),
        row.stamp,
        _naive(row.valid_from),
        _naive(row.valid_until),
        _report_adapter().dump_json(report).decode(),
    )


def _insert(con: duckdb.DuckDBPyConnection, table: str, rows: Sequence[tuple[object, ...]]) -> None:
    """Add rows by way of a frame with the table's own types; row by row would be slow."""
    if not rows:
        return
    described = con.execute(f"DESCRIBE {table}").fetchall()
    schema = {name: _TYPES[kind] for name, kind, *_ in described}
    frame = pl.DataFrame(rows, schema=schema, orient="row")
    con.register("incoming", frame.to_arrow(compat_level=pl.CompatLevel.oldest()))
    con.execute(f"INSERT INTO {table} SELECT * FROM incoming")
    con.unregister("incoming")


_TYPES: Mapping[str, pl.DataType] = {
    "VARCHAR": pl.String(),
    "VARCHAR[]": pl.List(pl.String()),
    "BIGINT": pl.Int64(),
    "UBIGINT": pl.UInt64(),
    "DOUBLE": pl.Float64(),
    "BOOLEAN": pl.Boolean(),
    "TIMESTAMP": pl.Datetime("us"),
}


def _naive(instant: datetime | None) -> datetime | None:
    return None if instant is None else instant.astimezone(UTC).replace(tzinfo=None)


def _aware(instant: datetime | None) -> datetime | None:
    return None if instant is None else instant.replace(tzinfo=UTC)
