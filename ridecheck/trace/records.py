"""The records a trace is made of."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from ridecheck.core.model import Cancel, ChannelFacts, Evidence, Note, PartRef, Sketch
from ridecheck.signals.cancels.latency import Latency
from ridecheck.signals.order import Move
from ridecheck.trace.occasions import Occasion


@dataclass(frozen=True, slots=True)
class TracedCancel:
    """One cancel with what moved round it.

    moves: from 3 s before to 2 s after, in order. order: which was first, one sentence.
    remarks: what speaks for a hand or a fault. marker_s and press_s: seconds from the
    cancel to the rider's marker button and to the next set, resume or engagement.
    """

    cancel: Cancel
    engaged_s: float
    moves: tuple[Move, ...]
    order: str
    remarks: tuple[Evidence, ...] = ()
    marker_s: float | None = None
    press_s: float | None = None


@dataclass(frozen=True, slots=True)
class Detectable:
    """Could a pulse of an input have been seen? chance: per event; unseen: none in all events.

    interval_s None: not logged. through: the channel that stands in, "" for its own.
    """

    channel: str
    through: str
    pulse_s: float
    interval_s: float | None
    latched: bool
    chance: float
    events: int
    unseen: float


@dataclass(frozen=True, slots=True)
class NextRide:
    """What to log, and how far to ride, so that the next cancel names its cause."""

    add: tuple[str, ...]
    faster: tuple[str, ...]
    km: float | None
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StripChannel:
    """One channel over a strip: seconds from the cancel, and values (None is blank)."""

    name: str
    kind: str
    unit: str
    t_s: tuple[float, ...]
    values: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Strip:
    """All channels round one cancel, from before_s before it to after_s after."""

    before_s: float
    after_s: float
    row_s: float
    channels: tuple[StripChannel, ...]


@dataclass(frozen=True, slots=True)
class View:
    """What moved round a chosen instant that is no cancel."""

    at_s: float
    time: datetime | None
    moves: tuple[Move, ...]
    strip: Strip


@dataclass(frozen=True, slots=True)
class RideTrace:
    """One ride's cancels, in order. inferred: holds were guessed from steady speed. latency: how
    long cruise took to let go after an input.
    """

    ride: str
    bike: str
    model: str
    time_zone: str
    start: datetime | None
    end: datetime | None
    duration_s: float
    parts: tuple[PartRef, ...]
    channels: Mapping[str, ChannelFacts]
    notes: tuple[Note, ...]
    latency: Latency
    engaged_km: float
    engagements: int
    inferred: bool
    cancels: tuple[TracedCancel, ...]
    strips: tuple[Strip, ...]
    detectable: tuple[Detectable, ...]
    occasions: tuple[Occasion, ...]
    next_ride: NextRide
    sketch: Sketch
    view: View | None = None
