"""What is blind: every channel with every defect of the grammar, caught, named and released.

    python tests/studies/blind_spots.py --tuning   tuning seeds, printed; --misses lists misses
    python tests/studies/blind_spots.py            reporting seeds; writes blind_spots.md beside it

Defects are drawn from ridecheck/simulate/grammar.py, which knows no rule. Each is ridden twice
on a bike that is in order but for it, logged at 100 Hz, and judged as if logged at 5, 10, 20
and 50 Hz. Only defects that matter are counted: which ended cruise three times and more, or
which made the log, or the unit, wrong for half a minute and more in the two rides. Intervals
are Wilson's, 95 %; cells under 30 are grey: given in brackets, as counts.
"""

import argparse
import os
import pickle
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))  # this tree is measured, whatever is installed
REPORT = ROOT / "tests" / "studies" / "blind_spots.md"
RATES_HZ = (5.0, 10.0, 20.0, 50.0)
RECORDED_HZ = 100.0
GREY = 30
CANCELS = 3
WRONG_S = 30.0
RIDES = 2
BATCH = 6
"""Defects of the logger that share a ride: it is ridden once for all of them."""


@dataclass(frozen=True, slots=True)
class Row:
    """One defect on one bike at one rate. wrong_s: seconds of the log, or of what the unit saw."""

    channel: str
    kind: str
    side: str
    size: float
    length_s: float
    rate_hz: float
    verdict: str
    suspect: str
    right: bool
    cancels: int
    wrong_s: float
    raised: tuple[str, ...]

    @property
    def matters(self) -> bool:
        return self.cancels >= CANCELS or self.wrong_s >= WRONG_S

    @property
    def caught(self) -> bool:
        return self.verdict in ("inspect", "keep_in")


def rows_of(task: tuple[str, int, int, Sequence]) -> list[Row]:
    """Ride and judge some defects that may share a ride. Run in a worker process."""
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    from ridecheck.simulate.population import POPULATIONS, draw_bike
    from ridecheck.simulate.ride import simulate_variants

    population, seed, number, defects = task
    bike = draw_bike(
        POPULATIONS[population], (seed, number), bike="B000", rides=RIDES, rate_hz=RECORDED_HZ,
        channels="everything", incidents=(),
    )  # fmt: skip
    settings = _settings(bike.spec, population)
    per_defect: list[list] = [[] for _ in defects]
    clean: list = []
    for n, planned in enumerate(bike.rides):
        at = (seed, number, n)
        made = list(simulate_variants(bike.spec, planned.plan, at, defects))
        for rides, one in zip(per_defect, made, strict=True):
            rides.append(one)
        if defects[0].side == "logger":
            clean.append(next(simulate_variants(bike.spec, planned.plan, at, ())))
    rows = []
    for defect, rides in zip(defects, per_defect, strict=True):
        wrong_s = _wrong_s(defect, rides, clean)
        rows += [_row(defect, rides, settings, rate_hz, wrong_s) for rate_hz in RATES_HZ]
    return rows


def _settings(spec, population: str):
    from ridecheck.fleet import load_fleet
    from ridecheck.rules import engine
    from ridecheck.simulate.fleet import FleetPlan, PlannedBike, write_fleet
    from ridecheck.simulate.population import POPULATIONS

    with tempfile.TemporaryDirectory(prefix="blind-") as folder:
        bare = PlannedBike(spec, ())
        models = POPULATIONS[population].models
        write_fleet(FleetPlan(name="Blind", seed=0, bikes=(bare,), models=models), Path(folder))
        fleet = load_fleet(Path(folder), known_limits=engine.known_limits())
        return fleet.settings(spec.bike)


def _wrong_s(defect, rides, clean) -> float:
    """Seconds in which the log is not what it would be, or the unit saw what was not."""
    if defect.side != "logger":
        return sum(
            max(0.0, min(e.end_s, r.truth.duration_s) - e.start_s)
            for r in rides
            for e in r.truth.events
        )
    differs = 0
    for ride, whole in zip(rides, clean, strict=True):
        now, was = ride.samples[defect.channel], whole.samples[defect.channel]
        differs += int((now.ne_missing(was)).sum())
    return differs / RECORDED_HZ


def _row(defect, rides, settings, rate_hz: float, wrong_s: float) -> Row:
    from ridecheck.bike.diagnose import diagnose
    from ridecheck.bike.diagnose.causes import knowledge
    from ridecheck.bike.verdict import Context, assess
    from ridecheck.ride.judge import judge_ride
    from ridecheck.rules import all_rules
    from ridecheck.simulate.defective import NAME
    from ridecheck.simulate.library import at_rate
    from ridecheck.simulate.parts import part_of

    results = []
    for ride in rides:
        logger = at_rate(ride.bike.logger, rate_hz)
        thinned = ride.samples.gather_every(round(RECORDED_HZ / rate_hz))
        one = replace(ride, bike=replace(ride.bike, logger=logger), samples=thinned)
        results.append(judge_ride([part_of(one)], settings))
    ends = [r.end for r in results if r.end is not None]
    context = Context(bike="B000", model=settings.model, cruise_fitted=settings.cruise.fitted)
    report = assess(results, context, as_of=max(ends), rules=all_rules())
    suspects = diagnose(results, settings=settings, rules=all_rules()).suspects
    first = suspects[0].part if suspects else ""
    parts = knowledge().parts
    serves = parts[first].channels if first in parts else ()
    right = defect.channel in serves or (defect.side == "logger" and first == "logger")
    right |= defect.side == "unit" and first == "control_unit"
    cancels = sum(c.fault == NAME and not c.commanded for r in rides for c in r.truth.cancels)
    raised = tuple(sorted({f.rule for r in results for f in r.findings}))
    return Row(
        defect.channel, defect.kind, defect.side, defect.size, defect.length_s, rate_hz,
        str(report.verdict), first, right, cancels, wrong_s, raised,
    )  # fmt: skip


def tasks(population: str, seed: int, only: str) -> Iterator[tuple[str, int, int, list]]:
    """Defects in random order without end: those of the logger in batches, the others alone."""
    import numpy as np

    from ridecheck.simulate.grammar import drawn, kinds

    rng = np.random.default_rng((seed, 18))
    all_kinds = [k for k in kinds() if only in ("", *k)]
    number = 0
    while True:
        order = [all_kinds[i] for i in rng.permutation(len(all_kinds))]
        batch: list = []
        for channel, kind, side in order:
            defect = drawn(channel, kind, side, rng)
            if side == "logger":
                batch.append(defect)
            if side != "logger" or len(batch) == BATCH:
                number += 1
                yield population, seed, number, [defect] if side != "logger" else batch
                batch = batch if side != "logger" else []


def run(population: str, seed: int, only: str, *, minutes: float, workers: int) -> list[Row]:
    """Rows until the minutes are over."""
    until_s = time.monotonic() + 60.0 * minutes
    rows: list[Row] = []
    source = tasks(population, seed, only)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        waiting = [pool.submit(rows_of, next(source)) for _ in range(2 * workers)]
        while waiting:
            rows += waiting.pop(0).result()
            if time.monotonic() < until_s:
                waiting.append(pool.submit(rows_of, next(source)))
    return rows


# ---------------------------------------------------------------- the map


def board(rows: Sequence[Row]) -> str:
    """The map as Markdown: by kind, by channel, by side; then by size and length."""
    told = [r for r in rows if r.matters]
    parts = [
        ("By kind of defect", lambda r: r.kind),
        ("By channel", lambda r: r.channel),
        ("By side", lambda r: r.side),
        ("By length of one occurrence", lambda r: _decade(r.length_s, "s")),
        ("By factor of a scale", lambda r: _factor(r) if r.kind == "scale" else ""),
    ]
    return "\n".join(_table(title, told, key) for title, key in parts)


def totals(rows: Sequence[Row]) -> str:
    """The figures that the issue asks for."""
    told = [r for r in rows if r.matters]
    lines = []
    for least_hz in (10.0, 20.0):
        fast = [r for r in told if r.rate_hz >= least_hz]
        caught = [r for r in fast if r.caught]
        lines.append(f"- at {least_hz:g} Hz and faster, at least inspect: "
                     f"{share(len(caught), len(fast))}")  # fmt: skip
        lines.append(f"- of those, right channel or part first: "
                     f"{share(sum(r.right for r in caught), len(caught))}")  # fmt: skip
        lines.append(f"- released: {share(sum(r.verdict == 'release' for r in fast), len(fast))}")
    return "\n".join(lines)


def share(hits: int, of: int) -> str:
    """A share with its interval; in brackets, as counts, where it is grey."""
    from ridecheck.core.statistics import wilson

    if of < GREY:
        return f"({hits} of {of})" if of else "-"
    seen = wilson(hits, of)
    between = f"{100 * seen.low:.0f} to {100 * seen.high:.0f}"
    return f"{100 * hits / of:.0f} % ({between}; {hits} of {of})"


def _table(title: str, rows: Sequence[Row], key: Callable[[Row], str]) -> str:
    head = ["", *(f"{hz:g} Hz: caught / right / released" for hz in RATES_HZ)]
    lines = ["", f"## {title}", "", "| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    for name in sorted({key(r) for r in rows} - {""}):
        cells = []
        for hz in RATES_HZ:
            here = [r for r in rows if key(r) == name and r.rate_hz == hz]
            caught = [r for r in here if r.caught]
            right = share(sum(r.right for r in caught), len(caught))
            released = sum(r.verdict == "release" for r in here)
            cells.append(f"{share(len(caught), len(here))} / {right} / {released}")
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _decade(value: float, unit: str) -> str:
    for upto in (0.1, 1.0, 10.0, 100.0):
        if value < upto:
            return f"under {upto:g} {unit}"
    return "longer" if value < float("inf") else "all the time"


def _factor(row: Row) -> str:
    far = max(row.size, 1.0 / row.size) - 1.0
    for upto in (0.03, 0.1, 0.3):
        if far < upto:
            return f"off by less than {upto:g}"
    return "off by more"


def misses(rows: Sequence[Row]) -> str:
    """Each miss, for study on tuning seeds."""
    return "\n".join(
        f"{r.side} {r.channel} {r.kind} size {r.size:.3g} length {r.length_s:.3g} s at "
        f"{r.rate_hz:g} Hz: {r.verdict}; {r.cancels} cancels, wrong {r.wrong_s:.0f} s; {r.raised}"
        for r in rows
        if r.matters and not r.caught
    )


def main() -> None:
    """Run the study and write or print it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--tuning", action="store_true", help="tuning seeds, printed only")
    parser.add_argument("--seed", type=int, default=1, help="tuning seed, below 1000000")
    parser.add_argument("--minutes", type=float, default=240.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", default="", help="one channel, kind or side")
    parser.add_argument("--misses", action="store_true", help="list misses (tuning only)")
    parser.add_argument("--keep", type=Path, help="keep the rows in this file")
    options = parser.parse_args()
    if options.misses and not options.tuning:
        parser.error("--misses is for tuning seeds only")
    from scoreboard import reporting_seed

    population, seed = (
        ("tuning", options.seed) if options.tuning else ("reporting", reporting_seed() + 18)
    )
    rows = run(population, seed, options.only, minutes=options.minutes, workers=options.workers)
    if options.keep:
        options.keep.write_bytes(pickle.dumps(rows))
    text = _heading(population, seed, rows) + totals(rows) + "\n" + board(rows) + "\n"
    if options.misses:
        text += "\n" + misses(rows) + "\n"
    if options.tuning or options.only:
        print(text)
    else:
        REPORT.write_text(text, "utf-8")
        print(totals(rows))


def _heading(population: str, seed: int, rows: Sequence[Row]) -> str:
    from ridecheck import __version__
    from ridecheck.core.rooms import WEIGHING, code_of

    bikes = len(rows) // len(RATES_HZ)
    told = sum(r.matters for r in rows) // len(RATES_HZ)
    return "\n".join([
        "# Blind spots", "",
        f"Version {__version__}, {population} set, seed {seed}: {bikes} bikes, one defect each, of",
        f"which {told} matter: ended cruise {CANCELS} times and more, or made something wrong for",
        f"{WRONG_S:.0f} s and more in two rides. Each judged as logged at 5, 10, 20 and 50 Hz.",
        f"Intervals are Wilson's, 95 %; cells under {GREY} are in brackets, as counts. Totals add",
        "one bike at several rates, so that their intervals are too narrow. What no other logged",
        "signal contradicts (a button that no longer closes, say) is counted too.",
        f"Code as of {code_of(*WEIGHING)} (hash of what judges).", "", "## Totals", "", "",
    ])  # fmt: skip


if __name__ == "__main__":
    main()
