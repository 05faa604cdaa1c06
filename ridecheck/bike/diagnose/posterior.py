"""How likely each cause is, given all that was seen and all that could have been.

Bayes' theorem over explicit hypotheses: nothing wrong, something not listed, each cause
alone, each pair of causes. Within a hypothesis the causes act independently and a sign
shows unless every cause fails to show it (noisy-or; Pearl, "Probabilistic Reasoning in
Intelligent Systems", 1988). With some fifty causes that is some 1,500 hypotheses, all of
them weighed: no search, nothing cut off, no sampling.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FAULTY_BIKES = 0.6
"""Share of bikes with a fault among those brought up at all (common practice)."""
TWO_AT_ONCE = 0.05
"""Share of faulty bikes that have two faults at once (common practice)."""
NOT_LISTED = 0.01
"""Weight of a fault that is not listed, as a share of all that are."""
NOT_LISTED_SHOWS = 0.002
"""Chance that a fault not listed shows any one sign."""
TEMPER = 0.9
"""Signs of one event are not independent, so together they count for less than each alone."""
STRAY_CANCEL = 0.03
"""Chance that a cancel of a cause is logged as something else."""


@dataclass(frozen=True, slots=True)
class Clue:
    """Something that was seen, or looked for and not seen.

    chances: per cause, the chance that it would have been seen, (causes,). by_chance: the
    chance to see as much without any cause for it. weight: 1 counts fully.
    """

    seen: bool
    chances: Floats
    by_chance: float
    weight: float = TEMPER


@dataclass(frozen=True, slots=True)
class Posterior:
    """Shares that sum to 1: of each cause, of what is not listed, of nothing wrong.

    A pair of causes gives half of its probability to each, so shares stay shares.
    """

    causes: Floats
    not_listed: float
    nothing: float


def weigh(
    priors: Floats, clues: Sequence[Clue], *, cancels: Floats, cancels_weight: Floats
) -> Posterior:
    """The posterior over causes.

    priors: (causes,), sums to 1 over the listed causes. cancels: (cancels, causes), for each
    uncommanded cancel the chance to be logged as it was, were it made by the cause.
    cancels_weight: (causes,), how readily a cause makes cancels, 0 where it does not.
    """
    count = len(priors)
    log_prior = np.log(np.maximum(priors, 1e-300))
    single = log_prior + np.log(FAULTY_BIKES * (1.0 - TWO_AT_ONCE))
    pair = log_prior[:, None] + log_prior[None, :] + np.log(FAULTY_BIKES * 2.0 * TWO_AT_ONCE)
    nothing = float(np.log(1.0 - FAULTY_BIKES))
    not_listed = float(np.log(FAULTY_BIKES * NOT_LISTED))
    for clue in clues:
        missed = np.log1p(-np.minimum(clue.chances, 0.999))
        alone, both = missed, missed[:, None] + missed[None, :]
        if clue.seen:
            stray = np.log1p(-clue.by_chance)
            alone, both = _log_any(alone + stray), _log_any(both + stray)
            nothing += clue.weight * float(np.log(clue.by_chance))
            seen_anyway = 1.0 - (1.0 - clue.by_chance) * (1.0 - NOT_LISTED_SHOWS)
            not_listed += clue.weight * float(np.log(seen_anyway))
        single = single + clue.weight * alone
        pair = pair + clue.weight * both
    if len(cancels):
        alone, both, base = _cancel_terms(cancels, cancels_weight)
        single, pair = single + TEMPER * alone, pair + TEMPER * both
        nothing, not_listed = nothing + TEMPER * base, not_listed + TEMPER * base
    above = np.triu_indices(count, k=1)
    logs = np.concatenate([[nothing, not_listed], single, pair[above]])
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()
    causes = shares[2 : 2 + count].copy()
    np.add.at(causes, above[0], shares[2 + count :] / 2.0)
    np.add.at(causes, above[1], shares[2 + count :] / 2.0)
    return Posterior(causes, not_listed=float(shares[1]), nothing=float(shares[0]))


def _log_any(log_none: Floats) -> Floats:
    """log(1 - exp(x)): the chance of at least one, from the log chance of none."""
    result: Floats = np.log(-np.expm1(np.minimum(log_none, -1e-12)))
    return result


def _cancel_terms(cancels: Floats, weight: Floats) -> tuple[Floats, Floats, float]:
    """Log chance of how all cancels were logged: single causes, pairs, any other reason."""
    anyhow = 0.3
    likely = (1.0 - STRAY_CANCEL) * cancels + STRAY_CANCEL
    likely = np.where(weight > 0.0, likely, anyhow)
    share = weight[:, None] + weight[None, :]
    first = np.divide(weight[:, None], share, out=np.full_like(share, 0.5), where=share > 0.0)
    both = np.zeros_like(share)
    for row in likely:
        both += np.log(first * row[:, None] + (1.0 - first) * row[None, :])
    return np.log(likely).sum(axis=0), both, float(len(cancels) * np.log(anyhow))


def moved_priors(
    weights: Mapping[str, float],
    *,
    times: Sequence[Mapping[str, float]] = (),
    share: Mapping[str, float] | None = None,
) -> dict[str, float]:
    """Priors that sum to 1, from weights, factors, and shares that are reported outright."""
    moved = dict(weights)
    for factors in times:
        for cause, factor in factors.items():
            moved[cause] *= factor
    said = dict(share or {})
    left = 1.0 - sum(said.values())
    others = sum(w for c, w in moved.items() if c not in said)
    return {c: said[c] if c in said else left * w / others for c, w in moved.items()}
