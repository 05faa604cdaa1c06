"""How often a repair is called fixed, night by night, on bikes of which the truth is known.

    python tests/studies/proof.py            500 bikes a row; writes tests/studies/proof.md
    python tests/studies/proof.py --bikes 50 a quick look, printed

Events are drawn as Poisson bursts (single events, or bursts of mean three) per engaged kilometre
and put through the program's own counting and evidence, ride by ride, stopping at the first
"fixed". The last burst before the repair is what sent the bike to the workshop. Seeds are used
nowhere else. No ride is simulated here: what is tried is the statistics, not the rules.
"""

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.random import Generator

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # this tree is measured

from ridecheck import __version__
from ridecheck.bike.proof import Moment, bursts
from ridecheck.bike.trends import first_alarm, standard_scores
from ridecheck.core.sequential import SETTLED, clean_exposure_needed, evidence_of_fewer
from ridecheck.core.statistics import wilson

REPORT = Path(__file__).with_suffix(".md")
SEED = 421_000
KM_RIDES = (15.0, 120.0)
"""Engaged kilometres of one ride, evenly drawn."""
WITHIN_KM = 1000.0
RIDES_A_YEAR = 200
KMH = 85.0


@dataclass(frozen=True, slots=True)
class Tried:
    """One bike: was it ever called fixed, after how many kilometres, and what was stated."""

    fixed: bool
    after_km: float
    stated_km: float
    single_km: float


def events_km(rng: Generator, per_km: float, size: float, until_km: float) -> np.ndarray:
    """Kilometres at which events come: bursts of mean size, the events of one within 2 km."""
    starts = np.cumsum(rng.exponential(1.0 / per_km, int(4 * per_km * until_km) + 20))
    starts = starts[starts < until_km]
    extra = rng.poisson(size - 1.0, len(starts)) if size > 1.0 else np.zeros(len(starts), int)
    spread = [at + rng.uniform(0.0, 2.0, n) for at, n in zip(starts, extra, strict=True)]
    return np.sort(np.concatenate([starts, *spread])) if len(starts) else starts


def counted(at_km: Sequence[float]) -> int:
    """Bursts as the program counts them, at a steady speed."""
    return bursts([Moment(3600.0 * km / KMH, km) for km in at_km])


def one_bike(rng: Generator, *, size: float, least: int, left: float) -> Tried:
    """Ride to the workshop, repair, ride on. left: share of the old rate that stays."""
    per_km = float(rng.uniform(0.008, 0.04))
    k = least + int(rng.integers(0, 5))
    before = events_km(rng, per_km, size, 40.0 * k / per_km)
    ends = next(i for i in range(1, len(before) + 1) if counted(before[:i]) == k)
    before_km = float(before[ends - 1])
    after = events_km(rng, per_km * left, size, WITHIN_KM) if left else np.empty(0)
    seen = (k, before_km)
    stated = clean_exposure_needed(seen)
    single = before_km * (SETTLED ** (1.0 / k) - 1.0)
    km = 0.0
    while km < max(WITHIN_KM, 0.0 if left else 3.0 * stated):
        km += float(rng.uniform(*KM_RIDES))
        if evidence_of_fewer(seen, (counted(after[after <= km]), km)) >= SETTLED:
            return Tried(True, km, stated, single)
    return Tried(False, km, stated, single)


def rows(bikes: int) -> Iterator[tuple[str, ...]]:
    """A row for each kind of bike."""
    kinds = (
        ("not repaired", 1.0, 2, 1.0),
        ("not repaired, bursts of mean three", 3.0, 2, 1.0),
        ("not repaired, five bursts or more before", 1.0, 5, 1.0),
        ("repaired, five bursts or more before", 1.0, 5, 0.0),
        ("repaired, five or more, bursts of mean three", 3.0, 5, 0.0),
        ("a fifth of the events left, five or more", 1.0, 5, 0.2),
    )
    for number, (name, size, least, left) in enumerate(kinds):
        rng = np.random.default_rng((SEED, number))
        tried = [one_bike(rng, size=size, least=least, left=left) for _ in range(bikes)]
        called = [t for t in tried if t.fixed]
        limits = wilson(len(called), bikes)
        within = sum(t.after_km - KM_RIDES[1] <= t.stated_km for t in called)
        ratio = np.median([t.stated_km / t.single_km for t in tried])
        most = max(t.stated_km / t.single_km for t in tried)
        yield (
            name,
            f"{len(called)} of {bikes} ({100 * limits.low:.1f} to {100 * limits.high:.1f} %)",
            f"{within} of {len(called)}" if not left else "-",
            f"{np.median([t.after_km for t in called]):.0f}" if called else "-",
            f"{ratio:.2f}, at most {most:.2f}",
        )


def growing(bikes: int) -> tuple[str, str]:
    """A measure that grows from a random ride on; and a year of a bike on which nothing grows."""
    rng = np.random.default_rng((SEED, 99))
    late = []
    for _ in range(bikes):
        start, slope = int(rng.integers(10, 40)), float(rng.uniform(0.3, 1.0))
        values = rng.normal(0.0, 1.0, start + 40)
        values[start:] += slope * np.arange(1, 41)
        alarm = first_alarm(standard_scores(list(values)))
        over = [i for i in range(start, len(values)) if slope * (i - start + 1) > 3.0]
        third = over[2]
        late.append((alarm[0] if alarm else len(values)) - third)
    healthy = sum(
        first_alarm(standard_scores(list(rng.normal(0.0, 1.0, RIDES_A_YEAR)))) is not None
        for _ in range(5 * bikes)
    )
    before = sum(x < 0 for x in late)
    return (
        f"alarm before the third ride over three standard deviations: {before} of {bikes}, "
        f"median {-np.median(late):.0f} rides before it",
        f"false alarms in a year of {RIDES_A_YEAR} rides: {healthy / (5 * bikes):.3f} a measure, "
        f"{5 * healthy / (5 * bikes):.2f} a bike with all five measures",
    )


def report(bikes: int) -> str:
    """The tables as text."""
    head = ("bikes", f"ever called less or fixed within {WITHIN_KM:.0f} engaged km",
            "within the kilometres stated (and one ride)", "median km to it",
            "stated km over the single look's")  # fmt: skip
    lines = ["# Repairs called fixed, night by night", "",
             f"Version {__version__}. Made by `python tests/studies/proof.py --bikes {bikes}`; "
             "intervals are Wilson's, 95 %.", "",
             "| " + " | ".join(head) + " |", "|" + "---|" * len(head)]  # fmt: skip
    lines += ["| " + " | ".join(row) + " |" for row in rows(bikes)]
    lines += ["", "A growing fault (a ramp of 0.3 to 1 standard deviation a ride):", ""]
    lines += [f"- {line}" for line in growing(bikes)]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Entry point."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--bikes", type=int, default=500)
    options = parser.parse_args()
    text = report(options.bikes)
    print(text, end="")
    if options.bikes >= 500:
        REPORT.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
