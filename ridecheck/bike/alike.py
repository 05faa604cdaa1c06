"""What all bikes of a model read alike is the model file's, not theirs: said once, of the model."""

from collections import defaultdict
from collections.abc import Sequence
from statistics import median

from ridecheck.core.model import BikeReport, State

RULE = "drivetrain/speed-against-engine"
LEAST_BIKES = 3
"""Two bikes may have the same wrong tyre; of three or more alike one file is the likelier cause
(common practice: doubt the shared thing first)."""
MOST = 0.75
"""Share of the bikes judged that must read alike."""
WITHIN_PERCENT = 1.5
"""Wear of a tyre moves a bike this far from its like (1.9 % new to worn, arithmetic)."""


def models_doubted(bikes: Sequence[BikeReport]) -> tuple[str, ...]:
    """A sentence for each model whose bikes read speed alike wrong, by model."""
    by_model: dict[str, list[BikeReport]] = defaultdict(list)
    for bike in bikes:
        if any(c.rule == RULE and c.state in (State.OK, State.FAULT) for c in bike.coverage):
            by_model[bike.model].append(bike)
    doubted = (_doubted(model, of_model) for model, of_model in sorted(by_model.items()))
    return tuple(sentence for sentence in doubted if sentence)


def _doubted(model: str, bikes: Sequence[BikeReport]) -> str:
    read = {b.bike: percent for b in bikes if (percent := _reads(b)) is not None}
    if len(read) < LEAST_BIKES:
        return ""
    middle = median(read.values())
    alike = sorted(b for b, percent in read.items() if abs(percent - middle) <= WITHIN_PERCENT)
    if len(alike) < max(LEAST_BIKES, MOST * len(bikes)):
        return ""
    who = f"all {len(bikes)} bikes" if len(alike) == len(bikes) else ", ".join(alike)
    return (
        f"{who} of {model} read {abs(middle):.1f} % {'high' if middle > 0 else 'low'}: check the "
        f"tyre and the ratios in models/{model}.toml before any of the bikes"
    )


def _reads(bike: BikeReport) -> float | None:
    """How far the newest ride's speed is off engine speed, in per cent; None where it is not."""
    found = [
        f.finding
        for f in bike.findings
        if f.open and f.finding.rule == RULE and f.finding.measured is not None
    ]
    newest = max(found, key=lambda f: (f.start.timestamp() if f.start else 0.0, f.id), default=None)
    return newest.measured if newest else None
