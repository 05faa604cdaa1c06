"""How well the suspects are calibrated, and how many minutes the order of checks saves.

    python tests/studies/calibration.py                    the tuning seeds, quickly
    python tests/studies/calibration.py --bikes 400        the same, more of them
    python tests/studies/calibration.py --reporting --workers 2 --out tests/studies/calibration.md

Bikes are simulated one fault each (and some with none), judged and diagnosed as a night
would. Two mixes: faults as often as a workshop meets them, and all alike. Printed: how
often the first suspect is right, and the control unit once its plug was measured; the
reliability of the stated probabilities (ten bins of equal count; Brier score; expected
calibration error); expected minutes to the fault in our order, in an experienced
technician's order (common practice, below), and at random. A mix of 120 bikes gives some
150 suspects; the error of bins is then mostly chance, and 420 bikes give some 450.

Tuning seeds are below a million; reporting seeds are a hash of the version, above it.
"""

import argparse
import hashlib
import os
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")

import numpy as np
from kept_rides import simulated

from ridecheck import __version__
from ridecheck.bike.checks import checks
from ridecheck.bike.context import Context
from ridecheck.bike.diagnose import case_of, diagnose, ordered_checks
from ridecheck.bike.diagnose.causes import knowledge
from ridecheck.bike.diagnose.order import expected_minutes
from ridecheck.bike.diagnose.suspects import PLUG_CHECKS, Case, suspects_of
from ridecheck.bike.verdict import assess
from ridecheck.core.model import Cruise, RideResult, Settings, SpeedSignal, Verdict
from ridecheck.fleet.events import Event
from ridecheck.ride.judge import judge_ride
from ridecheck.rules import all_rules
from ridecheck.simulate.faults import FAULTS
from ridecheck.simulate.library import LOGGERS, MODELS, PLANS, RIDERS, at_rate
from ridecheck.simulate.parts import part_of
from ridecheck.simulate.spec import BikeSpec, PlantedFault, RidePlan, Weather

TUNING_SEEDS = 1_000_000
HEALTHY_SHARE = 0.15
RIDES = 3
RATES_HZ = (20.0, 20.0, 50.0, 10.0)
BINS = 10

# Times a year in a busy workshop, by the letter a fault has there (common practice).
WEEKLY, MONTHLY, FEW_A_YEAR, RARE = 52.0, 12.0, 3.0, 0.5

# An experienced technician's first looks, by what the rider notices (common practice).
EXPERT = {
    "never sets": (
        "lamp-by-each-control",
        "clutch-switch-continuity",
        "brake-lamp-load",
        "supply-at-the-plug",
        "wheel-turned-by-hand",
    ),
    "sets only sometimes": (
        "button-feel",
        "clutch-switch-continuity",
        "gear-sensor-plug",
        "plug-wiggle",
    ),
    "lamp never lights": (
        "horn-and-indicators",
        "main-switch-ten-times",
        "supply-at-the-plug",
        "self-test-mode",
    ),
    "sets, drops at once": (
        "roll-off-click",
        "actuator-cable-play",
        "lamp-by-each-control",
        "vacuum-holds",
        "wheel-turned-by-hand",
    ),
    "drops over bumps": (
        "rear-pedal-point",
        "tap-test",
        "lever-free-play",
        "plug-wiggle",
        "speed-sensor-gap",
    ),
    "drops when turning bars": ("steering-sweep", "roll-off-click", "actuator-cable-play"),
    "drops in rain or after a wash": (
        "button-feel",
        "plug-wiggle",
        "tap-test",
        "speed-sensor-gap",
        "ignition-suppression",
    ),
    "drops when hot": (
        "lever-free-play",
        "supply-at-the-plug",
        "speed-signal-scope",
        "earth-drop",
    ),
    "drops uphill": ("clutch-slip-roll-on", "vacuum-holds", "confirmation-ride"),
    "drops with heated gear": (
        "battery-terminals",
        "supply-at-the-plug",
        "earth-drop",
        "horn-and-indicators",
    ),
    "drops, gear digit blinks": ("gear-sensor-plug", "plug-wiggle", "clutch-switch-continuity"),
    "drops, needle dips": (
        "speed-sensor-gap",
        "speed-signal-scope",
        "ignition-suppression",
        "plug-wiggle",
    ),
    "hunts": (
        "actuator-cable-play",
        "vacuum-holds",
        "speed-signal-scope",
        "throttle-snaps-shut",
    ),
    "holds wrong speed": ("tyre-and-sprockets", "speed-against-gps-ride"),
    "does not cancel": (
        "lamp-by-each-control",
        "rear-pedal-point",
        "lever-free-play",
        "self-test-mode",
    ),
}
BY_TRIGGER = {
    "bump": "drops over bumps",
    "steering": "drops when turning bars",
    "rain": "drops in rain or after a wash",
    "heat": "drops when hot",
    "load": "drops uphill",
    "vibration": "drops when hot",
    "first_minutes": "sets only sometimes",
    "always": "sets only sometimes",
}


@dataclass(frozen=True, slots=True)
class Planted:
    """What a simulated fault is to a workshop: how often, which cause, what is noticed."""

    weight: float
    cause: str
    symptom: str = ""


@dataclass(frozen=True, slots=True)
class Drawn:
    """One bike to simulate. fault "" is a bike in order."""

    number: int
    seed: int
    fault: str


@dataclass(frozen=True, slots=True)
class Ridden:
    """A simulated bike's judged rides, and whether any logged sample shows the fault."""

    drawn: Drawn
    settings: Settings
    results: tuple[RideResult, ...]
    rate_hz: float
    visible: bool


@dataclass(frozen=True, slots=True)
class Judged:
    """One bike as judged: what was planted, whether it was caught, and the suspects."""

    fault: str
    part: str
    rate_hz: float
    caught: bool
    visible: bool
    suspects: tuple[tuple[str, float], ...]
    first_after_plug: str = ""
    ours_min: float = float("nan")
    expert_min: float = float("nan")
    random_min: float = float("nan")


def drawn_bikes(mix: str, count: int, first_seed: int) -> Iterator[Drawn]:
    """Bikes of a mix: "workshop" (as often as a workshop meets the fault) or "uniform"."""
    rng = np.random.default_rng((first_seed, len(mix)))
    names = sorted(set(FAULTS) & set(PLANTED))
    weights = np.array([PLANTED[n].weight if mix == "workshop" else 1.0 for n in names])
    for number in range(count):
        healthy = rng.random() < HEALTHY_SHARE
        fault = "" if healthy else str(rng.choice(names, p=weights / weights.sum()))
        yield Drawn(number, first_seed + number, fault)


def judged(bike: Drawn) -> Judged:
    """Simulate, judge and diagnose one bike."""
    return scored(ridden(bike))


def ridden(bike: Drawn) -> Ridden:
    """Simulate and judge the rides of one bike."""
    rng = np.random.default_rng((bike.seed, 5))
    model = list(MODELS.values())[int(rng.integers(len(MODELS)))]
    rate_hz = float(rng.choice(RATES_HZ))
    logger = at_rate(LOGGERS[str(rng.choice(["bench-20hz", "volts-20hz", "card-50hz"]))], rate_hz)
    planted: tuple[PlantedFault, ...] = ()
    if bike.fault:
        planted = (PlantedFault(bike.fault, float(rng.uniform(0.4, 1.0))),)
        missing = tuple(c for c in FAULTS[bike.fault].about.needs if c not in logger.channels)
        logger = replace(logger, channels=(*logger.channels, *missing))
    spec = BikeSpec("C01", model, logger, faults=planted)
    settings = settings_of(spec)
    results, visible = [], False
    for n in range(RIDES):
        ride = simulated(spec, _plan(rng, n), (bike.seed, n))
        visible |= any(e.visible for e in ride.truth.events)
        results.append(judge_ride([part_of(ride)], settings, bike="C01"))
    return Ridden(bike, settings, tuple(results), rate_hz, visible)


def scored(bike: Ridden) -> Judged:
    """Diagnose a bike from its judged rides and hold it against what was planted."""
    fault = bike.drawn.fault
    case = case_of(bike.results, settings=bike.settings)
    found = Judged(
        fault,
        FAULTS[fault].about.part if fault else "",
        bike.rate_hz,
        _caught(bike.results),
        bike.visible,
        tuple((s.part, s.probability) for s in suspects_of(case)) if case else (),
    )
    if case is None or not fault or not found.caught:
        return found
    if found.part == "control_unit":
        found = replace(found, first_after_plug=_first_after_plug(bike))
    return replace(found, **_minutes(case, fault, np.random.default_rng(bike.drawn.seed)))


def _first_after_plug(bike: Ridden) -> str:
    """The first suspect once supply and earth at the control unit's plug were found good."""
    day = max(r.end for r in bike.results if r.end is not None).date() + timedelta(days=1)
    good = [
        Event(when=day, kind="checked", check=check, result="ok") for check in sorted(PLUG_CHECKS)
    ]
    diagnosis = diagnose(bike.results, settings=bike.settings, events=good)
    return diagnosis.suspects[0].part if diagnosis.suspects else "none"


def _plan(rng: np.random.Generator, day: int) -> RidePlan:
    rain = (2.0, 20.0) if rng.random() < 0.3 else None
    return RidePlan(
        start=datetime(2026, 5, 1, 8, tzinfo=UTC) + timedelta(days=day),
        legs=PLANS[str(rng.choice(["valley", "day-out", "pass", "transfer"]))],
        rider=list(RIDERS.values())[int(rng.integers(len(RIDERS)))],
        weather=Weather(rain_min=rain, air_c=float(rng.uniform(6.0, 30.0))),
    )


def settings_of(spec: BikeSpec) -> Settings:
    """What the fleet files of a simulated bike say, without writing them."""
    model, cruise = spec.model, spec.model.cruise
    return Settings(
        model=model.name,
        drivetrain=model.drivetrain,
        speed_signal=SpeedSignal(
            model.taken_from,
            model.reads_high_percent,
            model.resolution_kmh,
            reading_stated=True,
        ),
        cruise=Cruise(
            fitted=True,
            minimum_kmh=cruise.minimum_kmh,
            maximum_kmh=cruise.maximum_kmh,
            must_cancel=cruise.must_cancel,
            far_from_set_kmh=cruise.far_from_set_kmh,
            panel=cruise.panel,
            throttle=cruise.throttle,
        ),
        other_models={m.name: m.drivetrain for m in MODELS.values() if m.name != model.name},
    )


def _caught(results: Sequence[RideResult]) -> bool:
    """True where the bike would be kept in or inspected."""
    as_of = max(r.end for r in results if r.end is not None)
    report = assess(results, Context(bike="C01"), as_of=as_of, rules=all_rules())
    return report.verdict in (Verdict.KEEP_IN, Verdict.INSPECT)


# ---------------------------------------------------------------------- minutes


def _minutes(case: Case, fault: str, rng: np.random.Generator) -> dict[str, float]:
    """Expected minutes until the planted cause is found, in three orders of the same checks."""
    cause = knowledge().causes[PLANTED[fault].cause]
    names = [c for c in checks() if c != "cancel-proof-ride"]
    minutes = np.array([float(checks()[n].minutes) for n in names])
    shows = np.array([[cause.found_chance(n)] for n in names])
    by_minutes = sorted(names, key=lambda n: checks()[n].minutes)

    def expected(first: Sequence[str]) -> float:
        order = [*first, *(n for n in by_minutes if n not in first)]
        return expected_minutes([names.index(n) for n in order], np.ones(1), shows, minutes)

    symptom = PLANTED[fault].symptom or BY_TRIGGER[FAULTS[fault].about.trigger]
    at_random = [
        expected_minutes(rng.permutation(len(names)), np.ones(1), shows, minutes) for _ in range(50)
    ]
    return {
        "ours_min": expected([c.check for c in ordered_checks(case)]),
        "expert_min": expected(EXPERT[symptom]),
        "random_min": float(np.mean(at_random)),
    }


# ---------------------------------------------------------------------- calibration


@dataclass(frozen=True, slots=True)
class Bin:
    """Suspects with about the same stated probability, and how many were right."""

    count: int
    stated: float
    right: float


def reliability(stated: np.ndarray, right: np.ndarray, *, bins: int = BINS) -> tuple[Bin, ...]:
    """Bins of equal count, in rising order of the stated probability."""
    order = np.argsort(stated, kind="stable")
    groups = [g for g in np.array_split(order, bins) if len(g)]
    return tuple(Bin(len(g), float(stated[g].mean()), float(right[g].mean())) for g in groups)


def calibration_error(diagram: Sequence[Bin]) -> float:
    """Expected calibration error: mean distance of stated and right, by count."""
    total = sum(b.count for b in diagram)
    return sum(b.count * abs(b.stated - b.right) for b in diagram) / total


def brier(stated: np.ndarray, right: np.ndarray) -> float:
    """Mean squared distance of the stated probability from what was true."""
    return float(np.mean((stated - right) ** 2))


# ---------------------------------------------------------------------- report


def told(mix: str, bikes: Sequence[Judged]) -> Iterator[str]:
    """The figures of one mix, line by line."""
    faulty = [b for b in bikes if b.fault]
    healthy = [b for b in bikes if not b.fault]
    caught = [b for b in faulty if b.caught]
    fast = [b for b in caught if b.visible and b.rate_hz >= 20.0]
    yield f"## Mix: {mix}"
    yield ""
    yield f"{len(bikes)} bikes, {len(faulty)} faulty, {len(caught)} caught."
    named = sum(bool(b.suspects) for b in healthy)
    yield f"Healthy bikes with a suspect: {named} of {len(healthy)}."
    first = sum(b.part in [p for p, _ in b.suspects[:1]] for b in fast)
    three = sum(b.part in [p for p, _ in b.suspects[:3]] for b in fast)
    yield (
        f"Caught, visible, 20 Hz and faster: {len(fast)}; first suspect right "
        f"{_share(first, len(fast))}, in the first three {_share(three, len(fast))}."
    )
    units = [b for b in fast if b.part == "control_unit"]
    led = sum(b.first_after_plug == b.part for b in units)
    yield (
        "Of these the control unit at fault, never first before its plug is measured: first "
        f"{_share(led, len(units))} once supply and earth there are noted as good."
    )
    stated = np.array([p for b in bikes for _, p in b.suspects])
    right = np.array([float(s == b.part) for b in bikes for s, _ in b.suspects])
    if len(stated):
        diagram = reliability(stated, right)
        yield ""
        yield "| suspects | stated | right |"
        yield "|---|---|---|"
        for b in diagram:
            yield f"| {b.count} | {b.stated:.3f} | {b.right:.3f} |"
        yield ""
        yield (
            f"{len(stated)} suspects. Brier score {brier(stated, right):.4f}, "
            f"expected calibration error {calibration_error(diagram):.4f}."
        )
    timed = [b for b in caught if np.isfinite(b.ours_min)]
    if timed:
        ours, expert, at_random = (
            float(np.mean([getattr(b, f"{k}_min") for b in timed]))
            for k in ("ours", "expert", "random")
        )
        yield (
            f"Expected minutes to the fault over {len(timed)} bikes: ours {ours:.1f}, technician's "
            f"order {expert:.1f} ({100 * (1 - ours / expert):.0f} % less), at random "
            f"{at_random:.1f} ({100 * (1 - ours / at_random):.0f} % less)."
        )
    yield ""
    yield "| fault | bikes | caught | first right | usual first suspect |"
    yield "|---|---|---|---|---|"
    for name in sorted({b.fault for b in faulty}):
        yield _fault_line(name, [b for b in faulty if b.fault == name])
    yield ""


def _fault_line(name: str, bikes: Sequence[Judged]) -> str:
    caught = [b for b in bikes if b.caught]
    first = [b.suspects[0][0] if b.suspects else "none" for b in caught]
    right = sum(f == b.part for f, b in zip(first, caught, strict=True))
    usual = max(sorted(set(first)), key=first.count) if first else "-"
    return f"| {name} | {len(bikes)} | {len(caught)} | {right} | {usual} |"


def _share(part: int, whole: int) -> str:
    return f"{part} of {whole} ({100 * part / whole:.0f} %)" if whole else "none"


def main(arguments: Sequence[str]) -> int:
    """Simulate, judge, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--bikes", type=int, help="bikes a mix (120; 420 with --reporting)")
    parser.add_argument("--seed", type=int, default=1000, help="first tuning seed")
    parser.add_argument("--reporting", action="store_true")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args(arguments)
    count = asked.bikes or (420 if asked.reporting else 120)
    first_seed = asked.seed
    if asked.reporting:
        digest = hashlib.sha256(f"calibration {__version__}".encode()).digest()
        first_seed = TUNING_SEEDS + int.from_bytes(digest[:5], "big")
    lines = ["# Suspects: calibration and order of checks", ""]
    how = f"--reporting --bikes {count}" if asked.reporting else f"--bikes {count}"
    which = f"reporting seeds of version {__version__}" if asked.reporting else "tuning seeds"
    lines += [f"Made by `python tests/studies/calibration.py {how}`, {which}.", ""]
    for number, mix in enumerate(("workshop", "uniform")):
        drawn = list(drawn_bikes(mix, count, first_seed + 100_000 * number))
        if asked.workers > 1:
            with ProcessPoolExecutor(asked.workers, mp_context=get_context("spawn")) as pool:
                bikes = list(pool.map(judged, drawn, chunksize=4))
        else:
            bikes = [judged(d) for d in drawn]
        lines += told(mix, bikes)
    text = "\n".join(lines)
    sys.stdout.write(text + "\n")
    if asked.out:
        asked.out.write_text(text + "\n", "utf-8")
    return 0


PLANTED: dict[str, Planted] = {
    "actuator-cable-slack": Planted(MONTHLY, "cable-slack", "sets, drops at once"),
    "brake-line-dead": Planted(RARE, "brake-wire-broken", "does not cancel"),
    "brake-wire-chafed": Planted(MONTHLY, "front-wire-chafed"),
    "charging-weak": Planted(FEW_A_YEAR / 2, "charging", "drops with heated gear"),
    "closing-cable-tight": Planted(MONTHLY, "closing-cable"),
    "clutch-slips": Planted(MONTHLY, "clutch-slip", "drops uphill"),
    "clutch-switch-bypassed": Planted(MONTHLY, "clutch-switch-cut", "never sets"),
    "clutch-switch-chatters": Planted(WEEKLY, "clutch-switch-chatter", "drops over bumps"),
    "clutch-switch-dead": Planted(FEW_A_YEAR, "clutch-switch-dead", "does not cancel"),
    "clutch-switch-stuck-in": Planted(FEW_A_YEAR, "clutch-switch-stuck-in", "never sets"),
    "cruise-contact-opens": Planted(MONTHLY, "front-second-contact", "drops over bumps"),
    "cruise-holds-under-brakes": Planted(RARE, "stays-engaged", "does not cancel"),
    "cruise-hunts": Planted(MONTHLY, "hunting", "hunts"),
    "earth-bad": Planted(FEW_A_YEAR, "bad-earth", "drops with heated gear"),
    "engages-by-itself": Planted(RARE, "engages-by-itself", "does not cancel"),
    "engine-speed-lost": Planted(FEW_A_YEAR, "engine-speed-wire", "drops, needle dips"),
    "engine-speed-spikes": Planted(FEW_A_YEAR, "ignition-interference", "drops, needle dips"),
    "final-drive-changed": Planted(MONTHLY / 2, "tyre-changed", "holds wrong speed"),
    "front-brake-does-not-cancel": Planted(RARE, "front-does-not-cancel", "does not cancel"),
    "front-brake-switch-dead": Planted(FEW_A_YEAR / 2, "front-switch-dead", "does not cancel"),
    "front-contact-resistive": Planted(MONTHLY, "front-contact-resistance", "never sets"),
    "front-lever-hangs": Planted(MONTHLY, "front-lever-slow", "never sets"),
    "front-sensor-drops-out": Planted(FEW_A_YEAR, "front-sensor", "drops, needle dips"),
    "front-switch-chatters": Planted(WEEKLY, "front-switch-worn", "drops over bumps"),
    "fuse-blown": Planted(WEEKLY, "fuse", "lamp never lights"),
    "gear-sensor-flickers": Planted(MONTHLY, "gear-flicker", "drops, gear digit blinks"),
    "holds-wrong-speed": Planted(FEW_A_YEAR, "unit-holds-wrong", "holds wrong speed"),
    "lamp-box-pulses": Planted(MONTHLY, "lamp-conversion", "never sets"),
    "logged-speed-freezes": Planted(WEEKLY, "logger-data", "drops, needle dips"),
    "logger-tap-loose": Planted(FEW_A_YEAR, "logger-tap", "drops over bumps"),
    "main-switch-worn": Planted(WEEKLY, "main-switch-worn", "lamp never lights"),
    "memory-lost": Planted(FEW_A_YEAR, "memory-feed", "sets only sometimes"),
    "neutral-switch-chatters": Planted(FEW_A_YEAR, "neutral-chatter", "drops, gear digit blinks"),
    "overcharges": Planted(FEW_A_YEAR / 2, "charging", "drops with heated gear"),
    "pod-harness-broken": Planted(FEW_A_YEAR, "panel-harness"),
    "pod-wet": Planted(MONTHLY, "panel-water"),
    "rear-brake-drags": Planted(FEW_A_YEAR, "rear-pressure-stays", "drops when hot"),
    "rear-brake-switch-dead": Planted(FEW_A_YEAR / 2, "rear-switch-dead", "does not cancel"),
    "rear-pressure-switch-hot": Planted(FEW_A_YEAR, "rear-pressure-switch"),
    "rear-switch-set-too-early": Planted(WEEKLY, "rear-switch-early"),
    "rear-switch-stuck-on": Planted(MONTHLY, "rear-switch-stuck-on", "never sets"),
    "resume-acts-as-cancel": Planted(FEW_A_YEAR, "button-ladder-drift"),
    "roll-off-does-not-cancel": Planted(RARE, "roll-off-dead", "does not cancel"),
    "roll-off-misadjusted": Planted(WEEKLY, "roll-off-out-of-adjustment"),
    "set-button-worn": Planted(WEEKLY, "set-resume-bounce"),
    "speed-reads-double": Planted(RARE, "speed-scale", "holds wrong speed"),
    "speed-sensor-drops-out": Planted(WEEKLY, "speed-drop-out", "drops, needle dips"),
    "speed-signal-freezes": Planted(FEW_A_YEAR, "speed-freezes", "drops, needle dips"),
    "speed-signal-spikes": Planted(FEW_A_YEAR, "speed-spikes", "drops, needle dips"),
    "supply-dips": Planted(MONTHLY, "supply-dip", "drops with heated gear"),
    "throttle-sticks-open": Planted(FEW_A_YEAR, "throttle-sticks", "hunts"),
    "tone-ring-damaged": Planted(FEW_A_YEAR, "speed-ring", "drops, needle dips"),
    "unit-faulty": Planted(RARE, "unit-itself", "drops when hot"),
    "unit-plug-dirty": Planted(WEEKLY / 2, "unit-plug"),
    "unit-plug-loose": Planted(WEEKLY / 2, "unit-plug"),
    "unit-without-supply": Planted(MONTHLY, "unit-without-supply", "never sets"),
    "vacuum-leaks": Planted(MONTHLY, "vacuum-leak", "sets, drops at once"),
    "wrong-tyre": Planted(MONTHLY / 2, "tyre-changed", "holds wrong speed"),
}


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
