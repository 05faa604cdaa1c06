"""Time cells into numbers: instants, local times without a zone, times of day, elapsed time."""

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.core.errors import LogError
from ridecheck.intake.normalise.as_written import (
    of_full_width,
    steps_back,
    with_padded_milliseconds,
)
from ridecheck.intake.normalise.values import is_blank, shown_cell
from ridecheck.intake.readers.table import GIVEN_TIME, time_columns

if TYPE_CHECKING:
    from ridecheck.fleet import Layout

Micros = NDArray[np.int64]
StampKind = Literal["instant", "local", "time_of_day", "elapsed"]

UNREADABLE = np.iinfo(np.int64).min
"""A stamp that could not be read."""
SECOND_US = 1_000_000
DAY_US = 86_400 * SECOND_US
RESTART_US = 10 * SECOND_US
"""A step back of this much begins a new part; a shorter one is jitter or a small correction."""
JITTER_ROWS = 5
"""Rows that step back and are caught up within this many are out of order; more is a step."""
MOSTLY_UNREADABLE = 0.5
"""More rows without a readable time than this: the layout's format is not the file's."""
LATE_LIMIT = 0.01
LATEST_YEAR_US = 4_102_444_800_000_000
"""2100-01-01: a later stamp is a wrong unit, not a date."""

_PER_UNIT = {
    "seconds": 1e6,
    "milliseconds": 1e3,
    "epoch_seconds": 1e6,
    "epoch_milliseconds": 1e3,
    "epoch_microseconds": 1.0,
    "epoch_nanoseconds": 1e-3,
    "day_number": float(DAY_US),
}
_COUNTS = frozenset(_PER_UNIT) - {"seconds", "epoch_seconds"}
_DAY_NUMBER_ZERO_US = -25_569 * DAY_US  # 1899-12-30, day 0 of spreadsheet day numbers
_ISO_DATE = r"\d{4}-?\d{2}-?\d{2}"
_ZONE = re.compile(r"(?:Z|z|[+-]\d{2}:?\d{2}|[+-]\d{2})$")
_DATE_PARTS = re.compile(r"%[-_0]?[YyGgCmbBhdejUWuDFxcsvV+]")


@dataclass(frozen=True, slots=True)
class Stamps:
    """The time of every row as the file has it.

    micros: microseconds, UNREADABLE where a cell could not be read. Since 1970 UTC for
    "instant", since 1970 on the local clock for "local", since midnight for
    "time_of_day", since whatever the logger counts from for "elapsed". unit_us: how many
    microseconds one count of the file is. file_time: the cells as written.
    """

    kind: StampKind
    micros: Micros
    file_time: pl.Series
    unit_us: float


def read_stamps(frame: pl.DataFrame, layout: "Layout", *, where: str) -> Stamps:
    """The time column (or two, joined by a space) by the layout's format.

    LogError where most rows have no readable time: a row here and there is left out.
    """
    cells = _cells(frame, layout)
    fmt = layout.time.format or "iso8601"
    if isinstance(cells.dtype, pl.Datetime):
        stamps = _of_datetime(cells)
    elif cells.dtype == pl.Date:
        stamps = _of_datetime(cells.cast(pl.Datetime("us")))
    elif cells.dtype == pl.Time:
        micros = cells.cast(pl.Int64) // 1000
        stamps = Stamps("time_of_day", _filled(micros), _text(cells), 1.0)
    elif isinstance(cells.dtype, pl.Duration):
        micros = cells.dt.total_microseconds()
        stamps = Stamps("elapsed", _filled(micros), _text(micros / 1e6), 1.0)
    elif fmt in _PER_UNIT:
        stamps = _of_numbers(cells, fmt, layout)
    elif cells.dtype != pl.String:
        raise LogError(
            "The time column holds numbers, and the layout does not say of what",
            where=f"{where}, column {_column_names(layout)}",
            value=f"first value {shown_cell(cells[0])}",
            what_to_do="Set format in [columns.time]: seconds, milliseconds or one of the epochs.",
        )
    elif fmt == "iso8601":
        stamps = _iso(cells)
    else:
        stamps = _by_pattern(cells, fmt, layout)
    if cells.dtype == pl.String and fmt not in _COUNTS and steps_back(stamps.micros):
        stamps = _with_padded_milliseconds(stamps, cells, fmt, layout)
    _refuse_unreadable(stamps, frame["row"], fmt, where)
    return stamps


def _with_padded_milliseconds(
    stamps: Stamps, cells: pl.Series, fmt: str, layout: "Layout"
) -> Stamps:
    """The stamps with ".5" read as five milliseconds, where that is what the cells mean."""

    def read(text: pl.Series) -> Stamps:
        if fmt in _PER_UNIT:
            return _of_numbers(text, fmt, layout)
        return _iso(text) if fmt == "iso8601" else _by_pattern(text, fmt, layout)

    padded = with_padded_milliseconds(cells, lambda text: read(text).micros)
    return stamps if padded is cells else replace(read(padded), file_time=cells)


def _cells(frame: pl.DataFrame, layout: "Layout") -> pl.Series:
    if GIVEN_TIME in frame.columns:
        return frame[GIVEN_TIME]
    names = time_columns(layout)
    if len(names) == 1:
        return frame[names[0]]
    parts = [_text(frame[name]).str.strip_chars() for name in names]
    return pl.select((parts[0] + " " + parts[1]).alias("time")).to_series()


def _text(cells: pl.Series) -> pl.Series:
    return cells if cells.dtype == pl.String else cells.cast(pl.String)


def _filled(micros: pl.Series) -> Micros:
    return micros.cast(pl.Int64).fill_null(UNREADABLE).to_numpy().astype(np.int64, copy=True)


def _of_datetime(cells: pl.Series) -> Stamps:
    zone = getattr(cells.dtype, "time_zone", None)
    micros = (
        cells.dt.epoch("us") if zone is None else cells.dt.convert_time_zone("UTC").dt.epoch("us")
    )
    kind: StampKind = "local" if zone is None else "instant"
    return Stamps(kind, _filled(micros), _text(cells), 1.0)


def _of_numbers(cells: pl.Series, fmt: str, layout: "Layout") -> Stamps:
    unit_us = _PER_UNIT[fmt]
    micros = _numbers_us(cells, unit_us, layout)
    kind: StampKind = "instant" if fmt.startswith("epoch") else "elapsed"
    if fmt == "day_number":
        kind = "local"
        known = micros != UNREADABLE
        micros[known] += _DAY_NUMBER_ZERO_US
    return Stamps(kind, micros, _text(cells), unit_us)


def _numbers_us(cells: pl.Series, unit_us: float, layout: "Layout") -> Micros:
    """Counts of a unit as whole microseconds; whole numbers never pass through a float."""
    if cells.dtype == pl.String:
        whole = cells.head(1000).cast(pl.Int64, strict=False)
        counts = cells.cast(pl.Float64, strict=False) if whole.null_count() == len(whole) else None
        if counts is not None and not counts.null_count():
            return _rounded_us(counts, unit_us)
        text = cells.str.strip_chars()
        if layout.file.decimal == ",":
            text = text.str.replace(",", ".", literal=True)
        whole = text.cast(pl.Int64, strict=False)
        if whole.null_count() < len(whole) and whole.null_count() <= 0.01 * len(whole):
            return _whole_us(whole, unit_us)
        cells = text.cast(pl.Float64, strict=False)
    if cells.dtype.is_integer():
        return _whole_us(cells.cast(pl.Int64), unit_us)
    return _rounded_us(cells.cast(pl.Float64), unit_us)


def _rounded_us(cells: pl.Series, unit_us: float) -> Micros:
    counts = cells.to_numpy().astype(float) * unit_us
    readable = np.isfinite(counts) & (np.abs(counts) < 9e18)
    return np.where(readable, np.rint(np.where(readable, counts, 0.0)), UNREADABLE).astype(np.int64)


def _whole_us(counts: pl.Series, unit_us: float) -> Micros:
    known = ~counts.is_null().to_numpy()
    values = counts.fill_null(0).to_numpy().astype(np.int64)
    if unit_us < 1.0:
        values = values // round(1 / unit_us)
    else:
        known &= np.abs(values) < 9e18 / unit_us
        values = np.where(known, values, 0) * round(unit_us)
    return np.where(known, values, UNREADABLE)


def _iso(cells: pl.Series) -> Stamps:
    """ISO 8601, with T or a blank, basic or extended, with or without a zone in each cell."""
    text = cells.str.strip_chars()
    sample = next((t for t in text.head(200).to_list() if t), "")
    zoned = bool(_ZONE.search(sample[10:]))
    date = "%Y-%m-%d" if sample[4:5] == "-" else "%Y%m%d"
    clock = "%H:%M:%S%.f" if ":" in sample[8:] else "%H%M%S%.f"
    between = "T" if "T" in sample.upper()[:12] else " "
    if "," in sample:
        text = text.str.replace(",", ".", literal=True)
    micros = _parsed(text, f"{date}{between}{clock}", zoned=zoned)
    if micros.null_count():
        odd = micros.is_null()
        micros = micros.set(odd, None).zip_with(~odd, _iso_slowly(text, odd, zoned=zoned))
    return Stamps("instant" if zoned else "local", _filled(micros), cells, 1.0)


def _parsed(text: pl.Series, fmt: str, *, zoned: bool) -> pl.Series:
    """Text by one format as Int64 microseconds; null where it does not fit."""
    if zoned:
        if text.str.ends_with("Z").all():
            plain = text.str.strip_suffix("Z")
            return plain.str.to_datetime(fmt, time_unit="us", strict=False).dt.epoch("us")
        aware = text.str.replace(r"[Zz]$", "+00:00").str.to_datetime(
            f"{fmt}%#z", time_unit="us", time_zone="UTC", strict=False
        )
        return aware.dt.epoch("us")
    return text.str.to_datetime(fmt, time_unit="us", strict=False).dt.epoch("us")


def _iso_slowly(text: pl.Series, odd: pl.Series, *, zoned: bool) -> pl.Series:
    """The few cells in another of the ISO forms than the first: brought to one form."""
    few = text.filter(odd)
    parts = few.str.extract_groups(
        rf"^({_ISO_DATE})[T ]?(\d{{2}}):?(\d{{2}})?:?(\d{{2}}(?:[.,]\d+)?)?\s*"
        r"(Z|z|[+-]\d{2}(?::?\d{2})?)?$"
    ).struct.unnest()
    date, hour, minute, second, zone = (parts[c] for c in parts.columns)
    midnight = (hour == "24").fill_null(value=False)
    one = (
        date.str.replace_all("-", "", literal=True)
        + "T"
        + hour.set(midnight, "00").fill_null("00")
        + minute.fill_null("00")
        + second.fill_null("00").str.replace(",", ".", literal=True)
    )
    micros = one.str.to_datetime("%Y%m%dT%H%M%S%.f", time_unit="us", strict=False).dt.epoch("us")
    micros = micros + midnight.cast(pl.Int64) * DAY_US
    if zoned:
        signs = zone.str.extract(r"^([+-])").replace_strict({"+": 1, "-": -1}, default=0)
        hours = zone.str.extract(r"^[+-](\d{2})").cast(pl.Int64).fill_null(0)
        minutes = zone.str.extract(r"^[+-]\d{2}:?(\d{2})").cast(pl.Int64).fill_null(0)
        micros = micros - signs * (hours * 3600 + minutes * 60) * 1_000_000
        micros = micros.set(zone.is_null(), None)
    else:
        micros = micros.set(zone.is_not_null(), None)
    at = (odd.cast(pl.Int64).cum_sum() - 1).set(~odd, None)
    return micros.gather(at)


def _by_pattern(cells: pl.Series, fmt: str, layout: "Layout") -> Stamps:
    """A pattern in chrono notation; one without a date is a time of day."""
    text = cells.str.strip_chars()
    if (layout.file.decimal == "," and "%.f" in fmt) or "%.3f" in fmt:
        text = text.str.replace(r",(\d+)", ".$1")
    text = of_full_width(text, fmt)
    zoned = "%z" in fmt or "%:z" in fmt or "%#z" in fmt
    if not _DATE_PARTS.search(fmt):
        text, plus = _midnight(text)
        timed = ("2000-01-01 " + text).str.to_datetime(
            f"%Y-%m-%d {fmt}", time_unit="us", strict=False
        )
        micros = timed.dt.epoch("us") - 946_684_800_000_000 + plus
        return Stamps("time_of_day", _filled(micros), cells, 1.0)
    text, plus = _midnight(text)
    if zoned:
        aware = text.str.to_datetime(fmt, time_unit="us", time_zone="UTC", strict=False)
        return Stamps("instant", _filled(aware.dt.epoch("us") + plus), cells, 1.0)
    plain = text.str.to_datetime(fmt, time_unit="us", strict=False)
    return Stamps("local", _filled(plain.dt.epoch("us") + plus), cells, 1.0)


def _midnight(text: pl.Series) -> tuple[pl.Series, pl.Series]:
    """24:00 is 00:00 of the next day: the text so written, and what to add."""
    none = pl.Series([0], dtype=pl.Int64).new_from_index(0, len(text))
    if not text.str.contains("24:00", literal=True).any():
        return text, none
    late = text.str.contains(r"(?:^|[T ])24:00(?::00(?:\.0+)?)?(?:$|[ Z+-])").fill_null(value=False)
    if not late.any():
        return text, none
    shifted = text.str.replace(r"(^|[T ])24:00", "${1}00:00")
    return text.zip_with(~late, shifted), late.cast(pl.Int64) * DAY_US


def _refuse_unreadable(stamps: Stamps, rows: pl.Series, fmt: str, where: str) -> None:
    lost = stamps.micros == UNREADABLE
    if fmt.startswith("epoch") and not lost.all():
        median_s = float(np.median(stamps.micros[~lost])) / 1e6
        if 1e6 <= median_s <= 4.1e6:  # a thousandfold more is a date of this century
            raise LogError(
                "The time comes out in early 1970: its unit is not the layout's",
                where=f"{where}, line {rows[0]}",
                value=f"{shown_cell(stamps.file_time[0])} as {fmt}",
                what_to_do="Correct format in [columns.time] of the layout.",
            )
    if stamps.kind in {"instant", "local"}:
        late = ~lost & (stamps.micros > LATEST_YEAR_US)
        if late.mean() > LATE_LIMIT:
            first = int(np.argmax(late))
            raise LogError(
                "The time comes out after the year 2100: its unit or format is not the layout's",
                where=f"{where}, line {rows[first]}",
                value=f"{shown_cell(stamps.file_time[first])} as {fmt}",
                what_to_do="Correct format in [columns.time] of the layout.",
            )
        stamps.micros[late] = UNREADABLE
        lost = lost | late
    if lost.mean() > MOSTLY_UNREADABLE or lost.all():
        first = int(np.argmax(lost))
        blank = is_blank(_text(stamps.file_time).filter(pl.Series(lost)))
        if bool(blank.all()):
            raise LogError(
                f"The time is blank in {int(lost.sum())} of {len(lost)} rows",
                where=f"{where}, line {rows[first]}",
                value="an empty cell",
                what_to_do="Have the logger write the time in every row, or map the column "
                "that holds it.",
            )
        raise LogError(
            f"The time cannot be read in {int(lost.sum())} of {len(lost)} rows",
            where=f"{where}, line {rows[first]}",
            value=f"{shown_cell(stamps.file_time[first])} as {fmt}",
            what_to_do="Correct format in [columns.time] of the layout.",
        )


def _column_names(layout: "Layout") -> str:
    return " and ".join(f'"{name}"' for name in time_columns(layout))
