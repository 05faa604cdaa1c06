"""What README takes from the program itself: the table of rules and the demo's board.

python tests/readme.py            print both
python tests/readme.py --write    put them into README.md
"""

import ast
import re
import sys
import tempfile
import tomllib
from collections.abc import Callable
from contextlib import redirect_stdout
from dataclasses import replace
from functools import cache
from io import StringIO
from pathlib import Path

import typer

from ridecheck.batch.run import screen_fleet
from ridecheck.cli.app import app, run
from ridecheck.core.model import FleetReport
from ridecheck.reporters import terminal
from ridecheck.rules import all_rules
from ridecheck.setup.demo import copy_sample_fleet

ROOT = Path(__file__).resolve().parents[1]
README, DEVELOPERS = ROOT / "README.md", ROOT / "DEVELOPERS.md"
TRACED = "H05-20260505T104000Z"


def marks(what: str) -> tuple[str, str]:
    """The two comments between which README holds what is written here."""
    return f"<!-- {what}: written by `make docs` -->", f"<!-- end of {what} -->"


def rules() -> str:
    """One row a rule: what it looks for, and how severe a finding is."""
    rows = [f"| `{r.id}` | {r.summary} | {r.severity.value} |" for r in all_rules().values()]
    return "\n".join(["| rule | looks for | severity |", "|---|---|---|", *rows])


@cache
def demo() -> tuple[FleetReport, str]:
    """The report of the sample fleet, and what `ridecheck trace` prints of one of its rides."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "fleet"
        copy_sample_fleet(root)
        report = screen_fleet(root, workers=1).report
        printed = StringIO()
        with redirect_stdout(printed):
            run(["trace", TRACED, "--fleet", str(root)])
    return report, printed.getvalue()


def board() -> str:
    """The board of `ridecheck demo`, without the cautions and paths under it.

    It is shown as on the day of the newest ride: on any other day its first line also says
    how old the sample data are.
    """
    report, _ = demo()
    told = terminal.board(replace(report, cautions=()), today=None)
    lines = told.split("\nBefore anybody rides")[0].rstrip().splitlines()
    return "\n".join(["```text", *lines, "```"])


def trace() -> str:
    """The first uncommanded cancel of a traced ride."""
    _, printed = demo()
    cancels = re.split(r"\n\n(?= *\d+ \d{4}-)", printed)
    first = next(c for c in cancels[1:] if "uncommanded" in c.splitlines()[0])
    return "\n".join(["```text", *first.rstrip().splitlines(), "```"])


def commands() -> str:
    """One row a command, in the order of `ridecheck --help`."""
    known = typer.main.get_command(app).commands
    rows = [
        f"| `ridecheck {name}` | {c.get_short_help_str(limit=120)} |" for name, c in known.items()
    ]
    return "\n".join(["| command | does |", "|---|---|", *rows])


QUOTED = ("Healthy bikes", "Caught, visible", "Expected minutes")
BRIER = "suspects. Brier score"
MIXES = {
    "workshop": "faults as often as a workshop meets them",
    "uniform": "all faults alike often",
}


def measured() -> str:
    """Totals of the boards that were last written, where they were written."""
    parts = []
    scoreboard = ROOT / "tests" / "studies" / "scoreboard.md"
    if scoreboard.is_file():
        totals = scoreboard.read_text("utf-8").split("## Totals")[1].split("\n## ")[0].strip()
        parts.append(
            f"Bikes (`tests/studies/scoreboard.md`; {scoreboard_head()}; Wilson 95 % intervals):"
            f"\n\n{released(scoreboard)}\n{totals}"
        )
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in (ROOT / "tests" / "studies" / "trace_board.md").read_text("utf-8").splitlines()
        if line.startswith("|")
    ]
    at = rows[0].index("20 Hz")
    told = "\n".join(f"- {row[0]}: {row[at]}" for row in rows[2:])
    parts.append(f"Cancels at 20 Hz (`tests/studies/trace_board.md`, with other rates):\n\n{told}")
    parts += suspects_measured()
    return "\n\n".join(parts)


def scoreboard_head() -> str:
    """Which version the board was measured on, how many bikes, and for how long."""
    text = " ".join((ROOT / "tests" / "studies" / "scoreboard.md").read_text("utf-8").split())
    head = re.search(
        r"Version (\S+), reporting set, seed \d+: (\d+) bikes, \d+ rides run of (\d+) asked for.*?"
        r"It took (\d+) min",
        text,
    )
    if head is None:
        raise ValueError("the head of scoreboard.md does not read as the board writes it")
    version, done, asked, minutes = head.groups()
    return f"measured on version {version}: {done} of {asked} bikes in {minutes} min"


def released(scoreboard: Path) -> str:
    """The manager's figures: faulty bikes that were not caught, from the table by fault."""
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in scoreboard.read_text("utf-8")
        .split("## By fault")[1]
        .split("\n## ")[0]
        .splitlines()
        if line.startswith("| ") and not line.startswith("| fault")
    ]
    total = sum(int(row[1]) for row in rows)
    caught = sum(int(row[2].split(" of ")[0]) for row in rows)
    unknown = sum(int(row[3]) for row in rows)
    return (
        f"- of {total} faulty bikes of every kind and rate: {caught} inspect or keep in, {unknown} "
        f"no opinion, {total - caught - unknown} released"
    )


def suspects_measured() -> list[str]:
    """What the last calibration says of the suspects, a list for each mix of faults."""
    document = ROOT / "tests" / "studies" / "calibration.md"
    if not document.is_file():
        return []
    told = "Suspects (`tests/studies/calibration.md`, with the reliability diagram)"
    parts = []
    for section in document.read_text("utf-8").split("\n## Mix: ")[1:]:
        mix, *lines = section.splitlines()
        wanted = [x for x in lines if x.startswith(QUOTED) or BRIER in x]
        quoted = "\n".join(f"- {line}" for line in wanted)
        parts.append(f"{told}, {MIXES[mix]}:\n\n{quoted}")
    return parts


def modules() -> str:
    """One row a room of the program in the contract's order, with its reason."""
    contract = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"]
    floors = contract["contracts"][0]["layers"]
    rows = []
    for floor, names in enumerate(reversed(floors)):
        for name in names.split(" | "):
            room = name.removeprefix("ridecheck.")
            text = (ROOT / "ridecheck" / room / "__init__.py").read_text("utf-8")
            reason = " ".join(
                (ast.get_docstring(ast.parse(text)) or "").partition("\n\n")[0].split()
            )
            rows.append(f"| {floor} | `{room}/` | {reason} |")
    return "\n".join(["| floor | room | its one reason |", "|---|---|---|", *reversed(rows)])


WRITTEN: dict[str, tuple[Path, Callable[[], str]]] = {
    "board": (README, board),
    "trace": (README, trace),
    "commands": (README, commands),
    "rules": (README, rules),
    "measured": (README, measured),
    "modules": (DEVELOPERS, modules),
}


def made(what: str) -> str:
    """What should stand there."""
    return WRITTEN[what][1]()


def held(what: str) -> str:
    """What stands in the document now."""
    begin, end = marks(what)
    return WRITTEN[what][0].read_text("utf-8").split(begin)[1].split(end)[0].strip()


def put(what: str, new: str) -> None:
    """Write it into the document anew."""
    (begin, end), document = marks(what), WRITTEN[what][0]
    before, rest = document.read_text("utf-8").split(begin)
    document.write_text(f"{before}{begin}\n\n{new}\n\n{end}{rest.split(end)[1]}", "utf-8")


if __name__ == "__main__":
    for what in WRITTEN:
        if "--write" in sys.argv[1:]:
            put(what, made(what))
        else:
            print(made(what), end="\n\n")
