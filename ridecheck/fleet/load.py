"""Read a fleet folder: every file, every mistake, then one frozen record of it all."""

import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from ridecheck.core.errors import FleetError, UsageError
from ridecheck.core.files import shown
from ridecheck.core.model import Cruise, Drivetrain, Override, SetBy, Settings, SpeedSignal
from ridecheck.core.names import nearest_name
from ridecheck.core.strict_toml import BIKE_ID, BIKE_ID_RULE, Table, one_of
from ridecheck.fleet.events import Event
from ridecheck.fleet.files import (
    BikeFile,
    FleetFile,
    ModelFile,
    ReadingTable,
    Thresholds,
    VerdictTable,
)
from ridecheck.fleet.layout import Layout, columns_used_twice
from ridecheck.fleet.limits import KnownLimits, threshold_mistakes
from ridecheck.fleet.mistakes import Mistake
from ridecheck.fleet.source import Source, read_source, validated

TableT = TypeVar("TableT", bound=Table)


@dataclass(frozen=True, slots=True)
class Model:
    """What bikes of one model share, ready for use."""

    name: str
    drivetrain: Drivetrain
    speed_signal: SpeedSignal
    cruise: Cruise
    thresholds: Thresholds


@dataclass(frozen=True, slots=True)
class Bike:
    """One bike of the fleet. Of a file with mistakes, what could be read all the same.

    hold is True where the file could not be read: nothing is forgotten on a doubt.
    """

    id: str
    label: str = ""
    model: str = ""
    layout: str | None = None
    hold: bool = False
    thresholds: Thresholds = field(default_factory=dict)
    events: tuple[Event, ...] = ()


@dataclass(frozen=True)
class Fleet:
    """A fleet folder as read. models and layouts hold only those without mistakes.

    display_units: "metric" or "imperial", for what people read. samples_days: how long every
    sample is kept. reading: how much CPU time a log may take. mistakes: of all model, bike
    and layout files, in order of file and line.
    """

    root: Path
    name: str
    time_zone: str
    display_units: str
    verdict: VerdictTable
    samples_days: float
    reading: ReadingTable
    thresholds: Thresholds
    bikes: Mapping[str, Bike]
    models: Mapping[str, Model]
    layouts: Mapping[str, Layout]
    mistakes: tuple[Mistake, ...]
    known_limits: KnownLimits
    wrong_bikes: Mapping[str, tuple[Mistake, ...]]

    def wrong(self, bike: str) -> tuple[Mistake, ...]:
        """The mistakes that concern a bike: in its own file, its model's, its layout's."""
        return self.wrong_bikes.get(bike, ())

    def layout_of(self, bike: str) -> Layout | None:
        """The layout a bike's file names, None where it names none or a wrong one."""
        return self.layouts.get(self._bike(bike).layout or "")

    def settings(self, bike: str) -> Settings:
        """Everything judging may know of a bike; FleetError where one of its files is wrong."""
        one = self._bike(bike)
        if wrong := self.wrong(bike):
            raise FleetError(
                f"the files of bike {bike} are wrong",
                where=wrong[0].where,
                value=wrong[0].value,
                what_to_do=f"{wrong[0].what}; {wrong[0].what_to_do}".rstrip("; "),
            )
        model = self.models[one.model]
        others = {n: m for n, m in self.models.items() if n != model.name}
        return Settings(
            model=model.name,
            drivetrain=model.drivetrain,
            speed_signal=model.speed_signal,
            cruise=model.cruise,
            thresholds=self._thresholds(model, one),
            other_models={n: m.drivetrain for n, m in others.items()},
            other_reads_high={n: m.speed_signal.reads_high_percent for n, m in others.items()},
        )

    def _bike(self, bike: str) -> Bike:
        if bike in self.bikes:
            return self.bikes[bike]
        near = nearest_name(bike, self.bikes)
        raise UsageError(
            f"unknown bike {bike}",
            where=str(self.root / "bikes"),
            what_to_do=f"write bikes/{bike}.toml" + (f", or did you mean {near}?" if near else ""),
        )

    def _thresholds(self, model: Model, bike: Bike) -> Mapping[str, Mapping[str, Override]]:
        """The nearest value of each threshold that somebody set, and who."""
        return _nearest_thresholds(
            (("fleet", self.thresholds), ("model", model.thresholds), ("bike", bike.thresholds)),
            self.known_limits,
            model.cruise,
        )


def time_zone_of(root: Path) -> str:
    """The fleet's time zone; UTC where fleet.toml is not there or states none that is known."""
    try:
        zone = tomllib.loads((root / "fleet.toml").read_text("utf-8")).get("time_zone", "UTC")
        ZoneInfo(zone)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return "UTC"  # what is wrong with the file is said where the fleet is read
    return str(zone)


def load_fleet(root: Path, *, known_limits: KnownLimits) -> Fleet:
    """Read a fleet folder.

    FleetError where the folder or fleet.toml is missing or fleet.toml is wrong; its text
    then holds every mistake of every file. Wrong model, bike and layout files raise
    nothing: they are ``fleet.mistakes``, and concern their bikes only.
    """
    try:
        return _Loading(root, known_limits).fleet()
    except OSError as error:
        raise FleetError(
            "the fleet folder cannot be read",
            where=str(error.filename or root),
            value=error.strerror or str(error),
            what_to_do="give reading rights on the folder and the folders in it",
        ) from None


def read_layout(path: Path) -> Layout:
    """One layout file on its own, for a log without a fleet; FleetError with its mistakes."""
    source, layout, mistakes = _read(path, path.name, Layout)
    mistakes = [*mistakes, *_layout_mistakes(source, layout)]
    if layout is None or mistakes:
        raise _error(f"the layout {path.name} is wrong", path, mistakes)
    return layout.named(path.stem)


def read_settings(path: Path, *, known_limits: KnownLimits) -> Settings:
    """Settings from one model file on its own; FleetError with its mistakes."""
    source, file, mistakes = _read(path, path.name, ModelFile)
    mistakes = [*mistakes, *_model_mistakes(source, file, known_limits)]
    if file is None or mistakes:
        raise _error(f"the model {path.name} is wrong", path, mistakes)
    model = _model(path.stem, file)
    return Settings(
        model=model.name,
        drivetrain=model.drivetrain,
        speed_signal=model.speed_signal,
        cruise=model.cruise,
        thresholds=_nearest_thresholds((("model", file.thresholds),), known_limits, model.cruise),
    )


class _Loading:
    """One reading of a fleet folder, gathering mistakes by file name as it goes."""

    def __init__(self, root: Path, known_limits: KnownLimits) -> None:
        self.root = root
        self.known_limits = known_limits
        self.mistakes: dict[str, list[Mistake]] = {}
        self.models: dict[str, Model] = {}
        self.layouts: dict[str, Layout] = {}
        self.bikes: dict[str, Bike] = {}

    def fleet(self) -> Fleet:
        """Read everything, then judge fleet.toml."""
        path = self.root / "fleet.toml"
        if not self.root.is_dir() or not path.is_file():
            missing = "fleet.toml" if self.root.is_dir() else "fleet folder"
            raise FleetError(
                f"there is no {missing}",
                where=str(path if self.root.is_dir() else self.root),
                what_to_do="name a folder that holds fleet.toml, or make one: ridecheck init DIR",
            )
        file = self.read_fleet_file(path)
        model_names = self.read_models()
        layout_names = self.read_layouts()
        self.read_bikes(model_names, layout_names)
        mistakes = tuple(m for name in sorted(self.mistakes) for m in self.mistakes[name])
        if file is None or self.mistakes.get("fleet.toml"):
            own_first = sorted(mistakes, key=lambda m: m.file != "fleet.toml")
            raise _error("fleet.toml is wrong", path, own_first)
        return Fleet(
            root=self.root,
            name=file.name,
            time_zone=file.time_zone,
            display_units=file.display_units,
            verdict=file.verdict,
            samples_days=file.retention.samples_days,
            reading=file.reading,
            thresholds=file.thresholds,
            bikes=self.bikes,
            models=self.models,
            layouts=self.layouts,
            mistakes=mistakes,
            known_limits=self.known_limits,
            wrong_bikes=self.wrong_bikes(),
        )

    def read_fleet_file(self, path: Path) -> FleetFile | None:
        """fleet.toml, None where it has mistakes of form."""
        source, file, mistakes = _read(path, "fleet.toml", FleetFile)
        self.note("fleet.toml", mistakes)
        if source is None or file is None:
            return None
        found = threshold_mistakes(source, file.thresholds, self.known_limits, cruise=None)
        self.note("fleet.toml", found)
        for i, rule in enumerate(file.verdict.must_assess):
            if rule not in self.known_limits:
                near = nearest_name(rule, self.known_limits)
                where = ("verdict", "must_assess", i)
                said = source.mistake(
                    where, "no such rule", allowed="ridecheck explain lists them", nearest=near
                )
                self.note("fleet.toml", [said])
        return file

    def read_models(self) -> list[str]:
        """All models; the names of right and wrong ones."""
        names = []
        for path, name in self.toml_files("models"):
            source, file, mistakes = _read(path, name, ModelFile)
            mistakes = [*mistakes, *_model_mistakes(source, file, self.known_limits)]
            self.note(name, mistakes)
            names.append(path.stem)
            if file is not None and not mistakes:
                self.models[path.stem] = _model(path.stem, file)
        return names

    def read_layouts(self) -> list[str]:
        """All layouts; the names of right and wrong ones."""
        names = []
        for path, name in self.toml_files("layouts"):
            source, layout, mistakes = _read(path, name, Layout)
            mistakes = [*mistakes, *_layout_mistakes(source, layout)]
            self.note(name, mistakes)
            names.append(path.stem)
            if layout is not None and not mistakes:
                self.layouts[path.stem] = layout.named(path.stem)
        return names

    def read_bikes(self, model_names: Sequence[str], layout_names: Sequence[str]) -> None:
        """All bikes, a wrong one with what could be read of it."""
        named = list(self.toml_files("bikes"))
        for path, name in named:
            if not BIKE_ID.fullmatch(path.stem):
                what = "the file's name is no bike id"
                self.note(name, [Mistake(name, 1, "", "", what, BIKE_ID_RULE)])
                continue
            self.note(name, _twins(path.stem, name, (n for _, n in named)))
            source, file, mistakes = _read(path, name, BikeFile)
            self.note(name, mistakes)
            if source is not None:
                file = file or _what_can_be_read(source, path.stem, mistakes)
                self.note(name, _names_wrong(source, file, path.stem, model_names, layout_names))
                model = self.models.get(file.model)
                cruise = model.cruise if model else None
                known = self.known_limits
                self.note(name, threshold_mistakes(source, file.thresholds, known, cruise=cruise))
            self.bikes[path.stem] = _bike(path.stem, file)

    def wrong_bikes(self) -> dict[str, tuple[Mistake, ...]]:
        """The mistakes that concern each bike that has any."""
        concerned = {}
        for bike in self.bikes.values():
            files = [f"bikes/{bike.id}.toml", f"models/{bike.model}.toml"]
            if bike.layout is not None:
                files.append(f"layouts/{bike.layout}.toml")
            if found := [m for f in files for m in self.mistakes.get(f, ())]:
                concerned[bike.id] = tuple(found)
        return concerned

    def toml_files(self, folder: str) -> Iterator[tuple[Path, str]]:
        """Paths and printable names of a folder's TOML files, by name."""
        if (self.root / folder).is_dir():
            for path in sorted((self.root / folder).iterdir()):
                if path.suffix == ".toml" and not path.name.startswith("."):
                    yield path, f"{folder}/{shown(path.name)}"

    def note(self, name: str, mistakes: Iterable[Mistake]) -> None:
        """Keep the mistakes of one file, by line."""
        if found := list(mistakes):
            kept = self.mistakes.setdefault(name, [])
            kept.extend(found)
            kept.sort(key=lambda m: (m.line, m.key))


def _read(
    path: Path, name: str, kind: type[TableT]
) -> tuple[Source | None, TableT | None, Sequence[Mistake]]:
    """The parsed text, the table where it is right, and the mistakes of form."""
    source = read_source(path, name)
    if isinstance(source, Mistake):
        return None, None, (source,)
    table, mistakes = validated(source, kind)
    return source, table, mistakes


def _model(name: str, file: ModelFile) -> Model:
    return Model(
        name=name,
        drivetrain=file.drivetrain.drivetrain(),
        speed_signal=file.speed_signal.speed_signal(),
        cruise=file.cruise.cruise(),
        thresholds=file.thresholds,
    )


def _model_mistakes(
    source: Source | None, file: ModelFile | None, known_limits: KnownLimits
) -> Iterator[Mistake]:
    if source is not None and file is not None:
        cruise = file.cruise.cruise()
        yield from threshold_mistakes(source, file.thresholds, known_limits, cruise=cruise)


def _layout_mistakes(source: Source | None, layout: Layout | None) -> Iterator[Mistake]:
    if source is None or layout is None:
        return
    for channel, owner in columns_used_twice(layout).items():
        yield source.mistake(
            ("columns", channel, "column"),
            f"already read as {owner}",
            allowed="each column stands for one channel",
        )


def _twins(stem: str, name: str, names: Iterable[str]) -> Iterator[Mistake]:
    """Other bike files whose names differ from this one's in case only."""
    for other in names:
        if other != name and other.casefold() == name.casefold():
            what = f"the same bike id as {other}, but for case"
            yield Mistake(name, 1, "bike", f'"{stem}"', what, "bike ids differ in more than case")


def _names_wrong(
    source: Source,
    file: BikeFile,
    stem: str,
    model_names: Sequence[str],
    layout_names: Sequence[str],
) -> Iterator[Mistake]:
    """A bike's id must be its file's name; its model and layout must have files."""
    if file.bike != stem:
        yield source.mistake(("bike",), "not the file's name", allowed=f'"{stem}"')
    if file.model and file.model not in model_names:
        near = nearest_name(file.model, model_names)
        yield source.mistake(("model",), "no such model", allowed=one_of(model_names), nearest=near)
    if file.layout is not None and file.layout not in layout_names:
        near = nearest_name(file.layout, layout_names)
        allowed = one_of(layout_names)
        yield source.mistake(("layout",), "no such layout", allowed=allowed, nearest=near)


def _what_can_be_read(source: Source, stem: str, mistakes: Sequence[Mistake]) -> BikeFile:
    """A bike file with mistakes, without the keys that hold them.

    Its label, model and events still say which bike it is and what was signed off.
    """
    kept: dict[str, Any] = {"bike": stem, "model": "", "hold": True}
    for key, value in source.data.items():
        one = BikeFile.model_fields.get(key)
        if one is None or any(_top_key(m) == key for m in mistakes):
            continue
        kept[key] = value
    events = source.data.get("events", [])
    if "events" not in kept and isinstance(events, list):
        wrong = {m.key.split(".")[0] for m in mistakes}
        kept["events"] = [e for i, e in enumerate(events) if f"events[{i}]" not in wrong]
    table, still_wrong = validated(Source(source.file, source.text, kept), BikeFile)
    assert table is not None, still_wrong
    return table


def _top_key(mistake: Mistake) -> str:
    return mistake.key.split(".")[0].split("[")[0]


def _bike(stem: str, file: BikeFile | None) -> Bike:
    if file is None:
        return Bike(stem, hold=True)
    return Bike(
        id=stem,
        label=file.label,
        model=file.model,
        layout=file.layout,
        hold=file.hold,
        thresholds=file.thresholds,
        events=file.events,
    )


def _nearest_thresholds(
    files: Sequence[tuple[SetBy, Thresholds]], known_limits: KnownLimits, cruise: Cruise
) -> Mapping[str, Mapping[str, Override]]:
    """Later files win. A fleet-wide value that would loosen a danger rule of a model whose
    own figure is tighter is passed over for bikes of that model.
    """
    nearest: dict[str, dict[str, Override]] = {}
    for origin, thresholds in files:
        for rule, values in thresholds.items():
            for name, value in values.items():
                limit = known_limits[rule][name]
                if limit.accepts(value, limit.default_for(cruise)):
                    nearest.setdefault(rule, {})[name] = Override(value, origin)
    return nearest


def _error(what: str, path: Path, mistakes: Sequence[Mistake]) -> FleetError:
    count = f"{len(mistakes)} mistake" + ("s" if len(mistakes) > 1 else "")
    said = "\n".join(f"  {m}" for m in mistakes)
    return FleetError(
        f"{what} ({count})\n{said}",
        where=str(path),
        what_to_do="put these right and run again",
    )
