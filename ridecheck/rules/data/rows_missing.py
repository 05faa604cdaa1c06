"""Rows are missing while the bike rides on.

What it checks
    Steps in time between two rows that are longer than the log's own rhythm, with the
    bike moving before or after; and the share of the rows that should be there.
Why it matters
    What happened in a gap is not known: a cancel, a brake or a pulse there is not
    judged, and silence there clears nothing.
What else looks like this
    A pause with the key off, the bike standing before and after; a logger that asks for
    its values in turn, or writes a row only on change, and so has no fixed rate.
Next step
    The logger's card and its speed, its supply and connector; fewer channels, or a slower
    rate that it can keep.
References
    Rows to be expected = duration times rate (arithmetic). Loggers pause to write their
    card for some tenths of a second (common practice).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Floats, Ride

SPEEDS = ("wheel_speed", "front_wheel_speed", "gps_speed")


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    gap_s: float = threshold(
        2.0, "s", "a shorter gap hides no more than one press or pulse and is counted in the share"
    )
    gap_rows: float = threshold(
        5.0, "rows", "a slow logger's rhythm is uneven: a few rows late are no gap"
    )
    moving_kmh: float = threshold(
        5.0, "km/h", "standing before and after, the pause was most likely the key"
    )
    missing_share: float = threshold(
        0.02, "", "two rows in a hundred: more than the jitter and retries of a sound logger"
    )


@rule(
    needs=(),
    severity=Severity.NOTE,
    clear_s=10.0,
    asks="the log",
    raise_when=RaiseWhen(events=1_000_000),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each long gap while riding; the share once, over the whole ride."""
    yield Exposure(seconds=float(motion.row_seconds(ride).sum()))
    step_s = np.diff(ride.t_s)
    long_s = max(limits.gap_s, limits.gap_rows * ride.row_interval_s)
    same_part = ~_pauses(ride)
    for i in np.flatnonzero((step_s > long_s) & same_part):
        before_kmh, after_kmh = _around(ride, int(i))
        if not max(before_kmh, after_kmh) > limits.moving_kmh:
            continue
        yield Finding(
            span=Span(float(ride.t_s[i]), float(ride.t_s[i + 1])),
            message=f"no rows for {step_s[i]:.1f} s; speed was {before_kmh:.0f} km/h before and "
            f"{after_kmh:.0f} km/h after",
            measured=float(step_s[i]),
            limit=long_s,
            unit="s",
        )
    missing = _missing_share(ride, step_s[(step_s <= long_s) & same_part])
    if missing > limits.missing_share:
        yield Finding(
            span=Span(0.0, ride.duration_s),
            message=f"{100 * missing:.1f} % of the rows are missing, long gaps apart; one row "
            f"every {ride.row_interval_s:.2g} s was expected",
            measured=missing,
            limit=limits.missing_share,
            unit="share",
        )


def _pauses(ride: Ride) -> np.ndarray:
    """Steps from one log to the next: the logger was off, as it is meant to be."""
    part = ride.samples["part"].to_numpy()
    logs = {p.sha256: n for n, p in enumerate(ride.parts)}
    log = np.array([logs[p.sha256] for p in ride.parts])[part]
    return np.asarray(log[1:] != log[:-1])


def _around(ride: Ride, row: int) -> tuple[float, float]:
    """Last speed before and first speed after the step that follows a row, 0 where unknown."""
    name = next((n for n in SPEEDS if ride.has(n)), "wheel_speed")
    speed = ride.numbers(name)
    return _last(speed[max(row - 19, 0) : row + 1]), _last(speed[row + 1 : row + 21][::-1])


def _last(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(known[-1]) if len(known) else 0.0


REGULAR = 0.8
"""Share of steps that must be whole numbers of row intervals, or the log has no fixed rate."""


def _missing_share(ride: Ride, step_s: Floats) -> float:
    """Share of expected rows that the short steps skipped; 0.0 for a log of uneven rhythm.

    A logger that asks for its values in turn takes as long as the answers take: its steps
    are of any length, and none of its rows is missing.
    """
    rows = np.maximum(np.round(step_s / ride.row_interval_s), 1.0)
    whole = np.abs(step_s / ride.row_interval_s - rows) < 0.2
    skipping = rows > 1
    regular = not len(whole) or whole.mean() >= REGULAR
    if not regular or not skipping.any() or whole[skipping].mean() < REGULAR:
        return 0.0
    return float((rows - 1.0).sum() / rows.sum())
