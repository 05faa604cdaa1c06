"""The parts of a ride to trace: of a log as it is, with or without a fleet, or of a kept ride."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from ridecheck.bike.events_allowed import result_of
from ridecheck.core.errors import UsageError
from ridecheck.core.model import Drivetrain, Part, Settings
from ridecheck.fleet import Fleet, Layout, load_fleet, read_layout, read_settings
from ridecheck.intake.read import take_in
from ridecheck.intake.readers import Member, open_log
from ridecheck.rules.engine import known_limits
from ridecheck.store.parts import read_part

JOIN_BELOW = timedelta(minutes=10)
"""Parts of one bike less than this apart are one ride."""

TRACE_THE_LOG = "trace the log itself, if it is still there: ridecheck trace LOG --fleet DIR"

NEAR = timedelta(hours=24)
"""Washes and rain noted this long before a ride are named with it."""

NO_LADDER = Drivetrain(overall_ratios=(1000.0,), circumference_m=2.0)
"""Stands in where no model is named: no ratio fits it, so no gear is inferred."""


@dataclass(frozen=True, slots=True)
class Traceable:
    """One ride's parts in time order, and what is known of its bike."""

    ride: str
    bike: str
    parts: tuple[Part, ...]
    settings: Settings
    time_zone: str = "UTC"
    display_units: str = "metric"
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _LoneBike:
    """Stands in for a bike's file."""

    layout: str | None = None


@dataclass(frozen=True, slots=True)
class _NoFleet:
    """Stands in for a fleet where there is one layout, one bike and nothing else."""

    bikes: Mapping[str, _LoneBike]
    layouts: Mapping[str, Layout] = field(default_factory=dict)


def of_ride(root: Path, ride: str) -> Traceable:
    """A kept ride of a fleet. Raises UsageError for an unknown or thinned one."""
    fleet = load_fleet(root, known_limits=known_limits())
    result = result_of(root, ride)
    stems = [p.part for p in result.parts]
    parts = [_kept(root, stem) for stem in stems]
    if any(p.info.thinned for p in parts):
        raise UsageError(
            "the samples of this ride were thinned and cannot be traced",
            where=str(root / "rides"),
            value=ride,
            what_to_do=TRACE_THE_LOG,
        )
    return _traceable(fleet, result.bike, ride, parts)


def of_log(
    path: Path, *, root: Path | None = None, layout: Path | None = None, model: Path | None = None
) -> list[Traceable]:
    """The rides in a log; nothing is stored. Raises UsageError, FleetError, LogError."""
    if root is not None:
        fleet = load_fleet(root, known_limits=known_limits())
        parts = [p for m in _members(path) for p in take_in(m, fleet)]
        return [_traceable(fleet, r[0].info.bike, _named(r), r) for r in _rides(parts)]
    if layout is None:
        raise UsageError(
            "how this log is written is not known",
            where="ridecheck trace",
            value=path.name,
            what_to_do="name its fleet with --fleet DIR, or its layout with --layout FILE",
        )
    settings = (
        read_settings(model, known_limits=known_limits())
        if model
        else Settings(model="", drivetrain=NO_LADDER)
    )
    lone = read_layout(layout)
    bike = _bike_in(path.stem)
    alone = _NoFleet(bikes={bike: _LoneBike()})
    parts = [p for member in _members(path) for p in take_in(member, alone, layout=lone, bike=bike)]
    return [Traceable(_named(r), bike, tuple(r), settings) for r in _rides(parts)]


def _members(path: Path) -> Iterator[Member]:
    """The logs in a file. Raises LogError for one that cannot be unpacked."""
    for member in open_log(path, name=path.name):
        if member.problem is not None:
            raise member.problem
        yield member


def _kept(root: Path, stem: str) -> Part:
    found = sorted((root / "rides").glob(f"*/{stem}.parquet"))
    if not found:
        raise UsageError(
            "the samples of this ride are no longer kept",
            where=str(root / "rides"),
            value=stem,
            what_to_do=TRACE_THE_LOG,
        )
    return read_part(root, found[0].parent.name, stem)


def _traceable(fleet: Fleet, bike: str, ride: str, parts: Sequence[Part]) -> Traceable:
    return Traceable(
        ride=ride,
        bike=bike,
        parts=tuple(parts),
        settings=fleet.settings(bike),
        time_zone=fleet.time_zone,
        display_units=fleet.display_units,
        remarks=tuple(_weather(fleet, bike, parts)),
    )


def _weather(fleet: Fleet, bike: str, parts: Sequence[Part]) -> list[str]:
    """Washes and rain noted in the day before the ride, or during it."""
    if parts[0].info.dating != "time":
        return []
    start, end = parts[0].info.start, parts[-1].info.end
    noted = []
    for event in fleet.bikes[bike].events:
        when = event.instant(fleet.time_zone)
        if event.kind in ("wash", "rain") and start - NEAR <= when <= end:
            hours = (start - when).total_seconds() / 3600.0
            noted.append(f"{event.kind} noted {max(hours, 0.0):.0f} h before this ride")
    return noted


def _rides(parts: Sequence[Part]) -> list[list[Part]]:
    """Parts of one bike less than ten minutes apart, together; undated ones each alone."""
    rides: list[list[Part]] = []
    for part in sorted(parts, key=lambda p: (p.info.bike, p.info.start, p.info.stem)):
        last = rides[-1][-1] if rides else None
        joins = (
            last is not None
            and last.info.bike == part.info.bike
            and last.info.dating == part.info.dating == "time"
            and part.info.start - last.info.end < JOIN_BELOW
            and part.info.start > last.info.end
        )
        if joins:
            rides[-1].append(part)
        else:
            rides.append([part])
    return rides


def _named(parts: Sequence[Part]) -> str:
    """The id the ride would have in a fleet."""
    info = parts[0].info
    if info.dating == "time":
        return f"{info.bike}-{info.start:%Y%m%dT%H%M%SZ}"
    day = f"{info.start:%Y%m%d}" if info.dating == "date" else "undated"
    return f"{info.bike}-{day}-{info.stem}"


def _bike_in(stem: str) -> str:
    """A bike id made of a file's name: what is no letter or digit becomes a hyphen."""
    plain = "".join(c if c.isascii() and c.isalnum() else "-" for c in stem).strip("-")
    return plain[:32] or "log"
