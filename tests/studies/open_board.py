"""What is said of each open car recording, and whether the recording really is bad there.

    RIDECHECK_OPEN_DATA=DIR python tests/studies/open_board.py

"founded" are findings that overlap a gap, a stepped clock or an engine speed that stands
still, as worked out from the raw columns by tests/outside/test_open_recordings.py.
"""

import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from outside import test_open_recordings as polled
from outside.fleets import Screened


def table(trips: dict[str, Path], told: Screened) -> Iterator[str]:
    """One row a trip and rule; a trip of which nothing is said has a row too."""
    yield "| trip | rule | weighs | findings | founded |"
    yield "|---|---|---|---|---|"
    for trip, path in trips.items():
        bad = polled.bad_stretches(path)
        found, founded = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
        for finding in told.findings(trip):
            key = finding["rule"], finding["severity"]
            found[key] += 1
            founded[key] += any(polled.overlaps(finding, b) for b in bad)
        for rule, weighs in sorted(found):
            counts = f"{found[rule, weighs]} | {founded[rule, weighs]}"
            yield f"| {trip} | `{rule}` | {weighs} | {counts} |"
        if not found:
            yield f"| {trip} | - | | 0 | |"


def main() -> None:
    """Print the table, or say how to get the recordings."""
    trips = polled.recordings()
    if not trips:
        sys.exit(f"no recordings: {polled.HOW_TO_GET}")
    with tempfile.TemporaryDirectory() as root:
        print("\n".join(table(trips, polled.screen_trips(trips, Path(root)))))


if __name__ == "__main__":
    main()
