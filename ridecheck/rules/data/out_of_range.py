"""The log holds values that cannot be.

What it checks
    Values outside the range a channel can take (schemas/channels.toml). They were
    blanked when the log was read, and are counted here.
Why it matters
    Most are a logger's code for "no value". Many of them hide a channel that drops out.
What else looks like this
    A wrong unit or scale in the layout; a code for "missing" the layout does not name.
Next step
    Look at the layout first: the unit, the scale, and the codes for a missing value.
References
    The ranges are wide on purpose and common practice of the trade.
"""

from dataclasses import dataclass

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    values: float = threshold(1.0, "values", "one value that cannot be is worth a line")


@rule(
    needs=(),
    severity=Severity.NOTE,
    clear_s=10.0,
    raise_when=RaiseWhen(events=1_000_000),
    asks="the log",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding a channel, over the whole ride: where they stood is in the log itself."""
    counts: dict[str, int] = {}
    for part in ride.parts:
        for name, count in part.out_of_range.items():
            counts[name] = counts.get(name, 0) + count
    for name, count in sorted(counts.items()):
        if count >= limits.values:
            yield Finding(
                span=Span(0.0, ride.duration_s),
                message=f"{count} values of {name.replace('_', ' ')} cannot be and were left out",
                measured=float(count),
                limit=limits.values,
                unit="values",
                channels=(name,),
            )
    yield Exposure(seconds=ride.duration_s)
