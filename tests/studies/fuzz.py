"""Ten thousand damaged logs through the readers.

    python tests/studies/fuzz.py [LOGS [FIRST_SEED]]

No traceback, no hang over 10 s, memory under 1 GB; what leaves nine tenths of the rows as
they were is read in at least 95 % of cases with its distance within 2 %; and no damage turns
a bike to be kept in into one to be let out. Exits 1 where one of these does not hold.
"""

import resource
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from logs import fleet
from mutations import mutant

from ridecheck.core.errors import LogError
from ridecheck.core.model import Part, Settings, Severity, State
from ridecheck.core.unforeseen import UNFORESEEN
from ridecheck.fleet import Layout, read_layout
from ridecheck.intake.read import take_in
from ridecheck.intake.readers import open_log
from ridecheck.rules.engine import judge
from ridecheck.setup.propose import propose
from ridecheck.signals.ride import Ride
from ridecheck.simulate.dialects import DIALECTS, layout_toml, write_log
from ridecheck.simulate.library import LOGGERS, MODELS, RIDERS
from ridecheck.simulate.ride import simulate_ride
from ridecheck.simulate.spec import BikeSpec, Leg, PlantedFault, RidePlan

HANG_S = 10
MEMORY_MB = 1024
DANGER = "cruise/engaged-under-braking"


@dataclass(frozen=True, slots=True)
class Sound:
    """A sound log: its bytes, its layout, how far it goes, and how its bike is judged."""

    name: str
    data: bytes
    layout: Layout
    distance_km: float
    settings: Settings
    danger: bool


@dataclass(slots=True)
class Tally:
    """What came of the damaged logs."""

    logs: int = 0
    refused: int = 0
    light: int = 0
    light_read: int = 0
    released: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    lost: Counter[str] = field(default_factory=Counter)

    def light_share(self) -> float:
        """Share of the lightly damaged logs that were read rightly."""
        return self.light_read / self.light if self.light else 1.0


@cache
def sound_logs() -> tuple[Sound, ...]:
    """Rides of a few minutes in four dialects; two of the bikes hold cruise under braking."""
    made = []
    for number, logger in enumerate(("bench-20hz", "workshop-10hz", "volts-20hz", "card-50hz")):
        danger = logger in {"bench-20hz", "volts-20hz"}
        faults = (PlantedFault("front-brake-does-not-cancel", 1.0),) if danger else ()
        model = MODELS["touring-triple-five"]
        bike = BikeSpec("T07", model, LOGGERS[logger], faults=faults)
        plan = RidePlan(
            datetime(2026, 5, 3, 9, tzinfo=UTC), (Leg("loop", 6.0),), RIDERS["two-fingers"]
        )
        made.append(_sound(bike, plan, 900 + number, danger=danger))
    return tuple(made)


def _sound(bike: BikeSpec, plan: RidePlan, seed: int, *, danger: bool) -> Sound:
    ride = simulate_ride(bike, plan, seed)
    dialect = DIALECTS[bike.logger.dialect]
    settings = Settings(model=bike.model.name, drivetrain=bike.model.drivetrain)
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / f"T07_20260503.{dialect.suffix}"
        write_log(ride.samples, dialect, log)
        (Path(folder) / "layout.toml").write_text(layout_toml(bike.logger), "utf-8")
        how = read_layout(Path(folder) / "layout.toml")
        data = log.read_bytes()
    sound = Sound(log.name, data, how, 0.0, settings, danger)
    parts = read(sound, data)
    found = dangers(parts, sound)
    if danger and found is not State.FAULT:
        raise SystemExit(f"the sound log {sound.name} does not show its fault: {found}")
    return Sound(log.name, data, how, distance_km(parts), settings, danger)


def read(sound: Sound, data: bytes) -> tuple[Part, ...]:
    """Through a file and the readers, as in an inbox. Raises LogError alone."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / sound.name
        path.write_bytes(data)
        parts: list[Part] = []
        for member in open_log(path):
            parts += take_in(member, fleet({"made": sound.layout.named("made")}, T07="made"))
        return tuple(parts)


def distance_km(parts: Sequence[Part]) -> float:
    """The way made in all parts, gaps of more than 3 s aside."""
    total = 0.0
    for part in parts:
        t_s = part.samples["time"].dt.epoch("us").to_numpy() / 1e6
        v = part.samples["wheel_speed"].to_numpy()
        known = ~np.isnan(v)
        step_s = np.diff(t_s[known])
        total += float((step_s * v[known][:-1] / 3600)[step_s < 3.0].sum())
    return total


def dangers(parts: Sequence[Part], sound: Sound) -> State:
    """What is said of cruise held under braking: a fault in any part, else the worst."""
    states = []
    for part in parts:
        if part.info.rows < 50:
            continue
        judgement = judge(Ride("x", "T07", [part], sound.settings))
        if any(f.severity is Severity.DANGER for f in judgement.findings):
            return State.FAULT
        states += [o.state for o in judgement.rules if o.rule == DANGER]
    return State.OK if states and all(s is State.OK for s in states) else State.NOT_ASSESSED


@contextmanager
def no_longer_than(seconds: int) -> Iterator[None]:
    """Raises TimeoutError after this long."""

    def late(*_: object) -> None:
        raise TimeoutError(f"over {seconds} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def try_one(seed: int, tally: Tally, *, judged: bool = False, proposed: bool = False) -> None:
    """Damage a log by a seed, read it, and keep count."""
    sound = sound_logs()[seed % len(sound_logs())]
    damaged = mutant(sound.data, seed, text=not sound.name.endswith("parquet"))
    label = f"seed {seed}, {sound.layout.name or sound.name}, {damaged.name}"
    tally.logs += 1
    tally.light += damaged.light
    began = time.monotonic()
    try:
        with no_longer_than(HANG_S):
            try:
                parts = read(sound, damaged.data)
            except LogError:
                tally.refused += 1
                tally.lost[damaged.name] += damaged.light
                return
            if proposed:
                _propose(damaged.data, sound.name)
    except UNFORESEEN:
        tally.broken.append(f"{label}\n{traceback.format_exc(limit=-3)}")
        return
    finally:
        tally.slowest_s = max(tally.slowest_s, time.monotonic() - began)
    if damaged.light:
        off = abs(distance_km(parts) / sound.distance_km - 1)
        whole = off <= (0.09 if damaged.name == "cut_end" else 0.02)  # cut_end takes way away
        tally.light_read += whole
        tally.lost[damaged.name] += not whole
    if judged and sound.danger and dangers(parts, sound) is State.OK:
        tally.released.append(label)


def _propose(data: bytes, name: str) -> None:
    """A draft layout of the damaged log: made, or refused with a LogError."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        try:
            propose(path)
        except LogError:
            return


def main(logs: int, first_seed: int) -> int:
    """Try them all and print what came of them."""
    tally = Tally()
    sound_logs()
    for seed in range(first_seed, first_seed + logs):
        try_one(seed, tally, judged=seed % 10 < 2, proposed=seed % 25 == 0)
        if sys.stderr.isatty() and seed % 100 == 0:
            print(f"\r{seed - first_seed} of {logs}", end="", file=sys.stderr)
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(f"{tally.logs} damaged logs: {tally.refused} refused with a reason")
    print(f"  neither: {len(tally.broken)} tracebacks or hangs; slowest {tally.slowest_s:.1f} s")
    print(f"  memory at most {memory_mb} MB")
    print(f"  nine tenths intact and read rightly: {tally.light_share():.1%} of {tally.light}")
    print(f"  lost among those: {dict(tally.lost.most_common(6))}")
    print(f"  a danger read as cleared: {len(tally.released)}")
    for line in (*tally.broken[:5], *tally.released[:5]):
        print(line)
    holds = (
        not tally.broken
        and not tally.released
        and memory_mb < MEMORY_MB
        and tally.light_share() >= 0.95
    )
    return 0 if holds else 1


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:3]]
    sys.exit(main(*(given or [10_000]), *([0] if len(given) < 2 else [])))
