"""Has a rate fallen, looked at as often as one likes: evidence that holds at every look.

A board that is read every night asks the same question hundreds of times, and a test made for
one look would sooner or later say yes of a bike on which nothing changed. The evidence here is
a betting score (an e-value): where nothing changed, the chance that it ever reaches 1 / alpha is
at most alpha, however often and whenever it is looked at (Ville's inequality; "Safe testing",
Grunwald, de Heide and Koolen, Journal of the Royal Statistical Society B 86, 2024, cited from
memory).

The count before is taken as k bursts within so much exposure, the last of them its end: people
repair a bike after a burst, not at a time fixed beforehand. The rate before is then known up to
its scale alone, the scale cancels, and with no event after the repair and all belief on "none"
the evidence is 1 / p of the exact single-look test: (1 + x / D) ** k.
"""

import math

NONE_LEFT = 0.8
"""Belief, before the data, that a repair which helps leaves no event at all; the rest is spread
evenly over what may be left. At 0.8 a clean stretch needs about a tenth more exposure than with
all belief on "none", and a bike that is better but not cured is still noticed."""
LEFT_OVER = tuple((i + 0.5) / 20 for i in range(20))
"""Shares of the old rate that a repair may leave, evenly spread."""
SETTLED = 20.0
"""Evidence that settles it: at most 1 in 20 unrepaired bikes is ever called better."""


def single_look(before: tuple[int, float], after_exposure: float) -> float:
    """Chance of no event in so much exposure had nothing changed: (D / (D + x)) ** k.

    before: events and exposure. Exact, conditional on the total ("Homogeneity of results in
    testing samples from Poisson series", Biometrika 31, 1940). 1.0 for no event before.
    """
    events, exposure = before
    if not events:
        return 1.0
    return math.exp(events * math.log(exposure / (exposure + after_exposure)))


def evidence_of_fewer(before: tuple[int, float], after: tuple[int, float]) -> float:
    """Evidence that the rate fell, given (bursts, exposure) of both periods; 1 where none.

    May be looked at after every ride. inf is never returned; no exposure after gives 1.
    """
    (k, d), (j, x) = before, after
    if not k or not d > 0.0 or not x > 0.0:
        return 1.0
    total = math.log(d + x)
    scores = [math.log(NONE_LEFT) + k * (total - math.log(d))] if not j else []
    spread = math.log((1.0 - NONE_LEFT) / len(LEFT_OVER))
    scores += [
        spread + j * math.log(left) + (k + j) * (total - math.log(d + left * x))
        for left in LEFT_OVER
    ]
    most = max(scores)
    return math.exp(min(700.0, most + math.log(math.fsum(math.exp(s - most) for s in scores))))


def clean_exposure_needed(
    before: tuple[int, float], after: tuple[int, float] = (0, 0.0), *, settled: float = SETTLED
) -> float:
    """How much more exposure without an event settles it; 0.0 where it is settled, inf if never."""
    k, d = before
    if not k or not d > 0.0:
        return math.inf
    j, x = after
    if evidence_of_fewer(before, (j, x)) >= settled:
        return 0.0
    low, high = 0.0, d
    while evidence_of_fewer(before, (j, x + high)) < settled:
        low, high = high, 2.0 * high
        if high > 1e9 * d:
            return math.inf
    for _ in range(60):
        middle = (low + high) / 2.0
        if evidence_of_fewer(before, (j, x + middle)) < settled:
            low = middle
        else:
            high = middle
    return high
