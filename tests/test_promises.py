"""Promises that hold for every file of the project, and for every word a user reads."""

import ast
import json
import re
from collections.abc import Iterator

import pytest
from project_files import ROOT, texts

NEVER_TOLD = re.compile(
    r"\b(safe|safely|roadworthy|certified|approved|fit to ride)\b", re.IGNORECASE
)
"""The program advises from signals; none of these is its to say."""

OLD_WORDS = {
    "told or tells, of a thing written or worked out": r"\b(told|tells?)\b",
    "cruise that lets go": r"\b(lets?|letting)\s+go\b|\bnot let\b.{0,20}\bgo\b",
    "asked for, of a cancel": r"\b(?:not )?asked for\b(?! again)|\bnobody asked\b|\bnobody made\b",
    "nothing came of it": r"\b(?:nothing|none) came\b|\bnothing comes of\b",
    "roll-off switch": r"\b[Rr]oll-off switch|\bgrip rolled off\b",
    "a rate as an interval": r"\brefreshed every\b|\bor faster needed\b",
    "first mover": r"\b(?:first mover|moved first|what came first)\b",
    "sags": r"\b(?:hold|speed) sags\b",
    "names of checks": r"(?i)\b(lamp by each control|rear pedal point|steering sweep|earth drop)\b",
    "old headings": r"What was looked at|What was and was not|Decided by|Looked for|Also serves",
    "stop lamp": r"\b[Ss]top lamp",
}
"""Words that the trade has better ones for; codes in JSON, TOML keys and ids are exempt."""

LOGGERS = "ridecheck/simulate/dialects.py"
"""Column heads as loggers of many makers write them."""

CODES = {"told"}
"""Whole strings of the program that are names in its JSON."""

KEYS = re.compile(
    r"^\s*[\w.-]+(?= = )|\[[\w.-]+\]|[a-z]+(?:-[a-z]+)+|\w+_\w+|\{[^}]*\}", re.MULTILINE
)
"""Keys, tables, ids and the names within a text's braces: codes, not words."""

# Spelt so that this file does not hold what it looks for.
NOWHERE = {
    "address of a package registry": r"pypi\.(org|io)|pythonhosted\.|npmjs\.|deb\.debian\.",
    "path of one machine": r"/work/(main|shared|team)|/root/|/Users/",
    "code of a private list": r"\b(FM|CK|PR|CQ|NB)\d\d\b",
    "mail address": r"[\w.+-]+@[\w-]+\.(com|org|net|de|io)\b",
    "unfinished work": r"# TODO|raise NotImpl\w+|mark\.(skip|skipif|xfail)\b|assert True\b",
    "a recording": r"(?i)\b(trans[c]ript(ion)?s?|(seed|screen) record[i]ng|the vid[e]o)\b",
}
HERE = "tests/test_promises.py"


@pytest.mark.parametrize("what", NOWHERE)
def test_no_file_holds(what):
    pattern = re.compile(NOWHERE[what])
    found = [
        f"{name}:{text.count(chr(10), 0, match.start()) + 1}: {match.group()}"
        for name, text in texts().items()
        if name != HERE
        for match in pattern.finditer(text)
    ]

    assert found == []


def test_only_the_ci_script_looks_outside_the_checkout():
    beside = "../" + "shared"

    found = [name for name, text in texts().items() if beside in text and name != ".ci/run"]

    assert found == []


def test_no_word_that_clears_a_bike_stands_in_what_users_read():
    found = [
        f"{name}: {match.group()!r} in {text.strip()[:80]!r}"
        for name, text in told()
        for match in NEVER_TOLD.finditer(text)
    ]

    assert found == []


@pytest.mark.parametrize("what", OLD_WORDS)
def test_no_old_word_stands_in_what_users_read(what):
    pattern = re.compile(OLD_WORDS[what])
    found = [
        f"{name}: {match.group()!r} in {text.strip()[:80]!r}"
        for name, text in worded()
        for match in pattern.finditer(KEYS.sub("", text))
    ]

    assert found == []


def worded() -> Iterator[tuple[str, str]]:
    """What reaches a user, without what other files of theirs say: old changes, sample logs."""
    for name, text in told():
        if name.startswith("sample_logs/") or name == LOGGERS or text in CODES:
            continue
        if name == "CHANGELOG.md":
            text = text.split("\n## [")[1]
        yield name, re.sub(r"`[^`\n]*`", "", text) if name.endswith(".md") else text


def test_the_search_for_old_words_finds_them_and_spares_codes():
    assert re.search(OLD_WORDS["cruise that lets go"], "it must let\n  go within 0.60 s")
    assert not re.search(
        OLD_WORDS["told or tells, of a thing written or worked out"],
        KEYS.sub("", 'tells = "speed droop"'),
    )
    assert KEYS.sub("", "switches/brake-lets-go-late") == "switches/"


def test_the_word_search_finds_what_it_looks_for():
    assert NEVER_TOLD.search("Nothing found: the bike is safe.")
    assert NEVER_TOLD.search("Roadworthy by the log")
    assert not NEVER_TOLD.search("road safety")


def told() -> Iterator[tuple[str, str]]:
    """Texts that reach a user: documents, pages, tables of words, strings in the program."""
    for name, text in texts().items():
        folder = name.split("/")[0]
        if name in {"README.md", "CHANGELOG.md"} or (
            folder in {"schemas", "pipelines", "sample_logs"} and not name.endswith(".csv")
        ):
            yield name, text
        elif "/templates/" in name:
            yield name, re.sub(r"\|\s*safe\b", "", text)
        elif folder == "ridecheck" and name.endswith(".py"):
            yield from ((name, string) for string in strings(name, text))


def strings(name: str, source: str) -> Iterator[str]:
    """String constants of a module; docstrings only where they are shown to users."""
    tree = ast.parse(source)
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    shown = name.startswith(("ridecheck/rules/", "ridecheck/cli"))
    for node in ast.walk(tree):
        is_text = isinstance(node, ast.Constant) and isinstance(node.value, str)
        if is_text and (shown or id(node) not in docstrings):
            yield node.value


def test_the_demo_says_none_of_those_words(tmp_path, capsys, monkeypatch):
    from ridecheck.cli import main

    monkeypatch.setattr("sys.argv", ["ridecheck", "demo", str(tmp_path / "fleet")])
    with pytest.raises(SystemExit) as stop:
        main()

    printed = capsys.readouterr()
    assert stop.value.code in (0, None), printed.err
    written = sorted((tmp_path / "fleet" / "reports").rglob("*.*"))
    told_here = {"terminal": printed.out + printed.err} | {
        str(p): p.read_text("utf-8") for p in written if p.suffix in {".html", ".json"}
    }
    assert len(told_here) > 2, "the demo wrote no pages"
    json.loads((tmp_path / "fleet" / "reports" / "report.json").read_text("utf-8"))
    found = {name: NEVER_TOLD.findall(text) for name, text in told_here.items()}
    assert {name: words for name, words in found.items() if words} == {}


def test_there_is_one_version():
    from ridecheck import __version__

    project = (ROOT / "pyproject.toml").read_text("utf-8")

    assert f'version = "{__version__}"' in project
    assert f"## [{__version__}]" in (ROOT / "CHANGELOG.md").read_text("utf-8")
