"""What README takes from the program itself: the table of rules and the demo's board.

python tests/readme.py            print both
python tests/readme.py --write    put them into README.md
"""

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import typer

from ridecheck.batch import screen_fleet
from ridecheck.cli.app import app
from ridecheck.demo import copy_sample_fleet
from ridecheck.reporters import terminal
from ridecheck.rules import all_rules

README = Path(__file__).resolve().parents[1] / "README.md"


def marks(what: str) -> tuple[str, str]:
    """The two comments between which README holds what is written here."""
    return f"<!-- {what}: written by `make docs` -->", f"<!-- end of {what} -->"


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


def commands() -> str:
    """One row a command, in the order of `ridecheck --help`."""
    known = typer.main.get_command(app).commands
    rows = [
        f"| `ridecheck {name}` | {c.get_short_help_str(limit=120)} |" for name, c in known.items()
    ]
    return "\n".join(["| command | does |", "|---|---|", *rows])


WRITTEN = {"board": board, "commands": commands, "rules": rules}


def held(what: str) -> str:
    """What README holds now."""
    begin, end = marks(what)
    return README.read_text("utf-8").split(begin)[1].split(end)[0].strip()


def put(what: str, new: str) -> None:
    """Write it into README anew."""
    begin, end = marks(what)
    before, rest = README.read_text("utf-8").split(begin)
    README.write_text(f"{before}{begin}\n\n{new}\n\n{end}{rest.split(end)[1]}", "utf-8")


if __name__ == "__main__":
    for what, make in WRITTEN.items():
        if "--write" in sys.argv[1:]:
            put(what, make())
        else:
            print(make(), end="\n\n")
