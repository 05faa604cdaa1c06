"""Counting statistics: rates with their exposure, shares, two rates compared, chance to see.

Every interval says whether it is one- or two-sided: at zero events the two differ
(3.69 against 3.00 expected events at 95 %), and papers quote both.
scipy is imported inside the functions: it takes longer to load than a short log to judge.
"""

import math
from dataclasses import dataclass
from typing import Literal

Alternative = Literal["two-sided", "less", "greater"]


@dataclass(frozen=True, slots=True)
class Interval:
    """A range that holds the true value with the stated confidence."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Rate:
    """Events per unit of exposure, with its exact limits; value is 0.0 where none came."""

    events: int
    exposure: float
    value: float
    low: float
    high: float


def poisson_limits(events: int, *, confidence: float = 0.95) -> Interval:
    """Exact two-sided limits of the expected number of events, given the number seen.

    Source: the chi-squared form of the limits in "Fiducial limits for the Poisson
    distribution", Biometrika 28, 1936. Raises ValueError for a negative count.
    """
    from scipy.stats import chi2

    _at_least("events", events, 0)
    tail = (1.0 - confidence) / 2.0
    low = float(chi2.ppf(tail, 2 * events)) / 2.0 if events else 0.0
    return Interval(low, float(chi2.isf(tail, 2 * events + 2)) / 2.0)


def rate(events: int, exposure: float, *, confidence: float = 0.95) -> Rate:
    """Events per unit of exposure (hours, kilometres) with exact two-sided limits.

    Raises ValueError where the exposure is not above 0: no exposure gives no rate.
    """
    if not exposure > 0.0:
        raise ValueError(f"exposure must be above 0, was {exposure}")
    limits = poisson_limits(events, confidence=confidence)
    return Rate(events, exposure, events / exposure, limits.low / exposure, limits.high / exposure)


def wilson(successes: int, trials: int, *, confidence: float = 0.95) -> Interval:
    """Score interval of a share, two-sided, without continuity correction.

    Source: the method of Wilson as compared in "Two-sided confidence intervals for the
    single proportion: comparison of seven methods", Statistics in Medicine 17, 1998.
    Raises ValueError for no trials or more successes than trials.
    """
    from scipy.stats import binomtest

    _at_least("trials", trials, 1)
    found = binomtest(successes, trials).proportion_ci(confidence, method="wilson")
    return Interval(float(found.low), float(found.high))


def conditional_test(
    before: tuple[int, float],
    after: tuple[int, float],
    *,
    alternative: Alternative = "two-sided",
) -> float:
    """p-value for equal rates, given (events, exposure) of two periods.

    Conditional on the total, the first count is binomial with the first period's share
    of the exposure ("Homogeneity of results in testing samples from Poisson series",
    Biometrika 31, 1940). Conservative. "greater" asks whether the rate before was higher.
    1.0 where no event came in either period.
    """
    from scipy.stats import binomtest

    (events_before, exposure_before), (events_after, exposure_after) = before, after
    total = events_before + events_after
    if not total:
        return 1.0
    share = exposure_before / (exposure_before + exposure_after)
    return float(binomtest(events_before, total, share, alternative=alternative).pvalue)


def pulse_seen(pulse_s: float, interval_s: float, *, latched: bool = False) -> float:
    """Chance that sampling every interval_s shows a pulse once: min(1, pulse / interval).

    The pulse's phase is taken as even over the interval. A latched channel (on if it was
    on at any time since the last row) shows every pulse.
    """
    if latched or interval_s <= 0.0:
        return 1.0
    return min(1.0, pulse_s / interval_s)


def seen_at_least_once(chance: float, times: int) -> float:
    """Chance that something with this chance each time shows at least once in so many."""
    if chance >= 1.0:
        return 1.0 if times else 0.0
    return -math.expm1(times * math.log1p(-chance))


def binomial_tail(hits: int, of: int, share: float) -> float:
    """Chance of so many hits or more in ``of`` draws, each a hit with chance ``share``.

    Summed term by term: exact for the few events a ride has, and far quicker to load than a
    statistics library.
    """
    terms = (math.comb(of, k) * share**k * (1.0 - share) ** (of - k) for k in range(hits, of + 1))
    return min(1.0, math.fsum(terms))


def chance_of_as_many(events: int, expected: float) -> float:
    """Chance that a Poisson count with this mean reaches the number of events seen."""
    below = sum(math.exp(-expected) * expected**k / math.factorial(k) for k in range(events))
    return max(0.0, 1.0 - below)


def _at_least(name: str, value: int, least: int) -> None:
    if value < least:
        raise ValueError(f"{name} must be at least {least}, was {value}")
