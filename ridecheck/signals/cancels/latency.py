"""How long cruise takes to disengage after an input, learnt from the ride itself.

A control unit acts on an input after nearly the same time each time. Where most cancels
of a ride agree on that time, an input that came sooner or later than it ended nothing: a
brake held for seconds before, a clutch pulled as cruise had already disengaged.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Span

USUAL = Span(0.0, 0.35)
"""Units disengage within about a third of a second of an input (common practice)."""

AGREE, AGREE_SHARE = 4, 2.0 / 3.0
"""So many cancels, and this share of those with one input, must agree on a time."""

SLACK_S = 0.02
"""Inputs of one unit differ by their filters by about this much."""

STEP_S, STRAY, NEARLY = 0.005, 0.05, 2.0
"""Latencies are tried in such steps; one span in twenty is no sign of it; a latency whose
logarithm of likelihood lies this little below the best is as good (95 %)."""

LEAST = 0.25
"""Less of a fit is none: the input came with the cancel, or after it, or long before."""

RIVAL, RIVAL_LEARNT = 0.25, 0.6
"""An input that fits less than this share as well as the best one is no rival of it; the second
where the time was learnt from the ride itself."""


@dataclass(frozen=True, slots=True)
class Latency:
    """From an input to the fall of the engaged flag. cancels: how many it was learnt from, 0
    where the ride shows too little and the usual time stands.
    """

    span: Span
    cancels: int

    @property
    def rival(self) -> float:
        """Share of the best input's fit below which another is no rival of it."""
        return RIVAL_LEARNT if self.cancels else RIVAL


def allowed(lead_s: float, *, input_s: float, flag_s: float, skew_s: float) -> Span:
    """Latencies that a lead read from rows allows.

    lead_s: first row without the flag less first row with the input; input_s, flag_s: their
    refreshes; skew_s: by how much the input may be written late.
    """
    return Span(lead_s - flag_s, lead_s + input_s + skew_s)


def learnt(spans: Sequence[Span]) -> Latency:
    """The latency that suits most spans best, and all that suit them nearly as well; else the
    usual one. A span that suits none (a pulse between two rows did it) costs the same
    everywhere.
    """
    if len(spans) < AGREE:
        return Latency(USUAL, 0)
    tried_s = np.arange(USUAL.start_s, USUAL.end_s + STEP_S / 2, STEP_S)
    fits = np.array([[_suits(s, float(at_s)) for at_s in tried_s] for s in spans])
    likely = np.log(STRAY + fits).sum(axis=0)
    agree = int((fits[:, int(likely.argmax())] > 0.0).sum())
    if agree < AGREE or agree < AGREE_SHARE * len(spans):
        return Latency(USUAL, 0)
    good_s = tried_s[likely > likely.max() - NEARLY]
    return Latency(Span(float(good_s[0]), float(good_s[-1])), agree)


def fit(span: Span, latency: Latency) -> float:
    """How well a lead fits a latency, 1 to 0."""
    low_s, high_s = latency.span.start_s - SLACK_S, latency.span.end_s + SLACK_S
    middle_s = (span.start_s + span.end_s) / 2.0
    return _suits(span, min(max(middle_s, low_s), high_s))


def _suits(span: Span, latency_s: float) -> float:
    """Rows sample both edges at random: the middle of what a lead allows is the likeliest, and
    its ends are not to be had.
    """
    middle_s, half_s = (span.start_s + span.end_s) / 2.0, max(span.length_s / 2.0, 1e-3)
    return max(0.0, 1.0 - abs(latency_s - middle_s) / half_s)
