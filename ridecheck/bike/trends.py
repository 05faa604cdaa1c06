"""Is it getting worse: measures of a bike over its rides, watched for steps and slopes.

Each ride gives a measure one value. A value is compared with all values before it since the
last repair (a self-starting scheme: nothing has to be known of the bike beforehand), which makes
it a standard normal score where nothing changes ("Self-starting cusum charts for location and
scale", The Statistician 36, 1987, from memory). The scores are added up in a two-sided cumulative
sum. A score is cut at 3, so one odd ride alone never raises an alarm.
"""

import math
import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from ridecheck.bike.counting import may_count
from ridecheck.core.model import BikeReport, RideResult, Trend
from ridecheck.fleet.events import Event

SLACK, LIMIT = 0.5, 6.0
"""Reference value and decision limit of the sum: one false alarm in about 1,290 rides and measure
(Siegmund's approximation; tests hold it to the published table for a limit of 5)."""
MOST = 3.0
LEAST_RIDES = 8
"""With fewer rides nothing is said."""
NEWEST = 3
"""So many of the newest rides make the level that is shown, and compared with other bikes."""
LEAST_BIKES = 3
MAD_TO_SD = 1.482602218505602
"""Median absolute deviation to standard deviation of a normal distribution, 1 / Phi^-1(3/4)."""


@dataclass(frozen=True, slots=True)
class Watched:
    """A measure that is watched.

    value: of one ride, None where it gives none. score_of: the scale on which values of a
    healthy bike scatter alike. floor: scatter below this, on that scale, is rounding.
    """

    name: str
    unit: str
    value: Callable[[RideResult], float | None]
    floor: float
    score_of: Callable[[RideResult, float], float] = lambda _, value: value


def _measure(name: str) -> Callable[[RideResult], float | None]:
    return lambda ride: ride.measures.get(name)


def _percent(name: str) -> Callable[[RideResult], float | None]:
    def value(ride: RideResult) -> float | None:
        share = ride.measures.get(name)
        return None if share is None else 100.0 * share

    return value


def _short_pulses(ride: RideResult) -> float | None:
    """Bursts of short pulses per 100 km, all switches together."""
    bursts = [v for n, v in ride.measures.items() if n.startswith("short_pulse_bursts.")]
    if not bursts or ride.distance_km <= 0.0:
        return None
    return 100.0 * math.fsum(bursts) / ride.distance_km


def _steadied(ride: RideResult, per_100_km: float) -> float:
    """Counts scatter more where there are more; their root does not (Anscombe, 1948)."""
    return 2.0 * math.sqrt(per_100_km * ride.distance_km / 100.0 + 0.375)


WATCHED = (
    Watched("short_pulses", "bursts/100 km", _short_pulses, 1.0, _steadied),
    Watched("hold_unsteadiness", "km/h", _measure("hold.unsteady_kmh"), 0.05),
    Watched("wheel_against_gps", "%", _percent("wheel_against_gps"), 0.2),
    Watched("wheel_against_engine", "%", _percent("wheel_against_engine"), 0.2),
    Watched("supply", "V", _measure("supply_v"), 0.05),
)


def trends(
    results: Iterable[RideResult], events: Sequence[Event], *, zone: str
) -> tuple[Trend, ...]:
    """One record for each measure that any counting ride since the last repair gives."""
    since = max(
        (e.instant(zone) for e in events if e.kind in ("repair", "modification")), default=None
    )
    rides = sorted((r for r in results if may_count(r)), key=lambda r: (str(r.start), r.ride))
    fresh = [r for r in rides if since is None or _starts_after(r, since)]
    return tuple(t for w in WATCHED if (t := _trend(w, fresh)) is not None)


def _starts_after(ride: RideResult, instant: datetime) -> bool:
    return ride.start is not None and ride.start >= instant


def _trend(watched: Watched, rides: Sequence[RideResult]) -> Trend | None:
    known = [(r, v) for r in rides if (v := watched.value(r)) is not None]
    if not known:
        return None
    values = tuple((r.ride, round(v, 4)) for r, v in known)
    newest = statistics.median(v for _, v in values[-NEWEST:])
    if len(known) < LEAST_RIDES:
        return Trend(watched.name, watched.unit, values, None, newest, "too_few", None)
    scores = standard_scores([watched.score_of(r, v) for r, v in known], floor=watched.floor)
    alarm = first_alarm(scores)
    usual = statistics.median(v for _, v in values[:LEAST_RIDES])
    if alarm is None:
        return Trend(watched.name, watched.unit, values, usual, newest, "steady", None)
    at, direction = alarm
    state = "rising" if direction > 0 else "falling"
    return Trend(watched.name, watched.unit, values, usual, newest, state, values[at][0])  # type: ignore[arg-type]


def standard_scores(values: Sequence[float], *, floor: float = 0.0) -> list[float]:
    """Each value against those before it, as a standard normal score cut at MOST; (n,).

    The first two are 0. floor: least standard deviation the values are taken to have.
    """
    from scipy.special import ndtri, stdtr

    scores: list[float] = []
    kept: list[float] = []
    for value in values:
        n = len(kept)
        if n < 2:
            scores.append(0.0)
            kept.append(value)
            continue
        mean, sd = statistics.fmean(kept), max(statistics.stdev(kept), floor)
        t = (
            math.sqrt(n / (n + 1.0)) * (value - mean) / sd
            if sd
            else math.copysign(math.inf if value != mean else 0.0, value - mean)
        )
        score = float(ndtri(stdtr(n - 1, t)))
        score = max(-MOST, min(MOST, score))
        scores.append(score)
        kept.append(value if abs(score) < MOST else mean + math.copysign(MOST * sd, score))
    return scores


def first_alarm(
    scores: Iterable[float], *, slack: float = SLACK, limit: float = LIMIT
) -> tuple[int, int] | None:
    """Where a two-sided cumulative sum first passes its limit, and which way (+1, -1)."""
    up = down = 0.0
    for i, score in enumerate(scores):
        up, down = max(0.0, up + score - slack), max(0.0, down - score - slack)
        if max(up, down) > limit:
            return i, 1 if up > down else -1
    return None


def among_model(reports: Sequence[BikeReport]) -> tuple[BikeReport, ...]:
    """Reports with each trend's newest level held against the model's other bikes.

    A robust z: distance from their median in their scaled median absolute deviations; None
    with fewer than LEAST_BIKES others, or where the others do not differ at all.
    """
    levels: dict[tuple[str, str], dict[str, float]] = {}
    for report in reports:
        for trend in report.trends:
            if trend.newest is not None:
                levels.setdefault((report.model, trend.measure), {})[report.bike] = trend.newest
    return tuple(
        replace(r, trends=tuple(replace(t, among=_among(r, t, levels)) for t in r.trends))
        if r.trends
        else r
        for r in reports
    )


def _among(
    report: BikeReport, trend: Trend, levels: Mapping[tuple[str, str], Mapping[str, float]]
) -> float | None:
    here = levels.get((report.model, trend.measure), {})
    others = [v for bike, v in here.items() if bike != report.bike]
    if trend.newest is None or len(others) < LEAST_BIKES:
        return None
    middle = statistics.median(others)
    spread = MAD_TO_SD * statistics.median(abs(v - middle) for v in others)
    return (trend.newest - middle) / spread if spread > 0.0 else None
