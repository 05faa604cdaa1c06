"""Which bikes there are, and of which something has changed since their report."""

from collections.abc import Collection, Iterable

from ridecheck.batch.facts import BikeFacts
from ridecheck.fleet import Fleet
from ridecheck.store.index import Known
from ridecheck.store.register import bikes_with_register


def bikes_of(fleet: Fleet) -> tuple[str, ...]:
    """Bikes with a file, and those of which rides, results or dangers are kept."""
    folders = [f for n in ("rides", "results") if (f := fleet.root / n).is_dir()]
    on_disk = {p.name for f in folders for p in f.iterdir() if p.is_dir() and any(p.iterdir())}
    return tuple(sorted({*fleet.bikes, *on_disk, *bikes_with_register(fleet.root)}))


def touched_bikes(
    facts: BikeFacts, known: Known, bikes: Collection[str], *, by_logs: Iterable[str] = ()
) -> frozenset[str]:
    """Bikes with new parts or other settings, and all that a moved ride links to them."""
    kept = known.bikes
    stale = {b for b in bikes if b not in kept or kept[b].stamp != facts.stamp(b)}
    touched = (set(by_logs) | stale) & set(bikes)
    linked = {b for (b, _) in facts.moves} | {b for b in facts.moves.values() if b}
    return frozenset(touched | (linked & set(bikes) if touched & linked else set()))
