"""What a bike's report depends on besides its rides: settings, events, moves of rides."""

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ridecheck import __version__
from ridecheck.batch.freshness import code_version, layout_keys, layouts_key
from ridecheck.bike.context import Context
from ridecheck.bike.dangers import Keys
from ridecheck.core.dangers import Register
from ridecheck.core.files import shown
from ridecheck.core.model import Cruise, SetAside
from ridecheck.fleet import Fleet
from ridecheck.fleet.events import Event
from ridecheck.ride.judge import settings_json
from ridecheck.store.register import read_heads, register_path
from ridecheck.store.results import canonical
from ridecheck.store.set_aside import log_stem, read_records

_INSTANTS = re.compile(rb'"(at|before)": "[^"]*"')
"""What of a register depends on the clock alone: the chain of its lines does, through them."""

Moves = Mapping[tuple[str, str], str | None]
"""(bike, stem) -> the bike a person moved the part to, None where it was dropped."""


@dataclass(frozen=True, slots=True)
class BikeFacts:
    """The facts about every bike of a fleet, as its files state them.

    models: which bikes each model has. aside: what is said of each bike's logs that are
    set aside. comfort_rules: whether those are applied.
    """

    fleet: Fleet
    moves: Moves
    models: Mapping[str, tuple[str, ...]]
    aside: Mapping[str, tuple[str, ...]]
    comfort_rules: bool

    @classmethod
    def of(cls, fleet: Fleet, *, comfort_rules: bool = True) -> "BikeFacts":
        """The facts that a fleet's files state, and the records of logs set aside."""
        return cls(fleet, _moves(fleet), _bikes_by_model(fleet), _aside(fleet), comfort_rules)

    def keys(self, bike: str) -> Keys:
        """What dangers of a bike are found with today."""
        one = self.fleet.bikes.get(bike)
        model = self.fleet.models.get(one.model) if one else None
        return Keys(
            version=__version__,
            layouts=layout_keys(self.fleet),
            model=one.model if one else "",
            model_key=hashlib.sha256(repr(model).encode()).hexdigest()[:12] if model else "",
        )

    def context(
        self, bike: str, unjudged: Sequence[str] = (), register: Register | None = None
    ) -> Context:
        """What the BIKE stage may know of a bike; unjudged: what of it could not be judged."""
        fleet, one = self.fleet, self.fleet.bikes.get(bike)
        wrong = [f"a file of this bike is wrong: {m}" for m in fleet.wrong(bike)]
        if one is None:
            wrong = [f"there is no file bikes/{bike}.toml any more"]
        wrong += [f"a log of this bike was set aside: {said}" for said in self.aside.get(bike, ())]
        wrong += [f"not judged: {reason}" for reason in unjudged]
        wrong += [
            f"a ride is assigned to {shown(e.to)}, which has no file in bikes/: {e.ride}"
            for e in (one.events if one else ())
            if e.kind == "assigned" and e.to not in fleet.bikes
        ]
        register = register or Register()
        wrong += [lost.what for lost in register.lost.values()]
        model = fleet.models.get(one.model) if one else None
        limits = fleet.verdict
        return Context(
            bike=bike,
            label=one.label if one else "",
            model=one.model if one else "",
            rides=limits.rides,
            days=limits.days,
            data_max_age_days=limits.data_max_age_days,
            must_assess=limits.must_assess,
            events=one.events if one else (),
            cruise_fitted=model.cruise.fitted if model else None,
            must_cancel=(model.cruise if model else Cruise()).must_cancel,
            panel=(model.cruise if model else Cruise()).panel,
            accept_unlogged=limits.accept_unlogged,
            wrong=tuple(wrong),
            bikes_by_model=self.models,
            time_zone=fleet.time_zone,
            register=register,
        )

    def stamp(self, bike: str) -> str:
        """Changes with everything, besides as_of, that a bike's report depends on."""
        fleet = self.fleet
        wrong = [str(m) for m in fleet.wrong(bike)]
        known = bike in fleet.bikes
        settings = settings_json(fleet.settings(bike)) if known and not wrong else None
        context = self.context(bike)
        content = {
            "code": code_version(),
            "files": _listing(fleet.root, bike),
            "register": _register_on_disk(fleet.root, bike),
            "settings": settings,
            "comfort_rules": self.comfort_rules,
            "wrong": wrong,
            "aside": self.aside.get(bike, ()),
            "moves": sorted([*k, v or ""] for k, v in self.moves.items()),
            "layouts": layouts_key(fleet),
            "events": [repr(e) for e in context.events],
            "hold": bike in fleet.bikes and fleet.bikes[bike].hold,
            "context": [
                context.label,
                context.model,
                context.rides,
                context.days,
                context.data_max_age_days,
                list(context.must_assess),
                list(context.accept_unlogged),
                context.time_zone,
                {m: list(b) for m, b in context.bikes_by_model.items()},
            ],
        }
        return hashlib.sha256(canonical(content)).hexdigest()

    def is_usable(self, bike: str) -> bool:
        """Whether a bike has a file, and none of its files is wrong."""
        return bike in self.fleet.bikes and not self.fleet.wrong(bike)


def _listing(root: Path, bike: str) -> list[list[object]]:
    """What is kept of a bike: names and sizes; a run that was killed shows here."""
    results = sorted((root / "results" / bike).glob("*.json"))
    parts = sorted((root / "rides" / bike).glob("*.parquet"))
    return [[p.name, p.stat().st_size] for p in (*results, *parts)]


def _register_on_disk(root: Path, bike: str) -> list[object]:
    """The register and its head, but for instants: one lost, changed or cut shows here."""
    path = register_path(root, bike)
    content = _INSTANTS.sub(b"", path.read_bytes() if path.is_file() else b"")
    head = read_heads(root).get(bike)
    told = [head.entries, list(head.open), head.hold] if head else []
    return [hashlib.sha256(content).hexdigest(), *told]


def _bikes_by_model(fleet: Fleet) -> dict[str, tuple[str, ...]]:
    models: dict[str, tuple[str, ...]] = {}
    for bike in sorted(fleet.bikes):
        model = fleet.bikes[bike].model
        models[model] = (*models.get(model, ()), bike)
    return models


def _aside(fleet: Fleet) -> dict[str, tuple[str, ...]]:
    """What is said of each bike's logs that are set aside, but for those a person dropped."""
    said: dict[str, tuple[str, ...]] = {}
    for record in read_records(fleet.root):
        for bike in record.bikes:
            if bike not in fleet.bikes or not _is_dropped(record, fleet.bikes[bike].events):
                said[bike] = (*said.get(bike, ()), f"{record.log} ({record.what})")
    return said


def _is_dropped(record: SetAside, events: Iterable[Event]) -> bool:
    return any(
        event.kind == "dropped"
        and log_stem(record.sha256) in event.parts
        and (record.sha256 or event.ride == record.log)
        for event in events
    )


def _moves(fleet: Fleet) -> Moves:
    moves: dict[tuple[str, str], str | None] = {}
    for bike in fleet.bikes.values():
        for event in bike.events:
            if event.kind in ("assigned", "dropped"):
                target = event.to if event.kind == "assigned" else None
                if target is None or target in fleet.bikes:
                    moves.update({(bike.id, stem): target for stem in event.parts})
    return moves
