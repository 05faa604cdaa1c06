"""Which column is the time of an unknown file, and how it is written."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.setup.propose.sheet import Sheet
from ridecheck.setup.propose.words import concepts

Floats = NDArray[np.float64]

_EPOCHS = (
    ("epoch_seconds", 1e9, 4.1e9, 1.0),
    ("epoch_milliseconds", 1e12, 4.1e12, 1e-3),
    ("epoch_microseconds", 1e15, 4.1e15, 1e-6),
    ("epoch_nanoseconds", 1e18, 4.1e18, 1e-9),
)
_DAY = re.compile(r"(\d{1,4})([-/. ])(\d{1,2}|[A-Za-z]{3})\2(\d{1,4})\b")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})([.,]\d+)?)?(\s?[AaPp][Mm])?")
_ISO = re.compile(r"\d{4}-?\d{2}-?\d{2}[T ]\d{2}:?\d{2}")
_ZONE = re.compile(r"\d(Z|[+-]\d{2}:?\d{2})$")


@dataclass(frozen=True, slots=True)
class TimePlan:
    """How to read the time. format None: the file's own type or ISO 8601 needs none.

    t_s: seconds from the first row, NaN where unreadable. kind: "instant", "local",
    "time_of_day" or "elapsed". questions: what stays open.
    """

    columns: tuple[str, ...]
    format: str | None
    t_s: Floats
    kind: str
    sure: float
    questions: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def find_time(sheet: Sheet, name: str) -> TimePlan | None:
    """The best reading of the time, or None where no column behaves like one."""
    plans = [p for column in sheet.cells if (p := _of_column(sheet, column, name))]
    plans += _of_pairs(sheet, name)
    if not plans:
        return None
    rank = {"instant": 3, "local": 3, "time_of_day": 2, "elapsed": 1}
    return max(plans, key=lambda p: (round(p.sure, 2), rank[p.kind]))


def _of_column(sheet: Sheet, column: str, name: str) -> TimePlan | None:
    cells = sheet.cells[column]
    kind = cells.dtype
    if isinstance(kind, pl.Datetime):
        micros = cells.dt.epoch("us").cast(pl.Float64).to_numpy()
        zone = kind.time_zone
        return _checked(column, None, micros / 1e6, "instant" if zone else "local", bonus=0.5)
    if isinstance(kind, pl.Duration):
        return _checked(
            column, None, cells.dt.total_microseconds().to_numpy() / 1e6, "elapsed", bonus=0.3
        )
    if kind == pl.Time:
        return _checked(
            column, None, cells.cast(pl.Int64).to_numpy() / 1e9, "time_of_day", bonus=0.3
        )
    numbers = numbers_of(cells, sheet)
    if numbers is not None and np.isfinite(numbers).mean() > 0.98:
        return _of_numbers(sheet, column, numbers)
    if kind == pl.String:
        return _of_text(cells, (column,), name)
    return None


def numbers_of(cells: pl.Series, sheet: Sheet) -> Floats | None:
    """Cells as floats; None where most of what is there is no number."""
    if cells.dtype == pl.Boolean:
        return cells.cast(pl.Float64).to_numpy()
    if cells.dtype.is_numeric():
        return cells.cast(pl.Float64).fill_null(float("nan")).to_numpy()
    if cells.dtype != pl.String:
        return None
    text = cells.str.strip_chars()
    if sheet.thousands:
        text = text.str.replace_all(sheet.thousands, "", literal=True)
    if sheet.decimal == ",":
        text = text.str.replace(",", ".", literal=True)
    values = text.cast(pl.Float64, strict=False)
    filled = int((text.fill_null("").str.len_chars() > 0).sum())
    read = len(values) - values.null_count()
    if not read or read < 0.5 * filled:
        return None
    return values.fill_null(float("nan")).to_numpy()


def _of_numbers(sheet: Sheet, column: str, numbers: Floats) -> TimePlan | None:
    steps = np.diff(numbers[np.isfinite(numbers)])
    if len(steps) < 5 or (steps < 0).mean() > 0.02 or (steps > 0).mean() < 0.05:
        return None
    usual = float(np.median(steps[steps > 0]))
    top = float(np.nanmedian(numbers))
    for fmt, low, high, unit in _EPOCHS:
        if low <= top <= high:
            return _checked(column, fmt, numbers * unit, "instant", bonus=0.4)
    if 36_526 <= top <= 73_050 and usual < 0.01:
        return _checked(column, "day_number", numbers * 86400.0, "local", bonus=0.4)
    unit_text = sheet.units.get(column, "").strip("[]() ").lower()
    named = column.lower()
    says_ms = unit_text in {"ms", "msec"} or bool(re.search(r"(^|[^a-z])m(illi)?s(ec)?\b", named))
    says_s = unit_text in {"s", "sec"} or bool(re.search(r"[\[(_ ](s|sec)\b", named))
    regular = _regularity(steps)
    counts_rows = usual == 1.0 and regular > 0.999 and set(np.unique(steps)) == {1.0}
    in_s = 0.002 <= usual <= 10.0
    in_ms = 2.0 <= usual <= 10_000.0
    bonus = 0.25 * bool("time" in concepts(column) or says_ms or says_s or named in {"t", "s"})
    bonus -= 0.3 * (counts_rows and not bonus)
    if (in_ms and not in_s) or (in_ms and says_ms):
        return _checked(column, "milliseconds", numbers / 1e3, "elapsed", bonus=bonus)
    if in_s and in_ms and not says_s and (numbers == np.rint(numbers)).all() and usual >= 5:
        return _checked(column, "milliseconds", numbers / 1e3, "elapsed", bonus=bonus)
    if in_s:
        plan = _checked(column, "seconds", numbers, "elapsed", bonus=bonus)
        if plan is not None and in_ms and not says_s and usual >= 2:
            return None
        return plan
    return None


def _regularity(steps: Floats) -> float:
    """Share of the steps within a fifth of the usual one, or a whole multiple of it."""
    moving = steps[steps > 0]
    if not len(moving):
        return 0.0
    usual = float(np.median(moving))
    return float((np.abs(moving - usual) <= 0.35 * usual).mean())


def _checked(
    column: str | tuple[str, ...], fmt: str | None, t_s: Floats, kind: str, *, bonus: float
) -> TimePlan | None:
    """A plan, if the stamps run forward at a rate that loggers have."""
    columns = (column,) if isinstance(column, str) else column
    t_s = np.asarray(t_s, dtype=float)
    known = t_s[np.isfinite(t_s)]
    steps = np.diff(known)
    if len(steps) < 5 or (steps < 0).mean() > 0.05 or known[-1] <= known[0] - 43_200:
        return None
    forward = steps[steps > 0]
    if not len(forward) or not 0.0002 <= np.median(forward) <= 60:
        return None
    sure = 0.4 * _regularity(steps) + 0.2 * min(1.0, float((steps > 0).mean()) * 2) + bonus
    return TimePlan(columns, fmt, t_s - known[0], kind, sure)


def _of_pairs(sheet: Sheet, name: str) -> list[TimePlan]:
    """A date and a time of day in two columns."""
    texts = {c: s for c, s in sheet.cells.items() if s.dtype == pl.String}
    days, clocks = [], []
    for column, cells in texts.items():
        sample = cells.drop_nulls().head(50).str.strip_chars().to_list()
        if sample and all(_DAY.fullmatch(v) for v in sample):
            days.append(column)
        elif sample and all(_CLOCK.fullmatch(v) for v in sample):
            clocks.append(column)
    plans = []
    for day in days:
        for clock in clocks:
            both = pl.select(
                (texts[day].str.strip_chars() + " " + texts[clock].str.strip_chars()).alias("t")
            ).to_series()
            plan = _of_text(both, (day, clock), name)
            if plan is not None:
                plans.append(plan)
    return plans


def _of_text(cells: pl.Series, columns: tuple[str, ...], name: str) -> TimePlan | None:
    text = cells.str.strip_chars()
    sample = text.drop_nulls().head(200).to_list()
    sample = [s for s in sample if s]
    if len(sample) < 3:
        return None
    zoned = bool(_ZONE.search(sample[0]))
    if all(_ISO.match(s) for s in sample):
        plain = text.str.replace_all(r"(Z|[+-]\d{2}:?\d{2})$", "").str.replace(
            "T", " ", literal=True
        )
        plain = plain.str.replace(",", ".", literal=True)
        fmt = "%Y-%m-%d %H:%M:%S%.f" if "-" in sample[0][:8] else "%Y%m%d %H%M%S%.f"
        micros = plain.str.to_datetime(fmt, time_unit="us", strict=False).dt.epoch("us")
        return _checked_text(columns, "iso8601", micros, "instant" if zoned else "local", (), ())
    clock = _CLOCK.search(sample[0])
    if not clock:
        return None
    clock_fmt = _clock_format(clock, sample)
    day = _DAY.search(sample[0])
    if day is None:
        if not _CLOCK.fullmatch(sample[0]):
            return None
        stamped = pl.select(
            pl.lit("2000-01-01 ") + text.str.replace(",", ".", literal=True)
        ).to_series()
        micros = stamped.str.to_datetime(
            f"%Y-%m-%d {clock_fmt}", time_unit="us", strict=False
        ).dt.epoch("us")
        return _checked_text(columns, clock_fmt, micros, "time_of_day", (), ())
    orders, questions, remarks = _day_orders(text, day, name)
    if not orders:
        return None
    if sample[0].find(day.group(0)) > sample[0].find(clock.group(0)):
        return None
    between = sample[0][day.end() : clock.start()] or " "
    fmt = f"{orders[0]}{between}{clock_fmt}"
    micros = (
        text.str.replace(r",(\d+)", ".$1")
        .str.to_datetime(fmt, time_unit="us", strict=False)
        .dt.epoch("us")
    )
    plan = _checked_text(columns, fmt, micros, "local", questions, remarks)
    if plan is not None and len(orders) > 1:
        return TimePlan(
            plan.columns, None, plan.t_s, plan.kind, plan.sure, plan.questions, plan.remarks
        )
    return plan


def _checked_text(
    columns: tuple[str, ...],
    fmt: str,
    micros: pl.Series,
    kind: str,
    questions: tuple[str, ...],
    remarks: tuple[str, ...],
) -> TimePlan | None:
    if micros.null_count() > 0.02 * len(micros):
        return None
    seconds = micros.cast(pl.Float64).fill_null(float("nan")).to_numpy() / 1e6
    if kind == "time_of_day":
        step = np.diff(seconds, prepend=seconds[:1])
        seconds = seconds + 86400.0 * np.cumsum(np.nan_to_num(step) < -43_200)
    plan = _checked(columns, fmt, seconds, kind, bonus=0.4 if kind != "time_of_day" else 0.3)
    if plan is None:
        return None
    return TimePlan(plan.columns, fmt, plan.t_s, kind, plan.sure, questions, remarks)


def _clock_format(clock: re.Match[str], sample: Sequence[str]) -> str:
    twelve = clock.group(5) is not None
    seconds = "" if clock.group(3) is None else ":%S"
    found = [_CLOCK.search(s) for s in sample]
    fraction = "%.f" if any(f and f.group(4) for f in found) else ""
    blank = " " if twelve and clock.group(5).startswith(" ") else ""
    return (
        ("%I" if twelve else "%H") + ":%M" + seconds + fraction + (f"{blank}%p" if twelve else "")
    )


def _day_orders(
    text: pl.Series, day: re.Match[str], name: str
) -> tuple[list[str], tuple[str, ...], tuple[str, ...]]:
    """Patterns of the date that all cells fit; a question where two do and nothing decides.

    A date in the file's name decides. Dates parted by points are day first: no country
    writes the month first with points (common practice).
    """
    mark = day.group(2)
    found = text.str.extract_groups(
        r"^(\d{1,4})[-/. ](\d{1,2}|[A-Za-z]{3})[-/. ](\d{1,4})\b"
    ).struct.unnest()
    first, second, third = (found[c].drop_nulls().unique().to_list() for c in found.columns)
    if not first or not second or not third:
        return [], (), ()
    if any(not s.isdigit() for s in second):
        return [f"%d{mark}%b{mark}{'%Y' if len(third[0]) == 4 else '%y'}"], (), ()
    a, b, c = ([int(v) for v in part] for part in (first, second, third))
    if len(first[0]) == 4:
        return [f"%Y{mark}%m{mark}%d"], (), ()
    year = "%Y" if len(third[0]) == 4 else "%y"
    orders = []
    if max(a) <= 31 and max(b) <= 12:
        orders.append((f"%d{mark}%m{mark}{year}", a[0], b[0], c[0]))
    if max(a) <= 12 and max(b) <= 31:
        orders.append((f"%m{mark}%d{mark}{year}", b[0], a[0], c[0]))
    if year == "%y" and max(b) <= 12 and max(c) <= 31:
        orders.append((f"%y{mark}%m{mark}%d", c[0], b[0], a[0]))
    if len(orders) > 1 and a == b and year == "%Y":
        orders = orders[:1]  # the third of March is the third of March
    stated = re.search(r"(?<!\d)(20\d\d)-?(\d\d)-?(\d\d)(?!\d)", name)
    if len(orders) > 1 and stated:
        y, m, d = (int(g) for g in stated.groups())
        same = [o for o in orders if (o[1], o[2], o[3] % 100) == (d, m, y % 100)]
        if same:
            return (
                [same[0][0]],
                (),
                (f"day and month shown by the date {stated.group(0)} in the name",),
            )
    if len(orders) > 1 and mark == "." and orders[0][0].startswith("%d"):
        return (
            [orders[0][0]],
            (),
            ("dates parted by points are taken as day first (common practice)",),
        )
    if len(orders) > 1:
        patterns = " or ".join(o[0] for o in orders)
        return (
            [o[0] for o in orders],
            (f"is a date like {day.group(0)} written as {patterns}? Set format.",),
            (),
        )
    return [o[0] for o in orders], (), ()
