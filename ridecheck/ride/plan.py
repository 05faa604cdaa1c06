"""Which parts of a bike's logs make up which ride. Order of arrival plays no part."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from ridecheck.core.model import Dating, Note
from ridecheck.store.parts import NO_ROWS, KeptPart, holds, same_rows

JOIN_BELOW = timedelta(minutes=10)
"""Parts of one bike less than this apart are one ride."""


@dataclass(frozen=True, slots=True)
class RidePart:
    """A part's share in a ride: all of it, or only its rows after an instant."""

    kept: KeptPart
    rows_after: datetime | None = None


@dataclass(frozen=True, slots=True)
class RidePlan:
    """A ride before it is judged: its id and the parts to read, in time order.

    frozen: its samples have been thinned, so the stored result stands as it is.
    """

    ride: str
    bike: str
    parts: tuple[RidePart, ...]
    aliases: tuple[str, ...]
    notes: tuple[Note, ...]

    @property
    def dating(self) -> Dating:
        """How well its instants are known."""
        return self.parts[0].kept.info.dating

    @property
    def frozen(self) -> bool:
        """True where the stored result stands, its samples being thinned."""
        return any(p.kept.info.thinned for p in self.parts)

    @property
    def stems(self) -> tuple[str, ...]:
        """The stems of its parts."""
        return tuple(p.kept.info.stem for p in self.parts)


@dataclass(slots=True)
class _Group:
    """A part that stays, with what was found to repeat it and to contradict it."""

    part: KeptPart
    aliases: list[str]
    notes: list[Note]
    alone: bool = False


def plan_rides(
    bike: str, parts: Iterable[KeptPart], *, thinned_rides: Mapping[str, str] | None = None
) -> tuple[RidePlan, ...]:
    """The rides that a bike's parts make, by start and id.

    thinned_rides: stem -> ride for parts whose samples were thinned; they stay as they are.
    Same rows again are an alias; a part whose rows all lie in a longer one is dropped;
    parts that overlap but differ are rides of their own; the rest is joined where less
    than ten minutes lie between. Logs without a time of day are a ride each.
    """
    ordered = sorted(parts, key=lambda p: (p.info.start, p.info.stem))
    timed = [p for p in ordered if p.info.dating == "time"]
    plans = [_single(bike, g) for g in _without_repeats([p for p in ordered if p not in timed])]
    groups = _compared(_without_repeats(timed))
    plans += _named(bike, _joined(groups), thinned_rides or {})
    return tuple(sorted(plans, key=lambda p: (p.parts[0].kept.info.start, p.ride)))


def without_fingerprints(plan: RidePlan) -> RidePlan:
    """A plan as it is handed on: what its rows say is not needed any more."""
    parts = tuple(replace(p, kept=replace(p.kept, fingerprint=NO_ROWS)) for p in plan.parts)
    return replace(plan, parts=parts)


def _without_repeats(parts: Sequence[KeptPart]) -> list[_Group]:
    """One group for all parts of the same rows; the others' names become aliases."""
    by_rows: dict[tuple[object, ...], list[KeptPart]] = {}
    for part in parts:
        info = part.info
        by_rows.setdefault((info.dating, info.start, info.rows_sha256), []).append(part)
    groups = []
    for same in by_rows.values():
        same.sort(key=lambda p: (not p.info.thinned, p.log, p.info.stem))
        names = {n for p in same for n in p.names} - {same[0].log}
        groups.append(_Group(same[0], sorted(names), []))
    return groups


def _compared(groups: Sequence[_Group]) -> list[_Group]:
    """Drop what a longer part holds whole; mark what overlaps and differs."""
    by_length = sorted(
        groups, key=lambda g: (g.part.info.start - g.part.info.end, g.part.info.start, g.part.log)
    )
    stays: list[_Group] = []
    for group in by_length:
        holder = next((g for g in _overlapping(group, stays) if holds(g.part, group.part)), None)
        if holder is None:
            stays.append(group)
            continue
        names = [n for n in (group.part.log, *group.aliases) if n != holder.part.log]
        if names:
            message = f"all rows of {', '.join(names)} are in {holder.part.log} too; taken once"
            holder.notes.append(Note("duplicate", message, group.part.info.rows))
    stays.sort(key=lambda g: (g.part.info.start, g.part.info.stem))
    for i, group in enumerate(stays):
        for other in _overlapping(group, stays[:i]):
            if _same_or_short(group.part, other.part):
                continue
            for one, two in ((group, other), (other, group)):
                one.alone = True
                one.notes.append(
                    Note("duplicate", f"overlaps {two.part.log} but differs; both are judged")
                )
    return stays


def _overlapping(group: _Group, others: Iterable[_Group]) -> Iterable[_Group]:
    info = group.part.info
    return (g for g in others if g.part.info.start <= info.end and info.start <= g.part.info.end)


def _same_or_short(a: KeptPart, b: KeptPart) -> bool:
    """May the later part simply go on where the earlier ends?"""
    same = same_rows(a, b)
    if same is not None:
        return same
    within = a.info.start <= b.info.start and b.info.end <= a.info.end
    return not within and not (b.info.start <= a.info.start and a.info.end <= b.info.end)


def _joined(groups: Sequence[_Group]) -> list[list[_Group]]:
    """Groups that make one ride each, in time order."""
    rides = [[g] for g in groups if g.alone or g.part.info.thinned]
    chain: list[_Group] = []
    end: datetime | None = None
    for group in (g for g in groups if not (g.alone or g.part.info.thinned)):
        if end is None or group.part.info.start - end >= JOIN_BELOW:
            chain = []
            rides.append(chain)
            end = group.part.info.end
        chain.append(group)
        end = max(end, group.part.info.end)
    return sorted(rides, key=lambda r: (r[0].part.info.start, r[0].part.info.stem))


def _named(
    bike: str, rides: Sequence[Sequence[_Group]], thinned_rides: Mapping[str, str]
) -> list[RidePlan]:
    """Give dated rides their ids; a second one in the same second gets "-2"."""
    standing: dict[str, list[_Group]] = {}
    fresh = []
    for groups in rides:
        stays = thinned_rides.get(groups[0].part.info.stem)
        if stays is None:
            fresh.append(groups)
        else:
            standing.setdefault(stays, []).extend(groups)
    plans = [_plan(bike, name, groups) for name, groups in standing.items()]
    taken = set(standing)
    for groups in fresh:
        base = f"{bike}-{groups[0].part.info.start:%Y%m%dT%H%M%SZ}"
        name, n = base, 1
        while name in taken:
            n += 1
            name = f"{base}-{n}"
        taken.add(name)
        plans.append(_plan(bike, name, groups))
    return plans


def _single(bike: str, group: _Group) -> RidePlan:
    info = group.part.info
    day = f"{info.start:%Y%m%d}" if info.dating == "date" else "undated"
    return _plan(bike, f"{bike}-{day}-{info.stem}", [group])


def _plan(bike: str, ride: str, groups: Sequence[_Group]) -> RidePlan:
    parts: list[RidePart] = []
    end: datetime | None = None
    for group in groups:
        overlaps = end is not None and group.part.info.start <= end
        parts.append(RidePart(group.part, end if overlaps else None))
        end = max(end, group.part.info.end) if end else group.part.info.end
    logs = {p.kept.log for p in parts}
    notes = [n for g in groups for n in (*g.part.info.notes, *g.notes)]
    return RidePlan(
        ride=ride,
        bike=bike,
        parts=tuple(parts),
        aliases=tuple(sorted({a for g in groups for a in g.aliases} - logs)),
        notes=tuple(gathered(notes)),
    )


def gathered(notes: Iterable[Note]) -> list[Note]:
    """Notes of equal words said once, their counts added, in order of words."""
    counts: dict[tuple[str, str], Note] = {}
    for note in notes:
        met = counts.get((note.about, note.message))
        counts[note.about, note.message] = (
            replace(note, count=met.count + note.count) if met else note
        )
    return [counts[key] for key in sorted(counts)]


def placements(
    parts: Iterable[KeptPart], moves: Mapping[tuple[str, str], str | None]
) -> dict[str, list[KeptPart]]:
    """Parts by the bike they belong to after people reassigned or dropped rides.

    moves: (bike a ride was filed under, stem) -> bike it belongs to, None for dropped;
    followed from bike to bike, each at most once.
    """
    by_bike: dict[str, list[KeptPart]] = {}
    for part in parts:
        bike: str | None = part.info.bike
        visited: set[str] = set()
        while bike is not None and bike not in visited and (bike, part.info.stem) in moves:
            visited.add(bike)
            bike = moves[bike, part.info.stem]
        if bike is not None:
            by_bike.setdefault(bike, []).append(part)
    return by_bike
