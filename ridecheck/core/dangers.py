"""The register of one bike's dangers: what was found, what a person signed, what went elsewhere.

Entries are only ever added, each with a number from 1. Nothing but a closing entry that names
an entry's number closes it.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from ridecheck.core.model import Dating


@dataclass(frozen=True, slots=True)
class Found:
    """A danger that was found in a ride.

    at: when it was entered. parts: stems of the ride's parts, "<sha12>-<n>". start, end: None
    in undated rides; start_s, end_s count from the ride's start. layouts: name -> key of each
    layout it was read with; model_key: of the model it was judged by. moved_from: the bike
    whose ride it was, "" where it was found on this one. restored: made again from results,
    the index or the list of heads after the register was lost.
    """

    at: datetime
    finding: str
    rule: str
    ride: str
    parts: tuple[str, ...]
    dating: Dating
    start: datetime | None
    end: datetime | None
    start_s: float
    end_s: float
    message: str
    measured: float | None = None
    limit: float | None = None
    unit: str = ""
    channels: tuple[str, ...] = ()
    doubt: str = ""
    version: str = ""
    layouts: Mapping[str, str] = field(default_factory=dict)
    model: str = ""
    model_key: str = ""
    moved_from: str = ""
    restored: bool = False
    kind: Literal["found"] = "found"

    @property
    def logs(self) -> frozenset[str]:
        """The first twelve hex digits of its logs' hashes."""
        return frozenset(p.split("-")[0] for p in self.parts)

    def known_by(self, instant: datetime) -> bool:
        """Whether it was known at an instant: it had ended, and stood here or lay in a ride."""
        return self.at <= instant


@dataclass(frozen=True, slots=True)
class Closed:
    """A person's word on dangers. closes: numbers of the entries it closes, none where void.

    event: hash of the event in the bike's file it was made from. why: why it closes nothing,
    or not all it names. layouts, model_key: as they were then (misread).
    """

    at: datetime
    when: datetime
    by: str
    finding: str
    closes: tuple[int, ...]
    checks: tuple[str, ...]
    event: str
    kind: Literal["signed_off", "misread"] = "signed_off"
    why: str = ""
    layouts: Mapping[str, str] = field(default_factory=dict)
    model_key: str = ""


@dataclass(frozen=True, slots=True)
class Moved:
    """The rides of these entries belong to another bike now; they stay open here."""

    at: datetime
    entries: tuple[int, ...]
    to: str
    by: str = ""
    reason: str = ""
    kind: Literal["moved"] = "moved"


@dataclass(frozen=True, slots=True)
class Forgotten:
    """A person had the bike's data removed while these entries were open."""

    at: datetime
    entries: tuple[int, ...]
    by: str
    reason: str
    kind: Literal["forgotten"] = "forgotten"


@dataclass(frozen=True, slots=True)
class Hold:
    """Whether the bike's file said that its data are held."""

    at: datetime
    hold: bool
    kind: Literal["hold"] = "hold"


@dataclass(frozen=True, slots=True)
class Lost:
    """Part of the register could not be made again; open until a person signs it off."""

    at: datetime
    what: str
    kind: Literal["lost"] = "lost"


Entry = Found | Closed | Moved | Forgotten | Hold | Lost


@dataclass(frozen=True, slots=True)
class Register:
    """All entries of one bike, in order."""

    entries: tuple[Entry, ...] = ()

    def numbered(self) -> Iterator[tuple[int, Entry]]:
        """Entries with their numbers."""
        return enumerate(self.entries, start=1)

    def with_entries(self, *entries: Entry) -> "Register":
        """The register with more entries at its end."""
        return Register((*self.entries, *entries))

    @property
    def closed(self) -> frozenset[int]:
        """Numbers of entries that a person closed."""
        return frozenset(n for e in self.entries if isinstance(e, Closed) for n in e.closes)

    @property
    def misread(self) -> frozenset[int]:
        """Of those, the ones closed as never having been the bike's."""
        return frozenset(
            n
            for e in self.entries
            if isinstance(e, Closed) and e.kind == "misread"
            for n in e.closes
        )

    @property
    def open(self) -> Mapping[int, Found]:
        """Dangers that nobody has closed, by number."""
        closed = self.closed
        return {n: e for n, e in self.numbered() if isinstance(e, Found) and n not in closed}

    @property
    def lost(self) -> Mapping[int, Lost]:
        """What could not be made again and nobody has signed off."""
        closed = self.closed
        return {n: e for n, e in self.numbered() if isinstance(e, Lost) and n not in closed}

    @property
    def hold(self) -> bool:
        """What the bike's file last said of holding its data."""
        said = [e.hold for e in self.entries if isinstance(e, Hold)]
        return said[-1] if said else False

    def moved_to(self, number: int) -> str:
        """The bike that an entry's ride went to last, "" where it did not."""
        to = [e.to for e in self.entries if isinstance(e, Moved) and number in e.entries]
        return to[-1] if to else ""
