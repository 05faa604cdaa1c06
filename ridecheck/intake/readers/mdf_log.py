"""Read an ASAM MDF 4 log by the same layouts, where the optional extra is installed.

Channels are found by name. Each group of an MDF file has a time base of its own; here every
instant of any mapped channel is a row, and a channel is blank where it says nothing.
"""

import gc
import sys
from datetime import UTC
from typing import IO, TYPE_CHECKING, Any, cast

import numpy as np
import polars as pl

from ridecheck.core.errors import LogError
from ridecheck.intake.readers.table import (
    GIVEN_TIME,
    RawTable,
    missing_columns,
    plain_name,
    time_columns,
    wanted_columns,
)

if TYPE_CHECKING:
    from ridecheck.fleet import Layout

MAGIC = (b"MDF     ", b"UnFinMF ")


def open_mdf(stream: IO[bytes], *, shown: str) -> Any:
    """The file, or LogError: the extra is not installed, or the file cannot be read."""
    try:
        from asammdf import MDF
    except ImportError as missing:
        raise LogError(
            "This is an MDF file, and reading MDF needs an extra that is not installed",
            where=shown,
            value="the extra mdf",
            what_to_do='Install it (python -m pip install "ridecheck[mdf]"), or export CSV.',
        ) from missing
    try:
        return MDF(cast(Any, stream))  # it asks for more than it uses of a stream
    except Exception as fault:  # a decoder fed with damaged bytes raises anything
        problem = _damaged(shown, fault)
        _let_go(fault)
        raise problem from None


def _let_go(fault: BaseException | None) -> None:
    """Drop a half-made file now and quietly: its clean-up fails, and would print that."""
    while fault is not None:
        fault.__traceback__ = None
        fault = fault.__context__
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        gc.collect()
    finally:
        sys.unraisablehook = hook


def mdf_names(file: Any) -> tuple[str, ...]:
    """Plain names of the channels; one that stands in several groups comes as often."""
    return tuple(plain_name(name) for name, places in file.channels_db.items() for _ in places)


def read_mdf(stream: IO[bytes], layout: "Layout", *, shown: str) -> RawTable:
    """The mapped channels of an MDF log. LogError where it cannot be read by this layout."""
    file = open_mdf(stream, shown=shown)
    names = mdf_names(file)
    wanted = wanted_columns(layout)
    given = set(time_columns(layout))
    missing = [n for n in wanted.needed if n not in names and n not in given]
    if missing:
        raise missing_columns(missing, names, where=shown)
    mapped = [n for n in wanted.all if n in names and n not in given]
    doubled = [n for n in mapped if names.count(n) > 1]
    if doubled:
        raise LogError(
            f'The channel "{doubled[0]}" stands in more than one group',
            where=shown,
            value=f"{names.count(doubled[0])} groups",
            what_to_do="Give the channels names of their own in the logger's set-up.",
        )
    own = {plain_name(name): name for name in file.channels_db}
    try:
        signals = {name: file.get(own[name]) for name in mapped}
        start = file.header.start_time.astimezone(UTC)
    except Exception as fault:  # as above
        raise _damaged(shown, fault) from fault
    frame = _joined(signals, round(start.timestamp() * 1e6))
    if not len(frame):
        raise LogError(
            "The log has channels but no samples",
            where=shown,
            value="0 samples",
            what_to_do="Copy it from the logger again; if it is so there too, delete it.",
        )
    return RawTable(
        frame=frame,
        units={name: str(signal.unit) for name, signal in signals.items() if signal.unit},
        header=names,
    )


def read_all_mdf(stream: IO[bytes], *, shown: str) -> tuple[pl.DataFrame, dict[str, str]]:
    """Every channel that stands in one group, with ``time``; and the units they state."""
    file = open_mdf(stream, shown=shown)
    names = mdf_names(file)
    masters = {"t", "time", "timestamps"}
    try:
        signals = {
            plain_name(own): file.get(own)
            for own in file.channels_db
            if names.count(plain_name(own)) == 1 and plain_name(own).lower() not in masters
        }
        start = file.header.start_time.astimezone(UTC)
    except Exception as fault:  # as above
        raise _damaged(shown, fault) from fault
    units = {name: str(signal.unit) for name, signal in signals.items() if signal.unit}
    frame = _joined(signals, round(start.timestamp() * 1e6)).drop("row")
    return frame.rename({GIVEN_TIME: "time"}), units


def _joined(signals: dict[str, Any], start_us: int) -> pl.DataFrame:
    """One row for each instant of any channel."""
    stamps = {
        name: np.rint(np.asarray(signal.timestamps, dtype=float) * 1e6).astype(np.int64)
        for name, signal in signals.items()
    }
    every = np.unique(np.concatenate([*stamps.values(), np.empty(0, dtype=np.int64)]))
    columns = [
        pl.Series(GIVEN_TIME, every + start_us).cast(pl.Datetime("us", "UTC")),
        pl.Series("row", np.arange(1, len(every) + 1), dtype=pl.UInt32),
    ]
    for name, signal in signals.items():
        places = np.full(len(every), -1, dtype=np.int64)
        places[np.searchsorted(every, stamps[name])] = np.arange(len(stamps[name]))
        at = pl.Series(places).set(pl.Series(places < 0), None)
        columns.append(_series(signal.samples).gather(at).rename(name))
    return pl.DataFrame(columns)


def _series(samples: Any) -> pl.Series:
    values = np.asarray(samples)
    if values.dtype.kind in "SU":
        text = [v.decode("utf-8", "replace") if isinstance(v, bytes) else str(v) for v in values]
        return pl.Series([t.strip("\0 ") for t in text], dtype=pl.String)
    if values.dtype.kind == "b":
        return pl.Series(values)
    if values.ndim > 1 or values.dtype.kind not in "iuf":
        return pl.Series([None] * len(values), dtype=pl.Float64)
    return pl.Series(values.astype(float))


def _damaged(shown: str, fault: Exception) -> LogError:
    return LogError(
        "The MDF file is cut or damaged",
        where=shown,
        value=(str(fault).splitlines() or [type(fault).__name__])[0][:120],
        what_to_do="Copy it from the logger again.",
    )
