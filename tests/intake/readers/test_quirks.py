"""The table of habits names tests that exist, each habit once."""

import ast
from pathlib import Path

TESTS = Path(__file__).resolve().parents[2]
TABLE = Path(__file__).with_name("quirks.md").read_text("utf-8")


def rows() -> list[tuple[str, str, str]]:
    lines = [line for line in TABLE.splitlines() if line.startswith("| ")][1:]
    return [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in lines]  # type: ignore[misc]


def test_every_habit_is_met_by_a_test_that_exists() -> None:
    known: dict[str, set[str]] = {}
    for _, file, test in rows():
        if file not in known:
            tree = ast.parse((TESTS / file).read_text("utf-8"))
            known[file] = {n.name for n in tree.body if isinstance(n, ast.FunctionDef)}
        assert test in known[file], f"{file} has no {test}"


def test_the_table_is_whole() -> None:
    habits = [habit for habit, _, _ in rows()]

    assert len(habits) > 80
    assert len(set(habits)) == len(habits)
