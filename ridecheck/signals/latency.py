"""How long cruise takes to let go after an input, learnt from the ride itself.

A control unit acts on an input after nearly the same time each time. Where most cancels
of a ride agree on that time, an input that came sooner or later than it ended nothing: a
brake held for seconds before, a clutch pulled as cruise had already gone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from ridecheck.model import Span

USUAL = Span(0.0, 0.35)
"""Units let go within about a third of a second of an input (common practice)."""

AGREE, AGREE_SHARE = 4, 2.0 / 3.0
"""So many cancels, and this share of those with one input, must agree on a time."""

SLACK_S = 0.02
"""Inputs of one unit differ by their filters by about this much."""

LEAST = 0.25
"""Less of a fit is none: the input came with the cancel, or after it, or long before."""

RIVAL = 0.25
"""An input that fits less than this share as well as the best one is no rival of it."""


@dataclass(frozen=True, slots=True)
class Latency:
    """From an input to the fall of the engaged flag. cancels: how many it was learnt from, 0
    where the ride tells too little and the usual time stands.
    """

    span: Span
    cancels: int

    @property
    def told(self) -> str:
        """As a sentence says it."""
        if not self.cancels:
            return f"units let go within {USUAL.end_s:.2f} s of an input"
        low, high = self.span.start_s, self.span.end_s
        apart = f"{low:.2f} to {high:.2f} s" if high - low > 5e-3 else f"{high:.2f} s"
        return f"in this ride cruise lets go {apart} after an input ({self.cancels} cancels)"


def allowed(lead_s: float, *, input_s: float, flag_s: float, skew_s: float) -> Span:
    """Latencies that a lead read from rows allows.

    lead_s: first row without the flag less first row with the input; input_s, flag_s: their
    refreshes; skew_s: by how much the input may be written late.
    """
    return Span(lead_s - flag_s, lead_s + input_s + skew_s)


def learnt(spans: Sequence[Span]) -> Latency:
    """The latency most spans agree on, else the usual one."""
    best, hits = USUAL, 0
    for low_s in sorted({s.start_s for s in spans}):
        covering = [s for s in spans if s.start_s <= low_s < s.end_s]
        if len(covering) > hits:
            best, hits = Span(low_s, min(s.end_s for s in covering)), len(covering)
    within = Span(max(best.start_s, USUAL.start_s), min(best.end_s, USUAL.end_s))
    if hits < AGREE or hits < AGREE_SHARE * len(spans) or within.end_s <= within.start_s:
        return Latency(USUAL, 0)
    return Latency(within, hits)


def fit(span: Span, latency: Latency) -> float:
    """How well a lead fits a latency, 1 to 0: rows sample both edges at random, so the middle
    of what a lead allows is the likeliest and its ends are not to be had.
    """
    middle_s, half_s = (span.start_s + span.end_s) / 2.0, max(span.length_s / 2.0, 1e-3)
    low_s, high_s = latency.span.start_s - SLACK_S, latency.span.end_s + SLACK_S
    off_s = max(low_s - middle_s, middle_s - high_s, 0.0)
    return max(0.0, 1.0 - off_s / half_s)
