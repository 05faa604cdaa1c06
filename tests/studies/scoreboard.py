"""Detection and false alarms, measured on simulated rides with known faults.

    python tests/studies/scoreboard.py            the reporting set; writes scoreboard.md beside it
    python tests/studies/scoreboard.py --tuning   the tuning set, printed; --misses lists misses
    python tests/studies/scoreboard.py --tuning --wide   the same with models drawn at random

Reporting seeds are a hash of the released version, so no version is tuned on the rides it
is reported on; models, layouts, habits and ranges of the reporting set are in no tuning set.
Intervals are Wilson's, 95 %; cells under 20 are given as counts alone.
"""

import argparse
import hashlib
import os
import pickle
import shutil
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from multiprocessing import get_context
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))  # this tree is measured, whatever is installed
REPORT = ROOT / "tests" / "studies" / "scoreboard.md"
CHUNK = 8
MATCH_S = 0.8
"""A reported cancel within this, and two refresh intervals, of a true one is that one."""


@dataclass(frozen=True, slots=True)
class Job:
    """One bike to draw, ride and judge. group: "fault", "healthy", "long" or "season"."""

    population: str
    seed: int
    number: int
    group: str
    fault: str = ""
    rides: int = 3
    kind: str = ""
    rate_hz: float = 0.0
    channels: str = ""


@dataclass(slots=True)
class Row:
    """What came of one bike."""

    job: Job
    rate_hz: float = 0.0
    channels: int = 0
    full: bool = False
    verdicts: list[str] = field(default_factory=list)
    because: str = ""
    suspect: str = ""
    part: str = ""
    danger: bool = False
    events: int = 0
    visible: int = 0
    expected_visible: float = 0.0
    cancels: int = 0
    found: int = 0
    cause_right: int = 0
    unasked: int = 0
    unasked_told: int = 0
    raised: Counter[str] = field(default_factory=Counter)
    false_inspect: int = 0
    false_keep_in: int = 0
    repeats: int = 0
    days: int = 0
    error: str = ""

    @property
    def verdict(self) -> str:
        return self.verdicts[-1] if self.verdicts else "error"

    @property
    def ever_flagged(self) -> bool:
        return any(v in ("inspect", "keep_in") for v in self.verdicts)

    @property
    def caught(self) -> bool:
        return self.verdict in ("inspect", "keep_in")


# ---------------------------------------------------------------- one bike through the pipeline


def judge_bikes(jobs: Sequence[Job]) -> list[Row]:
    """Draw, ride and judge some bikes with the real pipeline. Run in a worker process."""
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    from ridecheck.fleet import load_fleet
    from ridecheck.rules import engine
    from ridecheck.simulate.fleet import FleetPlan, write_fleet
    from ridecheck.simulate.population import POPULATIONS

    folder = Path(tempfile.mkdtemp(prefix="scoreboard-"))
    try:
        bikes = [_drawn(job, f"B{place:03d}") for place, job in enumerate(jobs)]
        bare = tuple(replace(b, rides=()) for b in bikes)
        models = POPULATIONS[jobs[0].population].models
        write_fleet(FleetPlan(name="Scoreboard", seed=0, bikes=bare, models=models), folder)
        _other_models(folder, jobs[0].population)
        fleet = load_fleet(folder, known_limits=engine.known_limits())
        return [_row(job, bike, fleet, folder) for job, bike in zip(jobs, bikes, strict=True)]
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _drawn(job: Job, bike: str = "B000"):
    from ridecheck.simulate.population import POPULATIONS, draw_bike

    options = {}
    if job.kind == "full":
        options = {"channels": "full", "rate_hz": 20.0}
    elif job.kind in ("few", "everything"):
        options = {"channels": job.kind}
    elif job.kind == "slow":
        options = {"rate_hz": 1.0}
    elif job.kind == "plain":
        options = {"incidents": ()}
    elif job.kind == "wrong-model":
        options = {"wrong_model": True}
    elif job.kind:
        options = {"incidents": (job.kind,)}
    if job.rate_hz:
        options["rate_hz"] = job.rate_hz
    if job.channels:
        options["channels"] = job.channels
    if job.group == "fault" and job.number % 2:
        options["incidents"] = ()
    return draw_bike(
        POPULATIONS[job.population],
        (job.seed, _stable(job.group + job.fault + job.kind), job.number),
        bike=bike,
        fault=job.fault,
        rides=job.rides,
        **options,
    )


def _stable(text: str) -> int:
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big")


def _other_models(folder: Path, population: str) -> None:
    """Every model of the population is in the fleet, so that a wrong one can be told."""
    from ridecheck.simulate.fleet import model_toml
    from ridecheck.simulate.population import POPULATIONS

    for model in POPULATIONS[population].models:
        (folder / "models" / f"{model.name}.toml").write_text(model_toml(model), "utf-8")


def _row(job: Job, bike, fleet, folder: Path) -> Row:
    """One bike; a fault of the program costs that bike alone, and is told."""
    try:
        return _ridden(job, bike, fleet, folder)
    except Exception as error:  # the board counts it
        return Row(job, rate_hz=bike.spec.logger.rate_hz, error=f"{type(error).__name__}: {error}")


def _ridden(job: Job, bike, fleet, folder: Path) -> Row:
    from ridecheck.rules import all_rules
    from ridecheck.simulate.faults import FAULTS

    spec = bike.spec
    row = Row(job, rate_hz=spec.logger.rate_hz, channels=len(spec.logger.channels))
    row.full = {"front_brake", "throttle_grip", "gps_speed"} <= set(spec.logger.channels)
    if job.fault:
        row.part, row.danger = FAULTS[job.fault].about.part, FAULTS[job.fault].about.danger
    results, events = [], []
    rules = all_rules()
    settings = fleet.settings(spec.bike)
    for n, planned in enumerate(bike.rides):
        seed = (job.seed, _stable(job.group + job.fault + job.kind), job.number, n)
        ride, judged = _judged(spec, planned, seed, fleet, settings, folder, whole=n == 0)
        results += judged
        _count_truth(row, ride, judged)
        if n + 1 < len(bike.rides) and job.group == "fault":
            continue
        report = _assessed(spec.bike, results, events, settings, rules, job.group == "fault")
        row.verdicts.append(str(report.verdict))
        row.because = " / ".join(report.because[:2])
        row.suspect = report.suspects[0].part if report.suspects else ""
        if job.group == "season":
            events += _workshop(row, report, rules)
    for result in results:
        row.raised.update({f.rule for f in result.findings if str(f.severity) != "note"})
    return row


def _judged(spec, planned, seed, fleet, settings, folder: Path, *, whole: bool):
    """One ride and its results: through a written log where the log itself is odd, else in memory.

    The first ride of every fourth bike goes through a file too.
    """
    from kept_rides import simulated

    from ridecheck.ride.judge import judge_ride
    from ridecheck.simulate.mishaps import MISHAPS
    from ridecheck.simulate.parts import part_of

    ride = simulated(replace(spec, faults=planned.faults), planned.plan, seed)
    odd = any(name in MISHAPS for name in planned.plan.incidents)
    if odd or (whole and seed[2] % 4 == 0):
        parts = _through_a_file(ride, fleet, folder)
    else:
        parts = [part_of(ride)]
    rides: list[list] = []
    for part in parts:
        near = rides and (part.info.start - rides[-1][-1].info.end) < timedelta(minutes=10)
        if near:
            rides[-1].append(part)
        else:
            rides.append([part])
    return ride, [judge_ride(together, settings) for together in rides]


def _through_a_file(ride, fleet, folder: Path) -> list:
    from ridecheck.core.errors import LogError
    from ridecheck.intake.read import take_in
    from ridecheck.intake.readers import open_log
    from ridecheck.simulate.dialects import DIALECTS, write_log

    dialect = DIALECTS[ride.bike.logger.dialect]
    path = folder / f"{ride.bike.bike}_{ride.plan.start:%Y%m%d_%H%M%S}.{dialect.suffix}"
    write_log(ride.samples, dialect, path)
    try:
        return [part for member in open_log(path) for part in take_in(member, fleet)]
    except LogError:
        return []
    finally:
        path.unlink()


def _assessed(bike: str, results, events, settings, rules, with_suspects: bool):
    from ridecheck.bike.context import Context
    from ridecheck.bike.diagnose import diagnose
    from ridecheck.bike.verdict import assess

    ends = [r.end for r in results if r.end is not None]
    context = Context(
        bike=bike, model=settings.model, cruise_fitted=settings.cruise.fitted, events=tuple(events)
    )
    report = assess(results, context, as_of=max(ends, default=None), rules=rules)
    if not with_suspects:
        return report
    found = diagnose(results, settings=settings, rules=rules)
    return replace(report, suspects=found.suspects)


def _workshop(row: Row, report, rules) -> list:
    """Count what is raised today, and close it tomorrow, as the season's workshop does."""
    from ridecheck.fleet.events import new_event

    row.days += 1
    if str(report.verdict) not in ("inspect", "keep_in"):
        return []
    danger = str(report.verdict) == "keep_in"
    open_rules = {
        f.finding.rule
        for f in report.findings
        if f.open and str(f.finding.severity) == ("danger" if danger else "fault")
    }
    row.false_keep_in += danger
    row.false_inspect += not danger
    row.repeats += sum(rule in row.raised and row.raised[rule] >= 1000 for rule in open_rules)
    for rule in open_rules:
        row.raised[rule] += 1000
    when: datetime = report.last_data + timedelta(hours=1)
    # A rule named closes what is dated; an undated finding is closed by its id alone.
    undated = {
        (f.finding.id, f.finding.rule)
        for f in report.findings
        if f.open and f.finding.start is None and f.finding.rule in open_rules
    }
    named = [(rule, rule) for rule in open_rules] + list(undated)
    return [
        new_event("signed_off", when, finding=name, checks=rules[rule].checks or ("looked at",))
        for name, rule in sorted(named)
    ]


def _count_truth(row: Row, ride, results) -> None:
    """Hold reported cancels and planted events against the truth of one ride."""
    truth = ride.truth
    row.events += len(truth.events)
    row.visible += sum(e.visible for e in truth.events)
    interval_s = 1.0 / row.rate_hz
    refresh_s = ride.bike.logger.refresh_s
    row.expected_visible += sum(
        min(1.0, (e.end_s - e.start_s) / max(interval_s, refresh_s.get(e.channel, 0.0)))
        for e in truth.events
        if e.channel
    )
    dated = [r for r in results if r.start is not None]
    if not dated or any("clock" in i or "seconds" in i for i in ride.plan.incidents):
        return
    told = [
        ((c.time - ride.plan.start).total_seconds(), c)
        for r in dated
        for c in r.cancels
        if c.time is not None
    ]
    names = set(ride.bike.logger.channels)
    if "cruise_engaged" not in names:
        return
    left = list(told)
    for one in truth.cancels:
        within_s = MATCH_S + 2.0 * interval_s
        near = [
            (abs(t - one.time_s), i)
            for i, (t, _) in enumerate(left)
            if abs(t - one.time_s) <= within_s
        ]
        row.cancels += 1
        unasked = bool(one.fault) and not one.commanded
        row.unasked += unasked
        if not near:
            continue
        _, at = min(near)
        _, cancel = left.pop(at)
        row.found += 1
        row.cause_right += _right(cancel.cause, one, names)
        row.unasked_told += unasked and cancel.commanded is False


def _right(told: str, one, names: set[str]) -> bool:
    """Is the reported cause the true one, as far as any log could tell?"""
    if told == one.cause:
        return True
    if one.cause in ("front_brake", "rear_brake"):
        lamp = told == "brake_lamp"
        return lamp or (told in ("front_brake", "rear_brake", "unexplained") and not one.visible)
    return told == "unexplained" and not one.visible


# ---------------------------------------------------------------- the whole board


def jobs_for(
    population: str, seed: int, sizes: Mapping[str, int], only: Sequence[str]
) -> list[Job]:
    """All bikes of a board, in an order that does not depend on the sizes."""
    from ridecheck.simulate import FAULT_NAMES
    from ridecheck.simulate.incidents import INCIDENTS

    jobs = []
    for fault in only or FAULT_NAMES:
        jobs += [Job(population, seed, n, "fault", fault) for n in range(sizes["fault"])]
    if only:
        return jobs
    usual = ("full", "plain", "", "everything", "few", "slow", "wrong-model")
    kinds = (*usual, *sorted(INCIDENTS), "full", "everything", "")
    jobs += [
        Job(population, seed, n, "healthy", kind=kinds[n % len(kinds)])
        for n in range(sizes["healthy"])
    ]
    jobs += [Job(population, seed, n, "long", rides=20) for n in range(sizes["long"])]
    jobs += [
        Job(population, seed, n, "season", rides=sizes["days"]) for n in range(sizes["season"])
    ]
    return jobs


def run(
    jobs: Sequence[Job],
    *,
    workers: int,
    quiet: bool,
    minutes: float = float("inf"),
    keep: Path | None = None,
) -> list[Row]:
    """Judge all bikes in worker processes, every group a little at a time.

    minutes: no new bikes after that long; what is done by then covers all groups evenly.
    keep: rows are kept here as they come, and those already there are not made again.
    """
    kept = _kept(keep)
    waiting = list(_chunks([j for j in jobs if j not in kept]))
    done = {j: kept[j] for j in jobs if j in kept}
    until_s = time.monotonic() + 60.0 * minutes
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        running: set[Future[list[Row]]] = set()
        while waiting or running:
            while waiting and len(running) < 2 * workers and time.monotonic() < until_s:
                running.add(pool.submit(judge_bikes, waiting.pop(0)))
            if not running:
                break
            ready, running = wait(running, return_when=FIRST_COMPLETED)
            rows = [row for future in ready for row in future.result()]
            done |= {row.job: row for row in rows}
            _keep(keep, rows)
            if not quiet:
                print(f"{len(done)} of {len(jobs)} bikes", file=sys.stderr, flush=True)
    return [done[j] for j in jobs if j in done]


def _code() -> str:
    """Hash over the program: rows of another state of it are not taken again."""
    files = sorted((ROOT / "ridecheck").rglob("*.py")) + sorted((ROOT / "schemas").rglob("*.toml"))
    digest = hashlib.sha256()
    for file in [*files, Path(__file__)]:
        digest.update(file.read_bytes())
    return digest.hexdigest()


def _kept(keep: Path | None) -> dict[Job, Row]:
    if keep is None or not keep.exists():
        return {}
    with keep.open("rb") as stream:
        code, rows = pickle.load(stream)
    return {row.job: row for row in rows} if code == _code() else {}


def _keep(keep: Path | None, rows: Sequence[Row]) -> None:
    if keep is None:
        return
    every = {**_kept(keep), **{row.job: row for row in rows}}
    fresh = keep.with_suffix(".new")
    fresh.write_bytes(pickle.dumps((_code(), list(every.values()))))
    fresh.replace(keep)


def _chunks(jobs: Sequence[Job]) -> Iterator[Sequence[Job]]:
    """Bikes in handfuls, the groups side by side in proportion to their sizes."""
    groups: dict[str, list[Job]] = defaultdict(list)
    for job in sorted(jobs, key=lambda j: j.number):
        groups[job.group].append(job)
    placed = []
    for some in groups.values():
        size = CHUNK if some[0].rides <= 3 else 1
        handfuls = [some[i : i + size] for i in range(0, len(some), size)]
        placed += [((i + 0.5) / len(handfuls), h) for i, h in enumerate(handfuls)]
    yield from (handful for _, handful in sorted(placed, key=lambda p: p[0]))


def share(hits: int, of: int) -> str:
    """A share with its 95 % interval after Wilson; counts alone under 20."""
    from ridecheck.core.statistics import wilson

    if of < 20:
        return f"{hits} of {of}" if of else "-"
    limits = wilson(hits, of)
    low, high = 100 * limits.low, 100 * limits.high
    return f"{100 * hits / of:.1f} % ({low:.1f} to {high:.1f}; {hits} of {of})"


def _table(head: Sequence[str], body: Iterable[Sequence[str]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(cells) + " |" for cells in body]
    return "\n".join(lines)


def board(rows: Sequence[Row]) -> str:
    """The tables as text."""
    groups: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        groups[row.job.group].append(row)
    parts = []
    if groups["fault"]:
        parts += ["## By fault", "", _by_fault(groups["fault"]), ""]
        parts += ["## By logging rate", "", _by_rate(groups["fault"]), ""]
        parts += ["## What can be seen at which rate", "", _by_sight(groups["fault"]), ""]
    if groups["healthy"] or groups["long"]:
        parts += ["## Healthy bikes and look-alikes", "", _healthy(groups), ""]
    if groups["season"]:
        parts += ["## A season", "", _season(groups["season"]), ""]
    parts += ["## Totals", "", totals(rows), ""]
    return "\n".join(parts)


def _by_fault(rows: Sequence[Row]) -> str:
    by: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by[row.job.fault].append(row)
    head = ("fault", "bikes", "caught", "no opinion", "danger: kept in",
            "20 Hz or faster, 3 or more visible events: caught", "first suspect right")  # fmt: skip
    body = []
    for fault, some in sorted(by.items()):
        rich = [r for r in some if r.rate_hz >= 20 and r.visible >= 3]
        named = [r for r in some if r.caught and r.suspect]
        body.append((
            fault + (" (danger)" if some[0].danger else ""),
            str(len(some)),
            share(sum(r.caught for r in some), len(some)),
            str(sum(r.verdict == "no_opinion" for r in some)),
            share(sum(r.verdict == "keep_in" for r in some), len(some)) if some[0].danger else "",
            share(sum(r.caught for r in rich), len(rich)),
            share(sum(r.suspect == r.part for r in named), len(named)),
        ))  # fmt: skip
    return _table(head, body)


BANDS = (("1 to 5 Hz", 0.0, 5.0), ("10 Hz", 5.1, 10.0), ("20 Hz and faster", 10.1, 1000.0))


def _by_rate(rows: Sequence[Row]) -> str:
    head = ("rate", "faulty bikes", "caught", "no opinion",
            "danger, 2 or more visible events: kept in",
            "cancels found", "cause right", "not asked for: called so")  # fmt: skip
    body = []
    for name, low, high in BANDS:
        some = [r for r in rows if low < r.rate_hz <= high]
        danger = [r for r in some if r.danger and r.visible >= 2]
        body.append((
            name,
            str(len(some)),
            share(sum(r.caught for r in some), len(some)),
            share(sum(r.verdict == "no_opinion" for r in some), len(some)),
            share(sum(r.verdict == "keep_in" for r in danger), len(danger)),
            share(sum(r.found for r in some), sum(r.cancels for r in some)),
            share(sum(r.cause_right for r in some), sum(r.found for r in some)),
            share(sum(r.unasked_told for r in some), sum(r.unasked for r in some)),
        ))  # fmt: skip
    return _table(head, body)


def _by_sight(rows: Sequence[Row]) -> str:
    """Share of events of which a sample exists, against min(1, w/T), where it is not one."""
    head = ("fault", *(f"{n}: seen / by min(1, w/T)" for n, _, _ in BANDS))
    by: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by[row.job.fault].append(row)
    body = []
    for fault, some in sorted(by.items()):
        cells = []
        hidden = False
        for _, low, high in BANDS:
            band = [r for r in some if low < r.rate_hz <= high]
            events = sum(r.events for r in band)
            if not events:
                cells.append("-")
                continue
            seen = sum(r.visible for r in band) / events
            expected = sum(r.expected_visible for r in band) / events
            hidden |= seen < 0.95
            cells.append(f"{seen:.2f} / {expected:.2f} of {events}")
        if hidden:
            body.append((fault, *cells))
    return _table(head, body)


def _healthy(groups: Mapping[str, Sequence[Row]]) -> str:
    by: dict[str, list[Row]] = defaultdict(list)
    for row in groups["healthy"]:
        by[row.job.kind or "drawn at random"].append(row)
    head = ("bikes", "number", "ever flagged", "kept in", "no opinion", "released")
    order = sorted(by.items())
    if groups["long"]:
        order.append(("20 rides, judged after every ride", list(groups["long"])))
    everyone = [*groups["healthy"], *groups["long"]]
    body = [
        (
            name,
            str(len(some)),
            share(sum(r.ever_flagged for r in some), len(some)),
            str(sum("keep_in" in r.verdicts for r in some)),
            str(sum(r.verdict == "no_opinion" for r in some)),
            share(sum(r.verdict == "release" for r in some), len(some)),
        )
        for name, some in [*order, ("all", everyone)]
    ]
    return _table(head, body)


def _season(rows: Sequence[Row]) -> str:
    days = sum(r.days for r in rows)
    inspections = sum(r.false_inspect for r in rows)
    groundings = sum(r.false_keep_in for r in rows)
    head = (
        "bikes",
        "riding days",
        "false inspections",
        "false groundings",
        "repeats of a closed finding",
    )
    body = [(str(len(rows)), str(days), share(inspections, days), share(groundings, days),
             str(sum(r.repeats for r in rows)))]  # fmt: skip
    return _table(head, body)


def totals(rows: Sequence[Row]) -> str:
    """The few lines that README quotes."""
    faulty = [r for r in rows if r.job.group == "fault"]
    fair = [r for r in faulty if not r.danger and r.rate_hz >= 20 and r.visible >= 3]
    danger = [r for r in faulty if r.danger and r.visible >= 2 and r.rate_hz >= _least_hz(r)]
    full = [r for r in rows if r.job.group == "healthy" and r.full and r.rate_hz >= 10]
    well = [r for r in rows if r.job.group in ("healthy", "long")]
    lines = [
        _line(
            "dangerous faults at or above their lowest useful rate, two or more visible events, "
            "kept in",
            [r.verdict == "keep_in" for r in danger],
        ),
        _line(
            "other faults at 20 Hz and faster with three or more visible events, caught",
            [r.caught for r in fair],
        ),
        _line(
            "healthy bikes with full channels at 10 Hz and faster, three rides, released",
            [r.verdict == "release" for r in full],
        ),
        _line(
            "the same without those filed under another model, which no log can clear",
            [r.verdict == "release" for r in full if r.job.kind != "wrong-model"],
        ),
        _line("healthy bikes and look-alikes ever flagged", [r.ever_flagged for r in well]),
    ]
    season = [r for r in rows if r.job.group == "season"]
    if season:
        days = sum(r.days for r in season)
        inspected, kept = (
            sum(getattr(r, n) for r in season) for n in ("false_inspect", "false_keep_in")
        )
        lines += [
            f"- false inspections a bike and riding day: {share(inspected, days)}",
            f"- false groundings a bike and riding day: {share(kept, days)}",
        ]
    return "\n".join(lines)


def _line(what: str, hits: Sequence[bool]) -> str:
    return f"- {what}: {share(sum(hits), len(hits))}"


def _least_hz(row: Row) -> float:
    from ridecheck.simulate.faults import FAULTS

    return FAULTS[row.job.fault].about.lowest_rate_hz


def misses(rows: Sequence[Row]) -> str:
    """Every miss and every false flag, for study on the tuning set."""
    lines = []
    for row in rows:
        job = row.job
        if row.error:
            lines.append(f"broken: {job}: {row.error}")
            continue
        where = f"{job.fault or job.kind or job.group} #{job.number} {row.rate_hz:g} Hz"
        raised = dict(row.raised)
        if job.group == "fault" and not row.caught:
            sight = f"visible {row.visible} of {row.events}"
            lines.append(f"missed: {where}: {row.verdict}; {sight}; {raised}; {row.because[:140]}")
        flagged = row.ever_flagged or row.false_inspect or row.false_keep_in
        if job.group != "fault" and flagged:
            lines.append(f"false: {where}: {row.verdicts[-3:]}; {raised}; {row.because[:200]}")
    return "\n".join(lines)


def reporting_seed() -> int:
    """The seed of the reporting set: a hash of the released version, above all tuning seeds."""
    from ridecheck import __version__

    digest = hashlib.sha256(f"ridecheck {__version__}".encode()).digest()
    return 1_000_000 + int.from_bytes(digest[:6], "big")


def main() -> None:
    """Run a board and write or print it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--tuning", action="store_true", help="the tuning set, printed only")
    parser.add_argument("--wide", action="store_true", help="tuning: models drawn at random")
    parser.add_argument("--seed", type=int, default=1, help="tuning seed, below 1000000")
    parser.add_argument("--bikes-per-fault", type=int, default=40)
    parser.add_argument("--healthy", type=int, default=700)
    parser.add_argument("--long", type=int, default=100, help="bikes with 20 rides")
    parser.add_argument("--season", type=int, default=40, help="bikes of the season")
    parser.add_argument("--days", type=int, default=180, help="riding days of the season")
    parser.add_argument("--fault", action="append", default=[], help="this fault alone; repeatable")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=90.0, help="start no bike after that")
    parser.add_argument("--keep", type=Path, help="keep rows in this file, to go on from")
    parser.add_argument("--misses", action="store_true", help="list misses (tuning only)")
    parser.add_argument("--quiet", action="store_true")
    options = parser.parse_args()
    if (options.misses or options.wide) and not options.tuning:
        parser.error("--misses and --wide are for tuning seeds only")
    if not 0 <= options.seed < 1_000_000:
        parser.error("tuning seeds are below 1000000")
    sizes = {
        "fault": options.bikes_per_fault, "healthy": options.healthy, "long": options.long,
        "season": options.season, "days": options.days,
    }  # fmt: skip
    population = ("wide" if options.wide else "tuning") if options.tuning else "reporting"
    seed = options.seed if options.tuning else reporting_seed()
    started_s = time.monotonic()
    jobs = jobs_for(population, seed, sizes, options.fault)
    rows = run(
        jobs,
        workers=options.workers,
        quiet=options.quiet,
        minutes=options.minutes,
        keep=options.keep,
    )
    minutes = (time.monotonic() - started_s) / 60.0
    text = _heading(population, seed, len(jobs), rows, minutes) + board(rows)
    if options.misses:
        text += "\n" + misses(rows) + "\n"
    if options.tuning or options.fault:
        print(text)
    else:
        REPORT.write_text(text, "utf-8")
        print(totals(rows))
        print(f"written: {REPORT.relative_to(ROOT)}")


def _heading(population: str, seed: int, asked: int, rows: Sequence[Row], minutes: float) -> str:
    from ridecheck import __version__
    from ridecheck.core.rooms import WEIGHING, code_of

    broken = [r for r in rows if r.error]
    rides = sum(r.job.rides for r in rows)
    run_in = Counter(r.job.group for r in rows)
    days = sum(r.job.rides for r in rows if r.job.group == "season")
    sized = f"{run_in['fault']} faulty, {run_in['healthy']} healthy, {run_in['long']} with 20 rides"
    lines = [
        "# Scoreboard",
        "",
        f"Version {__version__}, {population} set, seed {seed}: {len(rows)} bikes, {rides} rides",
        f"run of {asked} asked for ({sized}, season: {run_in['season']} bikes, {days} days).",
        "The full size is 40 bikes a fault, 700 healthy, 100 with 20 rides, 40 of 180 days.",
        "Written by `make scoreboard`. Intervals are Wilson's, 95 %; under 20, counts alone.",
        "Caught means inspect or keep in after three rides; no opinion is never a catch.",
        f"It took {minutes:.0f} min. Bikes lost to a fault of the program: {len(broken)}.",
        f"Code as of {code_of(*WEIGHING)} (hash of what judges).",
        "",
        "",
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    main()
