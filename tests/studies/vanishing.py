"""Can a danger vanish in reading? Rides with a planted danger, harmed, through to the verdict.

    python tests/studies/vanishing.py [RIDES [FIRST_SEED]]

A bike has a sound ride that clears it, and a second ride with a danger, harmed in one of the
ways of harm.py: its verdict must be keep in or no opinion. A bike whose second ride is clean
and harmed the same way must not be kept in. Where nothing is lost, the verdict must be the
undamaged one in 99 of 100. What is not in the file at all (rows that were never written, the
end of a log that was not packed) no reader can miss; the end is cut here after the danger.
Writes vanishing.md beside this script. Exits 1 where one of these does not hold.
"""

import sys
import tempfile
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from folders import CLEAN, Folder, day, log_text, rows_of
from harm import HARMS, NO_HARM, harmed

FIRST_SEED = 500_000
"""Seeds of their own: no other study or test uses them."""
DANGERS: Mapping[str, Mapping[str, Any]] = {
    "cruise stays on under the front brake": {"on": {"cruise_engaged": [[36.0, 41.0]]}},
    "cruise stays on under the rear brake": {"on": {"cruise_engaged": [[80.5, 85.0]]}},
    "no brake signal at all": {
        "off": {n: [[0.0, 200.0]] for n in ("front_brake", "rear_brake", "brake_lamp")}
    },
}
BIKES = 40
"""Bikes of one fleet folder, each with a sound ride and one that is harmed."""


@dataclass(slots=True)
class Tally:
    """Verdicts: of bikes with a harmed danger, of clean ones beside them, of unharmed ones."""

    danger: Counter[str] = field(default_factory=Counter)
    clean: Counter[str] = field(default_factory=Counter)
    same: Counter[bool] = field(default_factory=Counter)
    by_harm: dict[str, Counter[str]] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    def share_same(self) -> float:
        """Share of unharmed rides with the undamaged verdict."""
        total = self.same.total()
        return self.same[True] / total if total else 1.0

    def holds(self) -> bool:
        """Whether no danger vanished, none was made up, and nothing unharmed was lost."""
        bad = self.danger["release"] + self.danger["inspect"] + self.clean["keep_in"]
        return bad == 0 and self.share_same() >= 0.99


@cache
def ride_lines(danger: str) -> tuple[str, ...]:
    """A ride's log, line by line; clean where the danger is ""."""
    plan = DANGERS.get(danger, {})
    return tuple(log_text(rows_of(CLEAN, **plan), day(1)).splitlines())


@dataclass(frozen=True, slots=True)
class Case:
    """One bike's second ride: its danger ("" for clean), and what happened to its log."""

    seed: int
    danger: str
    harm: str
    loses: bool

    @classmethod
    def of(cls, seed: int) -> "Case":
        """By its seed: of six, four are dangers harmed, one is clean and harmed, one unharmed."""
        kind, number = seed % 6, seed // 6
        dangers = list(DANGERS)
        if kind < 4:
            ways = list(HARMS)
            at = 4 * number + kind
            return cls(seed, dangers[at // len(ways) % len(dangers)], ways[at % len(ways)], True)
        if kind == 4:
            return cls(seed, "", list(HARMS)[number % len(HARMS)], True)
        ways = list(NO_HARM)
        return cls(
            seed, ["", *dangers][number % (1 + len(dangers))], ways[number % len(ways)], False
        )

    def data(self) -> bytes:
        """The log's bytes."""
        ways = HARMS if self.loses else NO_HARM
        rng = np.random.default_rng((self.seed, 17))
        return harmed(list(ride_lines(self.danger)), ways[self.harm], rng)


def try_some(seeds: range, tally: Tally) -> None:
    """Screen one fleet of as many bikes as there are seeds, and keep count."""
    cases = {f"B{seed}": Case.of(seed) for seed in seeds}
    with tempfile.TemporaryDirectory() as where:
        folder = Folder(Path(where) / "fleet", tuple(cases))
        for bike, case in cases.items():
            folder.ride(day(0), bike)
            data = case.data()
            suffix = "gz" if data[:2] == b"\x1f\x8b" else "zip" if data[:2] == b"PK" else "csv"
            (folder.root / f"inbox/{bike}_second.{suffix}").write_bytes(data)
        report = folder.screen().report
    for bike in report.bikes:
        _count(cases[bike.bike], bike.verdict.value, tally)


def _count(case: Case, verdict: str, tally: Tally) -> None:
    label = f"seed {case.seed}: {case.danger or 'clean'}, {case.harm}: {verdict}"
    if not case.loses:
        same = verdict == ("keep_in" if case.danger else "release")
        tally.same[same] += 1
        if not same:
            tally.wrong.append(label)
        return
    (tally.danger if case.danger else tally.clean)[verdict] += 1
    if case.danger:
        tally.by_harm.setdefault(case.harm, Counter())[verdict] += 1
    held = ("keep_in", "no_opinion")
    if (case.danger and verdict not in held) or (not case.danger and verdict == "keep_in"):
        tally.wrong.append(label)


def report(tally: Tally, first: int, count: int) -> str:
    """The study's page."""
    danger, clean = tally.danger, tally.clean
    lines = [
        "# Can a danger vanish in reading?",
        "",
        f"Written by `make vanishing`: {count} bikes, seeds {first} to {first + count - 1}.",
        "Each has a sound ride that clears it and a second one; what harms it is in `harm.py`.",
        "",
        "| second ride | bikes | keep in | no opinion | inspect | release |",
        "|---|---|---|---|---|---|",
    ]
    for name, counts in (("a danger, harmed", danger), ("clean, harmed", clean)):
        each = " | ".join(str(counts[v]) for v in ("keep_in", "no_opinion", "inspect", "release"))
        lines.append(f"| {name} | {counts.total()} | {each} |")
    lines += [
        "",
        f"Where nothing was lost, {tally.same[True]} of {tally.same.total()} have the undamaged "
        f"verdict ({tally.share_same():.1%}).",
        "",
        "| harm | keep in | no opinion | inspect | release |",
        "|---|---|---|---|---|",
    ]
    for harm, counts in sorted(tally.by_harm.items()):
        each = " | ".join(str(counts[v]) for v in ("keep_in", "no_opinion", "inspect", "release"))
        lines.append(f"| {harm} | {each} |")
    if tally.wrong:
        lines += ["", "Not as they should be:", "", *(f"- {w}" for w in tally.wrong[:40])]
    return "\n".join(lines) + "\n"


def main(count: int, first: int) -> int:
    """Try them all, print and write what came of them."""
    tally = Tally()
    for begin in range(first, first + count, BIKES):
        try_some(range(begin, min(begin + BIKES, first + count)), tally)
        if sys.stderr.isatty():
            print(f"\r{begin - first} of {count}", end="", file=sys.stderr)
    page = report(tally, first, count)
    print(page)
    Path(__file__).with_suffix(".md").write_text(page, "utf-8")
    return 0 if tally.holds() else 1


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:3]]
    sys.exit(main(given[0] if given else 15_000, given[1] if len(given) > 1 else FIRST_SEED))
