"""Do two states of the program say the same of the same logs?

    python tests/studies/same_results.py make FOLDER        300 simulated rides and the sample fleet
    python tests/studies/same_results.py run FOLDER OUT     screened by this tree; results into OUT
    python tests/studies/same_results.py compare OUT OUT    every result and report that differs

Keys, versions, instants of the run and what is drawn are left out; with ``--no-wording`` sentences
are too.
The commands are run as a user runs them, so a move inside the package cannot change the check.
Exit 1 where anything differs.
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))  # this tree is measured, whatever is installed
SEED = 15_001
BIKES = 50
RUN_ONLY = {"judge_key", "version", "generated_at", "picture", "sketch"}
WORDING = {
    "message", "evidence", "reason", "because", "action", "not_covered", "for", "against",
    "not_logged", "how", "caution", "cautions", "notes", "first_mover", "doubt", "asks",
}  # fmt: skip


def make(folder: Path) -> None:
    """Write the fleets: two populations of simulated bikes, and the sample logs."""
    from ridecheck.simulate import FAULT_NAMES
    from ridecheck.simulate.fleet import FleetPlan, write_fleet
    from ridecheck.simulate.population import POPULATIONS, draw_bike

    for which in ("tuning", "wide"):
        population = POPULATIONS[which]
        bikes = []
        for n in range(BIKES):
            fault = (
                "" if n % 4 == 3 else FAULT_NAMES[(n + (which == "wide") * 37) % len(FAULT_NAMES)]
            )
            seed = (SEED, which == "wide", n)
            bikes.append(draw_bike(population, seed, bike=f"B{n:03d}", fault=fault, rides=3))
        write_fleet(
            FleetPlan(name=which, seed=SEED, bikes=tuple(bikes), models=population.models),
            folder / which,
        )
    shutil.copytree(ROOT / "sample_logs", folder / "sample")


def run(folder: Path, out: Path) -> None:
    """Screen every fleet anew with this tree; keep results and report."""
    for fleet in sorted(p for p in folder.iterdir() if (p / "fleet.toml").exists()):
        for made in (
            "rides",
            "results",
            "reports",
            "set_aside",
            "log",
            "ridecheck.duckdb",
            "dangers",
        ):
            gone = fleet / made
            shutil.rmtree(gone) if gone.is_dir() else gone.unlink(missing_ok=True)
        code = (
            f"import sys; sys.path.insert(0, {str(ROOT)!r}); from ridecheck.cli import main; main()"
        )
        said = subprocess.run(
            [sys.executable, "-c", code, "screen", "--fleet", str(fleet), "--format", "json",
             "--fail-on", "never"],
            capture_output=True, text=True, check=False, env=os.environ | {"PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        (out / fleet.name).mkdir(parents=True, exist_ok=True)
        (out / fleet.name / "report.json").write_text(said.stdout or said.stderr, "utf-8")
        shutil.rmtree(out / fleet.name / "results", ignore_errors=True)
        shutil.copytree(fleet / "results", out / fleet.name / "results")


def compare(one: Path, two: Path, *, wording: bool) -> Iterator[str]:
    """A line for each place in which the two differ."""
    names = {str(p.relative_to(one)) for p in one.rglob("*.json")}
    names |= {str(p.relative_to(two)) for p in two.rglob("*.json")}
    for name in sorted(names):
        if not (one / name).exists() or not (two / name).exists():
            yield f"{name}: only in one"
            continue
        a, b = (json.loads((d / name).read_text("utf-8")) for d in (one, two))
        left_out = RUN_ONLY if wording else RUN_ONLY | WORDING
        yield from (f"{name}: {where}" for where in _differing(a, b, left_out, ""))


def _differing(a: Any, b: Any, left_out: set[str], where: str) -> Iterator[str]:
    if isinstance(a, dict) and isinstance(b, dict):
        for key in sorted(a.keys() | b.keys()):
            if key not in left_out:
                yield from _differing(a.get(key), b.get(key), left_out, f"{where}.{key}")
    elif isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for i, (x, y) in enumerate(zip(a, b, strict=True)):
            yield from _differing(x, y, left_out, f"{where}[{_name(x) or i}]")
    elif a != b:
        yield f"{where}: {_short(a)} -> {_short(b)}"


def _name(item: Any) -> str:
    names = (item.get("rule") or item.get("bike") or "") if isinstance(item, dict) else ""
    return str(names)


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) < 300 else f"{text[:300]} ..."


def main(argv: Sequence[str] | None = None) -> int:
    """Entry point."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("what", choices=("make", "run", "compare"))
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--no-wording", action="store_true")
    args = parser.parse_args(argv)
    if args.what == "make":
        make(args.folders[0])
        return 0
    one, two = args.folders
    if args.what == "run":
        run(one, two)
        return 0
    lines = list(compare(one, two, wording=not args.no_wording))
    print("\n".join(lines) or "the same")
    return 1 if lines else 0


if __name__ == "__main__":
    sys.exit(main())
