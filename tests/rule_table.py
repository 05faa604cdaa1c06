"""README's table of rules, made from the rules themselves.

python tests/rule_table.py            print it
python tests/rule_table.py --write    put it into README.md
"""

import sys
from pathlib import Path

from ridecheck.rules import all_rules

README = Path(__file__).resolve().parents[1] / "README.md"
BEGIN = "<!-- rules: written by `make docs` -->"
END = "<!-- end of rules -->"


def table() -> str:
    """One row a rule: what it looks for, and how heavy a finding weighs."""
    rows = [f"| `{r.id}` | {r.summary} | {r.severity.value} |" for r in all_rules().values()]
    return "\n".join(["| rule | looks for | weighs |", "|---|---|---|", *rows])


def between_marks(text: str) -> str:
    """What stands between the two marks, without the blank lines around it."""
    return text.split(BEGIN)[1].split(END)[0].strip()


def with_table(text: str) -> str:
    """README's text with the table put in anew."""
    before, rest = text.split(BEGIN)
    return f"{before}{BEGIN}\n\n{table()}\n\n{END}{rest.split(END)[1]}"


if __name__ == "__main__":
    if "--write" in sys.argv[1:]:
        README.write_text(with_table(README.read_text("utf-8")), "utf-8")
    else:
        print(table())
