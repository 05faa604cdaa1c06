"""Cancels traced on simulated rides, held against the truth of each.

    python tests/studies/trace_board.py            the reporting set; writes trace_board.md
    python tests/studies/trace_board.py --tuning   the tuning set, printed, misses listed

Seeds and populations are those of tests/studies/scoreboard.py. Intervals are Wilson's, 95 %.
"""

import argparse
import os
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

REPORT = ROOT / "tests" / "studies" / "trace_board.md"
RATES_HZ = (5.0, 10.0, 20.0, 50.0)
MATCH_S = 0.8


@dataclass(frozen=True, slots=True)
class Job:
    """One bike: which population and seed, its number, rate and planted fault."""

    population: str
    seed: int
    number: int
    rate_hz: float
    fault: str


@dataclass(slots=True)
class Tally:
    """Counts over cancels at one rate."""

    cancels: int = 0
    found: int = 0
    seen: int = 0
    seen_right: int = 0
    unseen: int = 0
    unseen_open: int = 0
    unseen_wrong: int = 0
    faulty: int = 0
    faulty_told: int = 0
    faulty_asked: int = 0
    riders: int = 0
    riders_blamed: int = 0
    first_named: int = 0
    first_right: int = 0
    first_open: int = 0
    switched: int = 0
    part_on_unlogged: int = 0
    misses: Counter[str] = field(default_factory=Counter)

    def add(self, other: "Tally") -> None:
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))


def traced(job: Job) -> tuple[float, Tally]:
    """Draw one bike, ride it twice, trace the rides, and count. Run in a worker."""
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    from kept_rides import simulated
    from scoreboard import _stable

    from ridecheck.simulate.mishaps import MISHAPS
    from ridecheck.simulate.parts import part_of
    from ridecheck.simulate.population import POPULATIONS, draw_bike
    from ridecheck.trace import trace_ride

    key = (job.seed, _stable(f"trace{job.fault}{job.rate_hz}"), job.number)
    bike = draw_bike(
        POPULATIONS[job.population],
        key,
        bike=f"B{job.number:05d}",
        fault=job.fault,
        rides=2,
        rate_hz=job.rate_hz,
        channels="full" if job.number % 2 else "usual",
    )
    tally = Tally()
    for n, planned in enumerate(bike.rides):
        incidents = tuple(i for i in planned.plan.incidents if i not in MISHAPS)
        plan = replace(planned.plan, incidents=incidents)  # odd logs are the readers' matter
        ride = simulated(replace(bike.spec, faults=planned.faults), plan, (*key, n))
        part = part_of(ride)
        found = trace_ride([part], settings_of(bike.spec))
        _count(tally, ride, found, job)
    return job.rate_hz, tally


def settings_of(spec):
    """What a fleet's model file would say of the bike."""
    from ridecheck.core.model import Cruise, Settings, SpeedSignal

    model = spec.model
    cruise = model.cruise
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
            minimum_kmh=cruise.minimum_kmh,
            maximum_kmh=cruise.maximum_kmh,
            far_from_set_kmh=cruise.far_from_set_kmh,
            throttle=cruise.throttle,
            panel=cruise.panel,
            must_cancel=cruise.must_cancel,
        ),
    )


NO_ONES = {
    "far_from_set_speed",
    "below_minimum",
    "above_maximum",
    "override_limit",
    "intervention",
}
"""Causes that are neither a rider's action nor a fault: asked for or not is left open."""


def _count(tally: Tally, ride, found, job: Job) -> None:
    left = list(found.cancels)
    within_s = MATCH_S + 2.0 / job.rate_hz
    for truth in ride.truth.cancels:
        near = [(abs(t.cancel.t_s - truth.time_s), i) for i, t in enumerate(left)]
        near = [n for n in near if n[0] <= within_s]
        tally.cancels += 1
        if not near:
            continue
        told = left.pop(min(near)[1])
        tally.found += 1
        _judge(tally, truth, told, set(found.channels), job)


def _judge(tally: Tally, truth, told, logged: set[str], job: Job) -> None:
    cancel = told.cancel
    lamp = cancel.cause == "brake_lamp" and truth.cause in ("front_brake", "rear_brake")
    right = cancel.cause == truth.cause or lamp
    about = f"{job.rate_hz:g} Hz {truth.cause} ({truth.fault or 'rider'})"
    if truth.visible:
        tally.seen += 1
        tally.seen_right += right
        if not right:
            tally.misses[f"seen: {about} told {cancel.cause}"] += 1
    else:
        tally.unseen += 1
        tally.unseen_open += cancel.cause == "unexplained"
        wrong = cancel.cause != "unexplained" and not right
        tally.unseen_wrong += wrong
        if wrong:
            tally.misses[f"unseen: {about} told {cancel.cause}"] += 1
    if truth.fault and not truth.commanded and truth.visible and truth.cause not in NO_ONES:
        tally.faulty += 1
        tally.faulty_told += cancel.commanded is False
        tally.faulty_asked += cancel.commanded is True
        if cancel.commanded is not False:
            tally.misses[f"not called a fault: {about} told {cancel.cause}"] += 1
    if truth.commanded:
        tally.riders += 1
        tally.riders_blamed += cancel.commanded is False
        if cancel.commanded is False:
            tally.misses[f"rider blamed: {about} told {cancel.cause}"] += 1
    _judge_first(tally, truth, cancel)
    inputs = {"front_brake", "rear_brake", "clutch", "roll_off", "side_stand"}
    if cancel.cause in inputs and not logged & {cancel.cause, f"{cancel.cause}_pressure"}:
        tally.part_on_unlogged += 1


CHANNELS = {"cancel_switch": "switch_cancel", "supply": "supply_voltage"}


def _judge_first(tally: Tally, truth, cancel) -> None:
    """Was the channel that did it named as first mover, or honestly left open?"""
    if not truth.visible or truth.cause in NO_ONES or truth.cause in ("speed_jump", "engine_flare"):
        return  # a quantity that drifts past a limit moves nothing first
    tally.switched += 1
    if cancel.first_mover is None:
        tally.first_open += 1
        return
    tally.first_named += 1
    right = {CHANNELS.get(truth.cause, truth.cause)}
    if truth.cause in ("front_brake", "rear_brake"):
        right |= {"brake_lamp", f"{truth.cause}_pressure"}
    if truth.cause == "power_switch":
        right = {"switch_power", "cruise_armed"}
    if truth.cause == "signal_lost":
        right = {"wheel_speed", "front_wheel_speed"}
    tally.first_right += cancel.first_mover in right


# ---------------------------------------------------------------- the board


def jobs(population: str, seed: int, bikes: int) -> list[Job]:
    """So many bikes a rate, every second one without a fault, the others with each in turn."""
    from ridecheck.simulate.faults import FAULTS

    names = [n for n, f in FAULTS.items() if f.about.part not in ("logger", "tyre_or_final_drive")]
    return [
        Job(population, seed, n, rate_hz, names[n // 2 % len(names)] if n % 2 else "")
        for rate_hz in RATES_HZ
        for n in range(bikes)
    ]


def run(todo: Sequence[Job], workers: int) -> dict[float, Tally]:
    """Counts by rate."""
    totals = {rate_hz: Tally() for rate_hz in RATES_HZ}
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for rate_hz, tally in pool.map(traced, todo, chunksize=4):
            totals[rate_hz].add(tally)
    return totals


def board(totals: dict[float, Tally]) -> Iterator[str]:
    """The table as Markdown lines."""
    from scoreboard import share

    yield "| what | " + " | ".join(f"{r:g} Hz" for r in totals) + " |"
    yield "|---" * (len(totals) + 1) + "|"
    rows = (
        ("cancels found", "found", "cancels"),
        ("a sample shows the cause: cause right", "seen_right", "seen"),
        ("no sample shows it: no logged cause", "unseen_open", "unseen"),
        ("no sample shows it: another cause", "unseen_wrong", "unseen"),
        ("visible fault: called uncommanded", "faulty_told", "faulty"),
        ("visible fault: called commanded", "faulty_asked", "faulty"),
        ("rider's own: called uncommanded", "riders_blamed", "riders"),
        ("first event named and right", "first_right", "first_named"),
        ("first event: undetermined", "first_open", "switched"),
        ("a part named on an input that was not logged", "part_on_unlogged", "found"),
    )
    for told, hits, of in rows:
        cells = [share(getattr(t, hits), getattr(t, of)) for t in totals.values()]
        yield f"| {told} | " + " | ".join(cells) + " |"


def main() -> None:
    """Print the board, and write it down unless it is the tuning one."""
    from scoreboard import reporting_seed

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--tuning", action="store_true")
    parser.add_argument("--wide", action="store_true", help="tuning: models drawn at random")
    parser.add_argument("--seed", type=int, default=5, help="of the tuning set")
    parser.add_argument("--bikes", type=int, default=120, help="bikes a rate")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    population = ("wide" if options.wide else "tuning") if options.tuning else "reporting"
    seed = options.seed if options.tuning else reporting_seed()
    totals = run(jobs(population, seed, options.bikes), options.workers)
    lines = list(board(totals))
    print("\n".join(lines))
    if options.tuning:
        misses = sum((t.misses for t in totals.values()), Counter())
        for told, number in misses.most_common(40):
            print(f"{number:5d}  {told}")
        return
    head = [
        "# Cancels traced, against the truth",
        "",
        f"Made by `python tests/studies/trace_board.py --bikes {options.bikes}`: "
        "so many bikes a rate, "
        "two rides each, "
        f"half of them with a planted fault; seed {seed}, a hash of the version.",
        'What is called neither commanded nor uncommanded reads "undetermined".',
        "A sample shows a switch's cause if a logged row falls while it was worked; it shows a "
        "limit (speed too low, too far off, a flare) if the quantity was logged in the second "
        "before. Limits and interventions are neither commanded nor a fault, and no first event.",
        "",
    ]
    REPORT.write_text("\n".join([*head, *lines]) + "\n", "utf-8")


if __name__ == "__main__":
    main()
