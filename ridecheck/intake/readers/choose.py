"""Which layout a log is in, and which bike it belongs to."""

import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Protocol

from ridecheck.core.errors import LogError
from ridecheck.core.names import nearest_names
from ridecheck.intake.readers.csv_log import read_start
from ridecheck.intake.readers.csv_text import HEADER_WITHIN_BYTES, looks_like_text, to_utf8
from ridecheck.intake.readers.mdf_log import MAGIC as MDF_MAGIC
from ridecheck.intake.readers.mdf_log import mdf_names, open_mdf
from ridecheck.intake.readers.parquet_log import MAGIC, metadata_of, open_parquet, parquet_names
from ridecheck.intake.readers.table import missing_columns, time_columns, wanted_columns
from ridecheck.intake.readers.unpack import Member

if TYPE_CHECKING:
    from ridecheck.fleet import Layout

_BIKE_KEYS = ("bike", "bike_id", "vehicle", "vehicle_id")


class BikeFile(Protocol):
    """What is asked of a bike's file here."""

    @property
    def layout(self) -> str | None:
        """The layout its logger writes, if stated."""


class FleetFiles(Protocol):
    """What is asked of a fleet here."""

    @property
    def layouts(self) -> "Mapping[str, Layout]":
        """By name."""

    @property
    def bikes(self) -> Mapping[str, BikeFile]:
        """By id."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A layout that fits, and the bike it gives ("" where each row names its own)."""

    name: str
    layout: "Layout"
    bike: str


@dataclass(frozen=True, slots=True)
class _Fit:
    """How a layout fits: columns mapped, or why it does not."""

    mapped: int = 0
    metadata: Mapping[str, str] | None = None
    problem: LogError | None = None


def choose_layout(
    member: Member,
    fleet: FleetFiles,
    *,
    layout: "Layout | str | None" = None,
    bike: str | None = None,
) -> Choice:
    """The layout and the bike of a log, by the contract's order; LogError where none or two fit.

    A stated layout or bike is taken as it is. A bike that names its layout is read by that
    one only. Of the layouts that fit and give a bike that names none, the one that maps most
    columns wins; a tie is refused by name.
    """
    stated = _stated(layout, fleet)
    if stated is not None:
        name, chosen = stated
        fit = _fit(member, chosen)
        if fit.problem is not None:
            raise fit.problem
        return Choice(name, chosen, _known_bike(member, chosen, fit, fleet, bike))
    if not fleet.layouts:
        raise LogError(
            "The fleet has no layout",
            where=member.name,
            value="layouts/ is empty",
            what_to_do="Let `ridecheck layout` propose one and put it into layouts/.",
        )
    fits = {name: _fit(member, candidate) for name, candidate in fleet.layouts.items()}
    fitting = {name: fit for name, fit in fits.items() if fit.problem is None}
    if not fitting:
        raise _none_fits(fits, fleet, member, bike)
    given: list[Choice] = []
    problems: list[LogError] = []
    for name, fit in fitting.items():
        candidate = fleet.layouts[name]
        try:
            given.append(Choice(name, candidate, _known_bike(member, candidate, fit, fleet, bike)))
        except LogError as problem:
            problems.append(problem)
    if not given:
        raise problems[0]
    own = [c for c in given if _names(c.bike, fleet) == c.name]
    among = own or [c for c in given if _names(c.bike, fleet) is None]
    if not among:
        raise _not_its_own(given[0].bike, fits, fleet, member)
    most = max(fitting[c.name].mapped for c in among)
    best = [c for c in among if fitting[c.name].mapped == most]
    if len(best) > 1:
        raise LogError(
            "Two layouts fit this log",
            where=member.name,
            value=" and ".join(sorted(c.name for c in best)),
            what_to_do="Name the layout in the bike's file, or give it with --layout.",
        )
    return best[0]


def _names(bike: str, fleet: FleetFiles) -> str | None:
    """The layout that a bike's file names."""
    return fleet.bikes[bike].layout if bike in fleet.bikes else None


def _not_its_own(
    bike: str, fits: Mapping[str, _Fit], fleet: FleetFiles, member: Member
) -> LogError:
    """The problem of the one layout that a bike's logs may be read by."""
    name = str(_names(bike, fleet))
    fit = fits.get(name)
    if fit is None or fit.problem is None:
        return LogError(
            f"The layout of {bike} cannot be used",
            where=member.name,
            value=f'bikes/{bike}.toml: layout = "{name}"',
            what_to_do=f"Correct the mistakes in layouts/{name}.toml, or name another layout.",
        )
    problem = fit.problem
    return LogError(
        f"The log does not fit {name}, the layout that {bike} names: {problem.what}",
        where=problem.where or member.name,
        value=problem.value,
        what_to_do=f"{problem.what_to_do} If the logger was set up anew, name its layout in "
        f"bikes/{bike}.toml.",
    )


def bike_by_name(name: str, bikes: Mapping[str, object]) -> str | None:
    """The longest bike id that begins the file or a folder name and ends at a non-alphanumeric.

    The file's own name is looked at first, then its folders from the nearest; for a member
    of an archive the archive's after its own. Compared without case, as bike ids are.
    """
    for part in _name_parts(name):
        known = [
            bike
            for bike in bikes
            if part.lower().startswith(bike.lower())
            and not (len(part) > len(bike) and part[len(bike)].isalnum())
        ]
        if known:
            return max(known, key=len)
    return None


def bikes_named(name: str, fleet: FleetFiles) -> tuple[str, ...]:
    """The bikes a log that cannot be read may belong to, by its name and the layouts.

    What a layout's bike_pattern finds in the name; else what the name begins with; else
    the one bike that every layout states. Empty where nothing says.
    """
    known = {bike.lower(): bike for bike in fleet.bikes}
    found: set[str] = set()
    for layout in fleet.layouts.values():
        if layout.file.bike_pattern:
            with suppress(LogError):
                found.add(known.get(_by_pattern(name, layout).lower(), ""))
    if not found - {""} and (begins := bike_by_name(name, fleet.bikes)):
        found = {begins}
    if not found - {""}:
        found = {known.get(one.file.bike.lower(), "") for one in fleet.layouts.values()}
        found = found if len(found) == 1 else set()
    return tuple(sorted(found - {""}))


def unknown_bike(bike: str, bikes: Mapping[str, object], *, where: str) -> LogError:
    """The error for a bike that has no file."""
    near = nearest_names(bike, bikes, cutoff=0.0)
    return LogError(
        f"unknown bike {bike}" + (f", nearest {near[0]}" if near else ""),
        where=where,
        value=bike,
        what_to_do="Add a file for it to bikes/, rename the log, or give the bike with --bike.",
    )


def _stated(layout: "Layout | str | None", fleet: FleetFiles) -> "tuple[str, Layout] | None":
    if layout is None:
        return None
    if not isinstance(layout, str):
        return getattr(layout, "name", "") or "stated", layout
    if layout not in fleet.layouts:
        near = nearest_names(layout, fleet.layouts)
        raise LogError(
            "There is no such layout",
            where="layouts/",
            value=layout,
            what_to_do=f"Known: {', '.join(sorted(fleet.layouts)) or 'none'}."
            + (f" Did you mean {near[0]}?" if near else ""),
        )
    return layout, fleet.layouts[layout]


def _fit(member: Member, layout: "Layout") -> _Fit:
    """Does a layout fit by kind, separator and named columns?"""
    wanted = wanted_columns(layout)
    head = member.head(HEADER_WITHIN_BYTES)
    is_parquet = head.startswith(MAGIC)
    try:
        if head.startswith(MDF_MAGIC):
            with member.open() as stream:
                names = mdf_names(open_mdf(stream, shown=member.name))
            missing = [n for n in wanted.needed if n not in (*names, *time_columns(layout))]
            if missing:
                return _Fit(problem=missing_columns(missing, names, where=member.name))
            return _Fit(sum(n in names for n in wanted.all), {})
        if is_parquet != (layout.file.kind == "parquet"):
            raise LogError(
                f"The layout is for {layout.file.kind} files",
                where=member.name,
                value="a Parquet file" if is_parquet else "no Parquet file",
                what_to_do="Add a layout for this kind of file; `ridecheck layout` proposes one.",
            )
        if is_parquet:
            with member.open() as stream:
                file = open_parquet(stream, shown=member.name)
                names, metadata = parquet_names(file), metadata_of(file)
            missing = [n for n in wanted.needed if n not in names]
            if missing:
                return _Fit(problem=missing_columns(missing, names, where=member.name))
            return _Fit(sum(n in names for n in wanted.all), metadata)
        if not looks_like_text(head[:4096], layout.file.encoding):
            raise LogError(
                "This is no text",
                where=member.name,
                value=f"first bytes {head[:6]!r}",
                what_to_do="If it is a log, state its encoding in the layout; else take it out.",
            )
        text, _ = to_utf8(head, layout.file.encoding)
        return _Fit(len(read_start(text, layout, shown=member.name).mapped()), {})
    except LogError as problem:
        return _Fit(problem=problem)


def _none_fits(
    fits: Mapping[str, _Fit], fleet: FleetFiles, member: Member, stated: str | None
) -> LogError:
    """The problem of the bike's own layout, else of the one that lacks the fewest columns."""
    bikes = (stated,) if stated else bikes_named(member.name, fleet)
    if len(bikes) == 1 and _names(bikes[0], fleet) is not None:
        return _not_its_own(bikes[0], fits, fleet, member)
    problems = {name: fit.problem for name, fit in fits.items() if fit.problem is not None}

    def share_lacking(name: str) -> tuple[float, str]:
        named = problems[name].value.count('"') // 2
        return (named / len(wanted_columns(fleet.layouts[name]).needed) if named else 9.0), name

    name = min(problems, key=share_lacking)
    nearest_fit = problems[name]
    if len(fits) == 1:
        return nearest_fit
    return LogError(
        f"No layout of the fleet fits; the nearest is {name}: {nearest_fit.what}",
        where=nearest_fit.where or member.name,
        value=nearest_fit.value,
        what_to_do=nearest_fit.what_to_do,
    )


def _known_bike(
    member: Member, layout: "Layout", fit: _Fit, fleet: FleetFiles, stated: str | None
) -> str:
    """The bike of a log, by the layout's bike_from; "" where a column names it row by row."""
    if stated is not None:
        return _in_fleet(stated, fleet, member.name)
    where = layout.file.bike_from
    if where == "fixed":
        return _in_fleet(str(layout.file.bike), fleet, member.name)
    if where == "column":
        key = (layout.file.bike_column or "").lower()
        if fit.metadata and key in fit.metadata:
            return _in_fleet(fit.metadata[key], fleet, member.name)
        return ""
    if layout.file.bike_pattern:
        return _in_fleet(_by_pattern(member.name, layout), fleet, member.name)
    found = bike_by_name(member.name, fleet.bikes)
    if found is None and fit.metadata:
        named = next((fit.metadata[k] for k in _BIKE_KEYS if k in fit.metadata), None)
        if named is not None:
            return _in_fleet(named, fleet, member.name)
    if found is None:
        first = re.split(r"[^0-9A-Za-z-]", _name_parts(member.name)[0], maxsplit=1)[0]
        raise unknown_bike(first or member.name, fleet.bikes, where=member.name)
    return found


def _by_pattern(name: str, layout: "Layout") -> str:
    """The group "bike" of bike_pattern, in the file's name or in a folder's from the left."""
    parts = _name_parts(name)
    if layout.file.bike_from == "folder":
        candidates = list(reversed(parts[1:]))
    else:
        candidates = [_base(name), *parts[:1]]
    for part in candidates:
        found = re.search(layout.file.bike_pattern, part)
        if found:
            return found.group("bike")
    raise LogError(
        "No bike in the name: bike_pattern does not match",
        where=name,
        value=layout.file.bike_pattern,
        what_to_do="Rename the log, correct bike_pattern in the layout, or give --bike.",
    )


def _in_fleet(bike: str, fleet: FleetFiles, where: str) -> str:
    """The bike's id as its file spells it (ids differ by more than case)."""
    for known in fleet.bikes:
        if known.lower() == bike.strip().lower():
            return known
    raise unknown_bike(bike, fleet.bikes, where=where)


def _base(name: str) -> str:
    return PurePosixPath(name.rpartition("!")[2]).name


def _name_parts(name: str) -> list[str]:
    """File name, its folders from the nearest; for a member then the archive's likewise."""
    archive, _, inner = name.rpartition("!")
    parts = list(reversed(PurePosixPath(inner).parts))
    if archive:
        parts += reversed(PurePosixPath(archive).parts)
    return parts or [name]
