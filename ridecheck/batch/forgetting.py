"""Removing a bike's data, and making the index anew from what is kept."""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from ridecheck.batch.facts import BikeFacts
from ridecheck.batch.freshness import index_stamps
from ridecheck.batch.holding import broken_off, held
from ridecheck.batch.judging import on_disk
from ridecheck.batch.nightly import HEARTBEAT, NIGHT_LOG, VERDICTS
from ridecheck.batch.noting import says_why
from ridecheck.batch.registering import Registers
from ridecheck.batch.run import RunOptions, run_fleet
from ridecheck.batch.touched_bikes import bikes_of
from ridecheck.batch.weighing import Weighing, settled_as_of
from ridecheck.core.dangers import Closed, Register
from ridecheck.core.dangers import Forgotten as ForgottenEntry
from ridecheck.core.errors import UsageError
from ridecheck.core.files import remove, write_whole
from ridecheck.core.model import RideResult, SetAside
from ridecheck.fleet import Fleet, load_fleet
from ridecheck.fleet.events import append_event, new_event
from ridecheck.rules.engine import known_limits
from ridecheck.store.index import Known, index_update, read_known
from ridecheck.store.parts import KeptPart, list_parts, remove_part
from ridecheck.store.register import bikes_with_register, remove_register, write_register
from ridecheck.store.results import canonical, read_results, remove_result
from ridecheck.store.set_aside import read_records, remove_records


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What was removed, what stays until it is signed off, what a person must delete.

    kept_for_danger: ids of open dangers, of which the entry in the register stays. inbox:
    paths under inbox/ of logs that hold the bike's data; ridecheck never deletes there, and
    reads them again as long as they are there.
    """

    rides: tuple[str, ...]
    kept_for_danger: tuple[str, ...]
    records: int
    inbox: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """An index made anew, and what could not be brought back, a sentence each."""

    bikes: int
    rides: int
    not_back: tuple[str, ...]


def forget(
    root: Path,
    bike: str,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    by: str = "",
    reason: str = "",
    now: datetime | None = None,
) -> Forgotten:
    """Remove a bike's rides, results, index rows, pages, records and its mention in the log.

    since, until: only rides that began in between (undated ones only where neither is
    given). Of an open danger the entry in the register stays; touching one needs a name
    and a reason. UsageError where that is missing, where the bike's data are held, or
    where nothing is known of it.
    """
    root, now = Path(root), now or datetime.now(UTC)
    fleet = load_fleet(root, known_limits=known_limits())
    one = fleet.bikes.get(bike)
    there = any((root / n / bike).is_dir() for n in ("rides", "results"))
    if one is None and not (_is_name(bike) and (there or bike in bikes_with_register(root))):
        raise UsageError(
            "Nothing is known of this bike",
            where="BIKE",
            value=bike,
            what_to_do=f"known: {', '.join(sorted(fleet.bikes)) or 'none'}",
        )
    with held(root):
        try:
            forgotten = _forget(fleet, bike, (since, until), (by, reason), now)
            for folder in ("bikes", "archive"):  # of a bike still in the fleet it is made anew
                remove(root / "reports" / folder / f"{bike}.html")
            fleet = load_fleet(root, known_limits=known_limits())
            run_fleet(fleet, RunOptions(logs=(), now=now))
        except OSError as error:
            raise broken_off(error) from error
    return forgotten


def rebuild(root: Path) -> Rebuilt:
    """Make the index anew from results/ and rides/; nothing is read or judged again."""
    root = Path(root)
    fleet = load_fleet(root, known_limits=known_limits())
    with held(root):
        had = read_known(root)
        bikes = bikes_of(fleet)
        judged = on_disk(root, bikes)
        as_of = settled_as_of(None, judged, Known.nothing(), ())
        facts = BikeFacts.of(fleet)
        registers = Registers(facts, had, datetime.now(UTC))
        weighing = Weighing(facts, judged, registers, as_of)
        rides = 0
        try:
            with index_update(root, anew=True) as update:
                for bike in bikes:
                    entry = weighing.report(bike)
                    rides += len(entry.results)
                    # Not stamped: whether results are fresh was not asked; the next run does.
                    update.put(bike, entry)
                records = read_records(root)
                update.finish(logs=[], set_aside=records, stamps=index_stamps(fleet))
        except OSError as error:
            raise broken_off(error) from error
    not_back = [
        f"{name}: a kept file that cannot be read"
        for name in sorted(judged.damaged | weighing.damaged)
    ]
    known = f" ({len(had.logs)} were known)" if had.logs else ""
    not_back.append(f"which logs of the inbox are known{known}: the next run hashes each once")
    return Rebuilt(len(bikes), rides, tuple(not_back))


def _is_name(bike: str) -> bool:
    return bool(bike) and not set(bike) & {"/", "\\", "\0"} and bike not in (".", "..")


Between = tuple[datetime | None, datetime | None]


def _forget(
    fleet: Fleet, bike: str, between: Between, who: tuple[str, str], now: datetime
) -> Forgotten:
    root = fleet.root
    results, _ = read_results(root, bike)
    parts, _ = list_parts(root, bike)
    gone = [r for r in results.values() if _within(r, *between)]
    kept = _note_in_register(fleet, bike, list(results.values()), between, who, now)
    _forget_traces(root, bike, [r.ride for r in gone])
    names = _remove_rides(root, bike, gone, {p.info.stem: p for p in parts})
    others = {p.part for r in results.values() if r not in gone for p in r.parts}
    for part in parts:  # of no ride: their rows are all in others
        if part.info.stem not in others and _part_within(part, *between):
            names |= set(part.names)
            remove_part(root, bike, part.info.stem)
    records = _records_of(root, bike, names) if between == (None, None) else []
    remove_records(root, records)
    _forget_in_log(root, bike, {*names, *(r.log for r in records)})
    there = {n for n in (*names, *(r.log for r in records)) if _in_inbox(root, n)}
    for folder in ("rides", "results"):
        with suppress(OSError):  # it holds what was not to be forgotten
            (root / folder / bike).rmdir()
    return Forgotten(
        rides=tuple(sorted(r.ride for r in gone)),
        kept_for_danger=kept,
        records=len(records),
        inbox=tuple(sorted(there)),
    )


def _note_in_register(
    fleet: Fleet,
    bike: str,
    results: Sequence[RideResult],
    between: Between,
    who: tuple[str, str],
    now: datetime,
) -> tuple[str, ...]:
    """Enter who has open dangers' data removed and why; the ids of those dangers.

    UsageError where the bike's data are held, or nobody and nothing is named. Where nothing
    is open and all is forgotten, what was found goes too.
    """
    root, (by, reason) = fleet.root, who
    registers = Registers(BikeFacts.of(fleet), Known.nothing(), now)
    register = registers.begin(bike, results, list_parts(root, bike)[0])
    one = fleet.bikes.get(bike)
    if one.hold if one is not None else register.hold:
        raise UsageError(
            "This bike's data are held",
            where=f"bikes/{bike}.toml: hold",
            value="true, or the file cannot be read or is gone",
            what_to_do="Ask whoever set it; set hold = false to let the data go.",
        )
    touched = {
        n: e
        for n, e in register.open.items()
        if between == (None, None) or (e.start is not None and _is_between(e.start, *between))
    }
    if touched:
        first = next(iter(touched.values()))
        says_why(by, reason, first.finding, "ridecheck forget")
        entry = ForgottenEntry(now, tuple(touched), by, reason)
        write_register(root, bike, register.with_entries(entry))
        if one is not None:
            when = now.replace(microsecond=0)
            append_event(root, bike, new_event("forgotten", when, by=by, reason=reason))
    elif between == (None, None) and not register.open and not register.lost:
        said = [replace(e, closes=()) for e in register.entries if isinstance(e, Closed)]
        if said:  # what was signed is not to be taken for new
            write_register(root, bike, Register(tuple(said)))
        else:
            remove_register(root, bike)
    return tuple(e.finding for e in touched.values())


def _remove_rides(
    root: Path, bike: str, rides: Iterable[RideResult], by_stem: Mapping[str, KeptPart]
) -> set[str]:
    """Remove rides with their parts; the names of their logs."""
    names: set[str] = set()
    for result in rides:
        own = [by_stem[p.part] for p in result.parts if p.part in by_stem]
        names |= {n for p in own for n in p.names} | set(result.aliases)
        for part in own:
            remove_part(root, bike, part.info.stem)
        remove_result(root, bike, result.ride)
    return names


def _forget_traces(root: Path, bike: str, rides: Iterable[str]) -> None:
    """Remove the traced pages of these rides, and of rides the bike once had."""
    there = set(rides)
    known = {p.stem for p in (root / "results" / bike).glob("*.json")}
    old = re.compile(rf"{re.escape(bike)}-(\d{{8}}|undated)")
    for page in sorted((root / "reports" / "traces").glob("*.html")):
        if page.stem in there or (old.match(page.stem) and page.stem not in known):
            remove(page)


def _within(result: RideResult, since: datetime | None, until: datetime | None) -> bool:
    if result.start is None:
        return since is None and until is None
    return _is_between(result.start, since, until)


def _is_between(start: datetime, since: datetime | None, until: datetime | None) -> bool:
    return (since is None or start >= since) and (until is None or start <= until)


def _part_within(part: KeptPart, since: datetime | None, until: datetime | None) -> bool:
    if part.info.dating == "none":
        return since is None and until is None
    return _is_between(part.info.start, since, until)


def _records_of(root: Path, bike: str, names: Iterable[str]) -> list[SetAside]:
    """Records of logs that were, or are named as if they were, this bike's."""
    known = set(names)
    return [
        r
        for r in read_records(root)
        if r.log in known
        or bike in r.bikes
        or any(_begins_with(part, bike) for part in r.log.split("/"))
    ]


def _begins_with(name: str, bike: str) -> bool:
    rest = name[len(bike) :]
    return name.startswith(bike) and not rest[:1].isalnum()


def _forget_in_log(root: Path, bike: str, names: set[str]) -> None:
    """Take the bike and its logs out of every line of the nights' log, and the heartbeat."""
    for name in (HEARTBEAT, VERDICTS):
        with suppress(OSError, ValueError):
            said = json.loads((root / name).read_bytes())
            write_whole(root / name, canonical(_without(said, bike, names)))
    path = root / NIGHT_LOG
    if not path.is_file():
        return
    lines = []
    for line in path.read_text("utf-8").splitlines():
        try:
            said = json.loads(line)
        except ValueError:
            continue
        lines.append(json.dumps(_without(said, bike, names), sort_keys=True, ensure_ascii=False))
    write_whole(path, "".join(f"{line}\n" for line in lines).encode())


def _without(said: object, bike: str, names: set[str]) -> object:
    def mentions(text: object) -> bool:
        if not isinstance(text, str):
            return False
        return (
            text == bike
            or text in names
            or any(_begins_with(w, bike) for w in text.replace(":", " ").split())
        )

    if isinstance(said, dict):
        return {k: _without(v, bike, names) for k, v in said.items() if k != bike}
    if isinstance(said, list):
        return [_without(v, bike, names) for v in said if not mentions(v)]
    return said


def _in_inbox(root: Path, name: str) -> bool:
    return (root / "inbox" / name.split("!")[0]).is_file()
