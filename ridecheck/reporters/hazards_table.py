"""The table of hazards: how cruise can act against its rider, and the rule that sees each."""

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from ridecheck.core.resources import shipped
from ridecheck.reporters.csv_report import Cell, table
from ridecheck.reporters.json_report import as_json
from ridecheck.reporters.terminal import wrapped

Hazard = Mapping[str, Any]
COLUMNS = ("action", "way", "when", "of", "harm", "danger", "rules", "lowest_hz", "why")
WAYS = {
    "not given": "not given when needed",
    "given": "given when it must not be",
    "timing": "too early, too late, in the wrong order",
    "length": "too long or too short",
}


def hazards() -> tuple[Hazard, ...]:
    """Every row of the table, in its order."""
    text = shipped("schemas", "hazards.toml").read_text("utf-8")
    return tuple(tomllib.loads(text)["hazard"])


def hazards_text(rows: Sequence[Hazard]) -> str:
    """The table for a terminal, by action and the way in which it goes wrong."""
    lines: list[str] = []
    heading = ""
    for row in rows:
        now = f"{row['action']}, {WAYS[row['way']]}"
        if now != heading:
            heading = now
            lines += ["", now] if lines else [now]
        word = " (danger)" if row.get("danger") else ""
        lines += wrapped(f"{row['when']}{word}", first="  ", rest="    ")
        lines += wrapped(row["harm"], first="      ", rest="      ")
        if "no_rule" in row:
            lines += wrapped(f"No rule: {row['no_rule']}", first="      ", rest="      ")
            continue
        asks = f"{', '.join(row['rules'])}; {row['lowest_hz']} Hz or faster"
        lines += wrapped(asks, first="      ", rest="      ")
        if "why_hz" in row:
            lines += wrapped(row["why_hz"], first="      ", rest="      ")
    return "\n".join([*lines, "", "A rule in full: ridecheck explain RULE", ""])


def hazards_json(rows: Sequence[Hazard]) -> str:
    """The table as JSON text, one object a row, with the columns of the CSV."""
    return as_json(
        [{**_cells(row), "of": row["of"], "rules": row.get("rules", [])} for row in rows]
    )


def hazards_csv(rows: Sequence[Hazard]) -> str:
    """One line a row."""
    return table([_cells(row) for row in rows], COLUMNS)


def _cells(row: Hazard) -> dict[str, Cell]:
    return {
        "action": row["action"],
        "way": row["way"],
        "when": row["when"],
        "of": ", ".join(row["of"]),
        "harm": row["harm"],
        "danger": bool(row.get("danger")),
        "rules": ", ".join(row.get("rules", [])),
        "lowest_hz": row.get("lowest_hz"),
        "why": row.get("no_rule") or row.get("why_hz") or "",
    }
