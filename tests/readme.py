"""What README takes from the program itself: the table of rules and the demo's board.

python tests/readme.py            print both
python tests/readme.py --write    put them into README.md
"""

import subprocess
import sys
import tempfile
from pathlib import Path

from ridecheck.cautions import CAUTIONS
from ridecheck.rules import all_rules

README = Path(__file__).resolve().parents[1] / "README.md"
RULES = ("<!-- rules: written by `make docs` -->", "<!-- end of rules -->")
BOARD = ("<!-- board: written by `make docs` -->", "<!-- end of board -->")


def rules() -> str:
    """One row a rule: what it looks for, and how heavy a finding weighs."""
    rows = [f"| `{r.id}` | {r.summary} | {r.severity.value} |" for r in all_rules().values()]
    return "\n".join(["| rule | looks for | weighs |", "|---|---|---|", *rows])


def board() -> str:
    """The first screen of `ridecheck demo`, without the cautions and paths under it."""
    command = "import sys; from ridecheck.cli import main; sys.exit(main())"
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, "-c", command, "demo", f"{folder}/fleet"],
            capture_output=True,
            text=True,
            check=False,
        )
    if done.returncode:
        raise RuntimeError(f"the demo ended with {done.returncode}: {done.stderr}")
    before_cautions = done.stdout.split(CAUTIONS[0][:40])[0]
    lines = before_cautions.rstrip().splitlines()[:-1]  # without the heading of the cautions
    return "\n".join(["```text", *lines, "```"]).replace("\n\n```", "\n```")


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
