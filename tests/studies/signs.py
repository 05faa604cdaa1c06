"""How often each planted fault shows each sign, beside what schemas/causes.toml says.

    python tests/studies/signs.py --bikes 8                          eight bikes of every fault
    python tests/studies/signs.py --bikes 20 --fault pod-wet --seed 70000

Tuning seeds only. For each fault and each sign that some bike was looked over for: bikes,
how many showed it, how many should have by causes.toml, the chance that stands there, and
that chance blended with what was counted. The chance in the file counts as much as FILE_BIKES
bikes, so that a few simulated bikes move it and never replace it. A sign seldom seen by a
cause that does not name it is left to false_per_ride.
"""

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from calibration import PLANTED, TUNING_SEEDS, Drawn, Ridden, ridden

from ridecheck.bike.diagnose.causes import knowledge
from ridecheck.bike.diagnose.evidence import Evidence
from ridecheck.rules import all_rules

FILE_BIKES = 4.0
"""How many bikes the chance in the file is worth."""
NOT_NAMED = 0.02
"""Chance at which a sign that the file does not name for a cause starts."""
NEARLY_CERTAIN = 0.9
"""However often simulated bikes show a sign, a chance is not raised above this."""
LOOKED_OVER = 0.3
"""A bike whose rides together were looked over less than this for a sign does not count."""
WORTH_A_LINE = 0.5
"""Expected bikes from which a sign that none showed is printed."""


@dataclass(frozen=True, slots=True)
class Count:
    """One fault and one sign: bikes looked over, bikes that showed it, bikes that should."""

    fault: str
    sign: str
    bikes: int
    seen: int
    acted: float
    in_file: float

    @property
    def expected(self) -> float:
        """Bikes that show it by causes.toml."""
        return self.in_file * self.acted

    @property
    def blended(self) -> float:
        """The chance in the file, moved by what was counted; not halved, never near certain."""
        start = max(self.in_file, NOT_NAMED)
        moved = (FILE_BIKES * start + self.seen) / (FILE_BIKES + max(self.acted, float(self.seen)))
        return min(max(moved, start / 2.0), max(NEARLY_CERTAIN, start))


def counted(fault: str, bikes: Sequence[Ridden]) -> Iterator[Count]:
    """The signs of bikes with one fault that are worth a line."""
    known, rules = knowledge(), all_rules()
    cause = known.causes[PLANTED[fault].cause]
    seen_by = [
        Evidence(
            b.results,
            closed=frozenset(),
            must_cancel=b.settings.cruise.must_cancel,
            known=known,
            rules=rules,
        )
        for b in bikes
    ]
    for sign in known.signs.values():
        looked = [e for e in seen_by if sum(e.look(sign, r) for r in e.rides) >= LOOKED_OVER]
        acted = sum(e.could_act(sign, cause) for e in looked)
        in_file = cause.shows.get(sign.id, 0.0)
        seen = sum(sign.id in e.seen for e in looked)
        count = Count(fault, sign.id, len(looked), seen, acted, in_file)
        if seen > 1 or count.expected >= WORTH_A_LINE:
            yield count


def main(arguments: Sequence[str]) -> int:
    """Simulate, judge, count, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--bikes", type=int, default=8, help="bikes a fault")
    parser.add_argument("--seed", type=int, default=200_000, help="first tuning seed")
    parser.add_argument("--fault", action="append", default=[], help="this one; repeatable")
    asked = parser.parse_args(arguments)
    if asked.seed + asked.bikes * len(PLANTED) >= TUNING_SEEDS:
        parser.error("tuning seeds are below a million")
    print("| fault | sign | bikes | seen | expected | in file | blended |")
    print("|---|---|---|---|---|---|---|")
    for row, fault in enumerate(sorted(PLANTED)):
        if asked.fault and fault not in asked.fault:
            continue
        first = asked.seed + row * asked.bikes
        bikes = [ridden(Drawn(n, first + n, fault)) for n in range(asked.bikes)]
        for c in counted(fault, bikes):
            print(
                f"| {c.fault} | {c.sign} | {c.bikes} | {c.seen} | {c.expected:.1f} "
                f"| {c.in_file:.2f} | {c.blended:.2f} |",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
