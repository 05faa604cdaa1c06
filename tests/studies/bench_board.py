"""Standing logs with known faults, and sound ones, read control by control.

    python tests/studies/bench_board.py              300 logs a row; writes bench_board.md
    python tests/studies/bench_board.py --logs 20    a quick look, printed

Seeds are used nowhere else. A fault counts where the logged rows show it at that rate.
"""

import argparse
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # this tree is measured

from ridecheck import __version__
from ridecheck.core.model import Cruise, Drivetrain, Settings, State
from ridecheck.core.statistics import wilson
from ridecheck.signals.ride import Ride
from ridecheck.simulate.standing import STANDING_FAULTS, standing_log
from ridecheck.trace.bench import BenchReading, read_bench

REPORT = Path(__file__).with_suffix(".md")
SEED = 733_000
RATES_HZ = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0)
SETTINGS = Settings(
    model="tourer",
    drivetrain=Drivetrain((5.0, 4.0), 2.0),
    cruise=Cruise(panel=("power", "set", "resume", "cancel")),
)


def read(rate_hz: float, number: int, fault: str) -> tuple[object, BenchReading]:
    """One log and its reading."""
    kinds = ["", *STANDING_FAULTS]
    log = standing_log(
        rate_hz=rate_hz, seed=(SEED, int(rate_hz), kinds.index(fault), number), fault=fault
    )
    return log, read_bench(Ride("r", "B00", [log.part], SETTINGS))


def share(hits: int, of: int) -> str:
    """A share with Wilson's interval; counts alone under 20."""
    if of < 20:
        return f"{hits} of {of}" if of else "-"
    limits = wilson(hits, of)
    return f"{hits} of {of} ({100 * limits.low:.1f} to {100 * limits.high:.1f} %)"


def row(fault: str, logs: int) -> tuple[str, ...]:
    """Caught, by rate; and of those the right control."""
    cells, caught, right = [], 0, 0
    for rate_hz in RATES_HZ:
        seen = hits = 0
        for number in range(logs):
            log, reading = read(rate_hz, number, fault)
            found = [c for c in reading.controls if c.state is State.FAULT]
            if fault and not log.visible:
                continue
            seen += 1
            hits += bool(found)
            named = {n for c in found for f in c.faults for n in (c.channel, f.other)}
            right += bool(fault) and log.channel in named
        caught += hits
        cells.append(share(hits, seen))
    return (fault or "sound: called faulty", *cells, share(right, caught) if fault else "-")


def unassessed(logs: int) -> str:
    """Of sound logs, controls that were worked and are not assessed, by rate."""
    cells = []
    for rate_hz in RATES_HZ:
        count: Counter[State] = Counter()
        for number in range(logs):
            _, reading = read(rate_hz, number, "")
            count.update(c.state for c in reading.controls if c.uses)
        cells.append(f"{rate_hz:g} Hz {share(count[State.NOT_ASSESSED], count.total())}")
    return "; ".join(cells)


def report(logs: int) -> str:
    """The table as text."""
    head = ("fault", *(f"{r:g} Hz" for r in RATES_HZ), "right control")
    lines = ["# Controls at the bench", "",
             f"Version {__version__}. Made by `python tests/studies/bench_board.py --logs {logs}`; "
             "intervals are Wilson's, 95 %.",
             "Of logs whose rows show the fault: how many were called faulty.", "",
             "| " + " | ".join(head) + " |", "|" + "---|" * len(head)]  # fmt: skip
    lines += ["| " + " | ".join(row(f, logs)) + " |" for f in ("", *STANDING_FAULTS)]
    lines += ["", f"Worked controls of sound bikes not assessed: {unassessed(max(1, logs // 10))}."]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Entry point."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--logs", type=int, default=300)
    options = parser.parse_args()
    text = report(options.logs)
    print(text, end="")
    if options.logs >= 100:
        REPORT.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
