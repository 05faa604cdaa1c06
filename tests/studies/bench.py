"""What each library costs and saves on the sample fleet.

    python tests/studies/bench.py

Prints bytes and the best of five times. Nothing here is a test: times depend on the
machine, so they are shown and never asserted.
"""

import json
import os
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")

import duckdb
import polars as pl

from ridecheck.batch.run import screen_fleet
from ridecheck.fleet import load_fleet
from ridecheck.intake.read import take_in
from ridecheck.intake.readers import open_log
from ridecheck.rules.engine import judge, known_limits
from ridecheck.setup.demo import copy_sample_fleet
from ridecheck.signals.ride import Ride

SEASON = 200


def best_s(work: Callable[[], object], *, times: int = 5) -> float:
    """Seconds of the fastest of several runs."""
    taken = []
    for _ in range(times):
        started_s = time.perf_counter()
        work()
        taken.append(time.perf_counter() - started_s)
    return min(taken)


def size_mb(paths: list[Path]) -> float:
    """Size of files together, in units of a million bytes."""
    return sum(p.stat().st_size for p in paths) / 1e6


def copied(results: list[Path], season: Path) -> list[Path]:
    """A season's worth of results: each ride SEASON times, as files and in an index."""
    season.mkdir()
    many = [season / f"{n}-{path.name}" for n in range(SEASON) for path in results]
    for n, path in enumerate(many):
        shutil.copy(results[n % len(results)], path)
    source = results[0].parents[2] / "ridecheck.duckdb"
    with duckdb.connect(season / "ridecheck.duckdb") as index:
        index.execute(f"attach '{source}' as one (read_only)")
        index.execute(f"create table cancels as from one.cancels, range({SEASON}) as again(n)")
    return many


def main() -> None:
    """Screen the sample fleet once, then time its parts."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "fleet"
        copy_sample_fleet(root)
        screen_fleet(root, workers=1)
        fleet = load_fleet(root, known_limits=known_limits())
        logs = sorted((root / "inbox").rglob("*.csv"))
        kept = sorted((root / "rides").rglob("*.parquet"))
        results = sorted((root / "results").rglob("*.json"))
        parts = [part for log in logs for m in open_log(log) for part in take_in(m, fleet)]
        rows = sum(p.info.rows for p in parts)
        same = [root / "rides" / p.info.bike / f"{p.info.stem}.parquet" for p in parts]
        print(f"{len(logs)} CSV logs, {rows} rows, {size_mb(logs):.1f} MB; one thread")
        print(f"  kept as Parquet: {size_mb(same):.1f} MB")

        def rides() -> list[Ride]:
            return [Ride(p.info.stem, p.info.bike, [p], fleet.settings(p.info.bike)) for p in parts]

        season = Path(folder) / "season"
        many = copied(results, season)

        def ask_index() -> list[tuple[object, ...]]:
            with duckdb.connect(season / "ridecheck.duckdb", read_only=True) as index:
                return index.execute(
                    "select bike, count(*) from cancels where commanded = false group by bike"
                ).fetchall()

        def ask_files() -> Counter[str]:
            told = (json.loads(p.read_text("utf-8")) for p in many)
            return Counter(r["bike"] for r in told for c in r["cancels"] if c["commanded"] is False)

        def ask_samples() -> list[tuple[object, ...]]:
            with duckdb.connect(root / "ridecheck.duckdb", read_only=True) as index:
                return index.execute(
                    "select bike, max(wheel_speed) from samples group by bike"
                ).fetchall()

        steps: dict[str, Callable[[], object]] = {
            "read the kept parts (polars, Parquet)": lambda: [pl.read_parquet(p) for p in same],
            "take the logs in: read, normalise, validate": lambda: [
                take_in(m, fleet) for log in logs for m in open_log(log)
            ],
            "judge every ride by all rules": lambda: [judge(r) for r in rides()],
            f"top speed by bike from {len(kept)} kept parts (DuckDB, Parquet)": ask_samples,
            f"cancels by bike over {len(many)} rides from the index (DuckDB)": ask_index,
            "the same from as many result files": ask_files,
        }
        for name, work in steps.items():
            print(f"  {best_s(work):7.3f} s  {name}")


if __name__ == "__main__":
    main()
