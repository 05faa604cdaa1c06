"""The logger's clock steps.

What it checks
    The log's own time cells, in file order: a step back, and what the reader of the log
    noted about its clock.
Why it matters
    Times of a cancel cannot be compared with what a rider noted down, and windows
    between two channels may be wrong at the step.
What else looks like this
    A change of summer time; a clock set by satellite after the first fix; midnight.
Next step
    Set the logger's clock; note its difference from a telephone's.
References
    Crystal clocks drift 20 to 100 ppm: 0.6 to 2.9 s in 8 h (arithmetic).
"""

import re
from dataclasses import dataclass

import numpy as np
import polars as pl

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    step_back_s: float = threshold(0.05, "s", "smaller steps are the rounding of a row's time")


@rule(
    needs=(),
    severity=Severity.NOTE,
    clear_s=10.0,
    raise_when=RaiseWhen(events=1_000_000),
    asks="the log",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Steps back at their row; notes of the reader over the whole ride."""
    steps = 0
    for i, step_s in _steps_back(ride, limits.step_back_s):
        steps += 1
        yield Finding(
            span=Span(float(ride.t_s[max(i - 1, 0)]), float(ride.t_s[i])),
            message=f"the log's clock steps back by {step_s:.2f} s "
            f"at line {ride.samples['row'][i]}",
            measured=step_s,
            limit=limits.step_back_s,
            unit="s",
        )
    for part in ride.parts:
        for note in part.notes:
            if note.about == "clock" and not steps:
                yield Finding(
                    span=Span(0.0, ride.duration_s),
                    message=f"{note.message} ({max(note.count, 1)} times)",
                    measured=float(note.count),
                    unit="times",
                )
    yield Exposure(seconds=ride.duration_s)


def _steps_back(ride: Ride, at_least_s: float) -> list[tuple[int, float]]:
    """Rows whose own time is earlier than the row before, and by how much (s)."""
    shown_s = _shown_s(ride)
    step_s = np.diff(shown_s)
    same_part = np.diff(ride.samples["part"].to_numpy()) == 0
    back = (step_s < -at_least_s) & same_part & (step_s > -80_000.0)
    return [(int(i) + 1, float(-step_s[i])) for i in np.flatnonzero(back)]


def _in_order(cells: pl.Series) -> bool:
    """Dates and times all written alike, each no earlier as text than the one before?

    Text of one width and one form is in order as its time is.
    """
    first = next((c for c in cells.head(1).to_list() if c), "")
    if not _DATED.match(first):
        return False
    alike = (cells.str.len_bytes() == len(first.encode())).all(ignore_nulls=False)
    return bool(alike and cells.is_sorted())


_DATED = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}:\d{2}(?:[.,]\d+)?Z?\Z")

UNITS_S = (1.0, 1e-3, 1e-6, 1e-9, 86_400.0)


def _shown_s(ride: Ride) -> np.ndarray:
    """The log's own time cells as seconds, where they are numbers or hold h:min:s; else NaN.

    The unit of a number (seconds, milliseconds, days ...) is the one that makes the
    ride last as long as its clean time does.
    """
    cells = ride.samples["file_time"]
    if _in_order(cells):
        return np.zeros(len(cells))
    numbers = cells.cast(pl.Float64, strict=False)
    if numbers.null_count() > cells.null_count():
        numbers = cells.str.strip_chars().str.replace(",", ".").cast(pl.Float64, strict=False)
    if numbers.null_count() < 0.5 * len(numbers):
        values = numbers.to_numpy().astype(float)
        lasts = float(np.nanmedian(np.diff(values))) if len(values) > 2 else 0.0
        row_s = float(np.median(np.diff(ride.t_s))) if len(ride.t_s) > 2 else 1.0
        unit_s = min(UNITS_S, key=lambda u: abs(np.log(max(lasts * u, 1e-12) / max(row_s, 1e-9))))
        return values * unit_s
    parts = cells.str.extract_groups(r"(\d{1,2}):(\d{2}):(\d{2}(?:[.,]\d+)?)").struct.unnest()
    hours, minutes, seconds = (
        column.str.replace(",", ".").cast(pl.Float64, strict=False).to_numpy().astype(float)
        for column in parts
    )
    return np.asarray(3600.0 * hours + 60.0 * minutes + seconds)
