"""What README takes from the program itself: the table of rules and the demo's board.

python tests/readme.py            print both
python tests/readme.py --write    put them into README.md
"""

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from ridecheck.batch import screen_fleet
from ridecheck.demo import copy_sample_fleet
from ridecheck.reporters import terminal
from ridecheck.rules import all_rules

README = Path(__file__).resolve().parents[1] / "README.md"
RULES = ("<!-- rules: written by `make docs` -->", "<!-- end of rules -->")
BOARD = ("<!-- board: written by `make docs` -->", "<!-- end of board -->")


def rules() -> str:
    """One row a rule: what it looks for, and how heavy a finding weighs."""
    rows = [f"| `{r.id}` | {r.summary} | {r.severity.value} |" for r in all_rules().values()]
    return "\n".join(["| rule | looks for | weighs |", "|---|---|---|", *rows])


def board() -> str:
    """The board of `ridecheck demo`, without the cautions and paths under it.

    It is told as on the day of the newest ride: on any other day its first line also says
    how old the sample data are.
    """
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "fleet"
        copy_sample_fleet(root)
        report = screen_fleet(root, workers=1).report
    told = terminal.board(replace(report, cautions=()), today=None)
    lines = told.split("\nBefore anybody rides")[0].rstrip().splitlines()
    return "\n".join(["```text", *lines, "```"])


def between(marks: tuple[str, str], text: str) -> str:
    """What stands between two marks, without the blank lines around it."""
    return text.split(marks[0])[1].split(marks[1])[0].strip()


def put(text: str, marks: tuple[str, str], new: str) -> str:
    """The text with something new between two marks."""
    before, rest = text.split(marks[0])
    return f"{before}{marks[0]}\n\n{new}\n\n{marks[1]}{rest.split(marks[1])[1]}"


if __name__ == "__main__":
    if "--write" in sys.argv[1:]:
        text = README.read_text("utf-8")
        README.write_text(put(put(text, RULES, rules()), BOARD, board()), "utf-8")
    else:
        print(rules(), board(), sep="\n\n")
