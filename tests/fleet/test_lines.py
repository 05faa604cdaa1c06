"""Every key of a TOML text is found on its line."""

import tomllib
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from ridecheck.fleet.locate import Path, key_lines, line_of

CASES = [
    pytest.param("a = 1\nb = 2\n", ("b",), 2, id="plain keys"),
    pytest.param("# c\n\n  a = 1 # x = 2\n", ("a",), 3, id="comments and blank lines"),
    pytest.param("[t]\na = 1\n\n[u]\na = 2\n", ("u", "a"), 5, id="the same key in two tables"),
    pytest.param("[t.u]\nv.w = 1\n", ("t", "u", "v", "w"), 2, id="dotted keys"),
    pytest.param("[t]\n[t.u]\n", ("t",), 1, id="a table itself"),
    pytest.param('[thresholds."a/b"]\nc = 1\n', ("thresholds", "a/b", "c"), 2, id="quoted key"),
    pytest.param("'a.b' = 1\n\"c\\u0020d\" = 2\n", ("c d",), 2, id="escapes in a quoted key"),
    pytest.param("a = [\n 1,\n # n\n 2,\n]\n", ("a", 1), 4, id="an item of a long array"),
    pytest.param("a = [[1], [2,\n3]]\n", ("a", 1, 1), 2, id="an array in an array"),
    pytest.param("t = { a = 1, b = { c = 2 } }\n", ("t", "b", "c"), 1, id="inline tables"),
    pytest.param("t = [\n{ a = 1 },\n{ a = 2 }]\n", ("t", 1, "a"), 3, id="tables in an array"),
    pytest.param("[[e]]\na = 1\n[[e]]\na = 2\n", ("e", 1, "a"), 4, id="array of tables"),
    pytest.param("[[e]]\n[e.s]\na = 1\n[[e]]\n[e.s]\na = 2\n", ("e", 1, "s", "a"), 6, id="nested"),
    pytest.param('a = """\nb = 1\n"""\nb = 2\n', ("b",), 4, id="text over several lines"),
    pytest.param("a = '''\n[b]\n'''\nb = 2\n", ("b",), 4, id="literal text over several lines"),
    pytest.param('a = "x # y \\" ] }"\nb = 2\n', ("b",), 2, id="marks inside a text"),
    pytest.param('a = """x\\"""" \nb = 2\n', ("b",), 2, id="quotes at the end of a long text"),
    pytest.param("a = 2026-05-03 16:10:00\nb = 1\n", ("b",), 2, id="an instant with a blank"),
    pytest.param("a = -1e-3 # c\nb = 1", ("b",), 2, id="no line end at the end"),
]


@pytest.mark.parametrize(("text", "path", "line"), CASES)
def test_a_key_is_found_on_its_line(text: str, path: Path, line: int) -> None:
    tomllib.loads(text)  # the case itself must be TOML

    assert key_lines(text)[path] == line


def test_a_key_that_is_absent_is_placed_at_its_table() -> None:
    lines = key_lines("a = 1\n[t]\nb = 2\n")

    assert line_of(lines, ("t", "missing")) == 2
    assert line_of(lines, ("missing",)) == 1


_KEYS = st.text("abc xé./\"'#=[]", min_size=1, max_size=4)
_VALUES = st.recursive(
    st.integers() | st.booleans() | st.text("ab\n\"'#\\]}", max_size=6) | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_KEYS, inner, max_size=3),
    max_leaves=12,
)


@settings(deadline=None)
@given(st.dictionaries(_KEYS, _VALUES, max_size=4))
def test_all_keys_of_any_document_are_found_and_none_besides(content: dict[str, Any]) -> None:
    text = tomlkit.dumps(content)
    parsed = tomllib.loads(text)
    lines = key_lines(text)

    assert set(lines) == set(_paths(parsed))
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())


def _paths(value: Any, path: Path = ()) -> list[Path]:
    """Paths of all keys and array items under a value."""
    inside = value.items() if isinstance(value, dict) else enumerate(value)
    found: list[Path] = []
    for key, item in inside:
        found.append((*path, key))
        if isinstance(item, dict | list):
            found += _paths(item, (*path, key))
    return found
