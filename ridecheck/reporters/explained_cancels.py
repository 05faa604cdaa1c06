"""How a cancel is judged: the two tables of decisions, as the code runs down them."""

import inspect
from collections.abc import Callable
from typing import Any

from ridecheck.reporters import wording
from ridecheck.reporters.csv_report import table
from ridecheck.reporters.json_report import as_json, plain
from ridecheck.reporters.terminal import wrapped
from ridecheck.signals.cancels import CAUSES, DECISIONS

COLUMNS = ("table", "order", "causes", "applies", "answer")


def cancels_rows() -> list[dict[str, Any]]:
    """Every row of both tables in order: what is asked, of which causes, and the answer."""
    causes: list[dict[str, Any]] = [
        {"table": "cause", "order": n, "causes": [], "applies": _asks(look), "answer": None}
        for n, look in enumerate(CAUSES, 1)
    ]
    decisions = [
        {
            "table": "commanded",
            "order": n,
            "causes": sorted(row.causes),
            "applies": _asks(row.applies),
            "answer": row.commanded,
        }
        for n, row in enumerate(DECISIONS, 1)
    ]
    return causes + decisions


def cancels_text() -> str:
    """Both tables for people."""
    rows = cancels_rows()
    lines = ["What ended an engagement: the first of these that is there"]
    for row in (r for r in rows if r["table"] == "cause"):
        lines += wrapped(row["applies"], first=f"  {row['order']:>2}  ", rest="      ")
    lines += ["", "Whether the rider commanded it: the first row that applies to the cause"]
    for row in (r for r in rows if r["table"] == "commanded"):
        causes = ", ".join(wording.cause_name(c) for c in row["causes"])
        answer = wording.COMMANDED[row["answer"]]
        said = f"{row['applies']} [{causes}] -> {answer}"
        lines += wrapped(said, first=f"  {row['order']:>2}  ", rest="      ")
    lines += ["      Where no row applies: undetermined."]
    return "\n".join(lines) + "\n"


def cancels_json() -> str:
    """Both tables for programs."""
    return as_json([plain(row) for row in cancels_rows()])


def cancels_csv() -> str:
    """Both tables, a line a row."""
    return table([row | {"causes": " ".join(row["causes"])} for row in cancels_rows()], COLUMNS)


def _asks(function: Callable[..., object]) -> str:
    """What a row looks for: the first paragraph of its docstring, on one line."""
    said = inspect.getdoc(function) or function.__name__
    return " ".join(said.split("\n\n")[0].split())
