"""All channels round an instant, as plain values to be drawn."""

import math

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import Span
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import BLANK
from ridecheck.trace.records import Strip, StripChannel

NOT_DRAWN = ("odometer", "altitude", "coolant_temperature", "air_temperature")
"""What stands still for minutes."""


def strip(ride: Ride, t_s: float, before_s: float, after_s: float) -> Strip:
    """The strip from before_s before an instant to after_s after it."""
    rows = ride.slice(Span(t_s - before_s, t_s + after_s))
    return Strip(
        before_s=before_s,
        after_s=after_s,
        row_s=ride.row_interval_s,
        channels=tuple(_strip_channel(ride, name, rows, t_s) for name in _drawn(ride)),
    )


def _drawn(ride: Ride) -> list[str]:
    """Channels of a strip, in the catalogue's order; what stands still for hours is left out."""
    return [n for n in catalog() if n not in NOT_DRAWN and ride.has(n)]


def _strip_channel(ride: Ride, name: str, rows: slice, centre_s: float) -> StripChannel:
    entry = catalog()[name]
    values = ride.numbers(name)[rows]
    return StripChannel(
        name=name,
        kind=entry.kind,
        unit=entry.unit,
        t_s=tuple(round(float(t), 4) for t in ride.t_s[rows] - centre_s),
        values=tuple(None if math.isnan(v) or v == BLANK else round(float(v), 3) for v in values),
    )
