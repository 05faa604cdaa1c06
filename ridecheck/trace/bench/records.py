"""The records a bench reading is made of."""

from dataclasses import dataclass
from datetime import datetime

from ridecheck.core.model import PartRef, Span, State


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the sequence to work through.

    id: "rest", a channel's name, or a name of its own where nothing is meant to move.
    check: the check of schemas/checks.toml that the step makes exact, "" for none. times: how
    often. suspect: a part of this bike that is under suspicion, for which the step comes first.
    """

    id: str
    title: str
    do: str
    must: str
    times: int
    minutes: float
    check: str = ""
    channels: tuple[str, ...] = ()
    suspect: str = ""


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing seen of a control: kind, and the figures that its sentence gives.

    fault: it is one. Figures are in the unit the kind stands for (see reporters.bench_words).
    """

    kind: str
    fault: bool = False
    value: float | None = None
    other: str = ""
    at_s: float | None = None
    times: int = 0


@dataclass(frozen=True, slots=True)
class ControlRead:
    """One control over the whole log.

    uses: how often it was worked. shortest_s, median_s: of those uses, None without one.
    unseen_s: a bounce or flicker shorter than this cannot be seen at this rate. state: ok needs
    both positions seen and the uses asked; what was never seen is never ok. on: stretches in
    which it was on, or open, for drawing.
    """

    channel: str
    state: State
    uses: int
    shortest_s: float | None
    median_s: float | None
    unseen_s: float
    facts: tuple[Fact, ...] = ()
    on: tuple[Span, ...] = ()

    @property
    def faults(self) -> tuple[Fact, ...]:
        """What speaks against it."""
        return tuple(f for f in self.facts if f.fault)


@dataclass(frozen=True, slots=True)
class CheckDone:
    """A check of schemas/checks.toml as the log answers it: ok or fault, and on what it rests."""

    check: str
    result: str
    channels: tuple[str, ...]
    uses: int


@dataclass(frozen=True, slots=True)
class BenchReading:
    """One standing log, read control by control.

    steps: those of the plan; done: ids of the steps that what moved in the log shows.
    moving_s: seconds in which a speed was logged above walking; a ride is no bench log.
    """

    bike: str
    model: str
    parts: tuple[PartRef, ...]
    start: datetime | None
    duration_s: float
    moving_s: float
    controls: tuple[ControlRead, ...]
    steps: tuple[Step, ...]
    done: tuple[str, ...]
    checks: tuple[CheckDone, ...]
