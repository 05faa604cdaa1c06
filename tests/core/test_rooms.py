"""What a stored thing rests on: a changed line in any room makes what rests on it stale."""

import shutil
from pathlib import Path

import pytest

from ridecheck.core import rooms
from ridecheck.core.rooms import JUDGING, PACKAGE, READING, WEIGHING, code_of


@pytest.fixture
def copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The package's source in a folder where it may be changed."""
    copy = tmp_path / "ridecheck"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__", "_data"))
    monkeypatch.setattr(rooms, "PACKAGE", copy)
    code_of.cache_clear()
    yield copy
    code_of.cache_clear()


def changed(room: Path) -> None:
    """One number of the room's largest module becomes another."""
    file = max(room.rglob("*.py"), key=lambda p: p.stat().st_size)
    text = file.read_text("utf-8")
    at = next(i for i, c in enumerate(text) if c.isdigit())
    file.write_text(f"{text[:at]}{(int(text[at]) + 1) % 10}{text[at + 1 :]}", "utf-8")
    code_of.cache_clear()


@pytest.mark.parametrize("rests_on", [READING, JUDGING, WEIGHING], ids=["part", "result", "bike"])
def test_a_changed_line_in_any_room_makes_what_rests_on_it_stale(
    copied: Path, rests_on: tuple[str, ...]
) -> None:
    for room in rests_on:
        before = code_of(*rests_on)
        changed(copied / room)

        assert code_of(*rests_on) != before, room


@pytest.mark.parametrize(
    ("room", "rests_on"), [("cli", WEIGHING), ("simulate", WEIGHING), ("intake", JUDGING)]
)
def test_a_change_elsewhere_makes_nothing_stale(
    copied: Path, room: str, rests_on: tuple[str, ...]
) -> None:
    before = code_of(*rests_on)
    changed(copied / room)

    assert code_of(*rests_on) == before


def test_every_room_is_on_one_list_or_only_shows_and_starts_things() -> None:
    """A new room has to be put on a list, or named here: nothing stored rests on it."""
    shows_or_starts = {"cli", "batch", "trace", "setup", "simulate"}
    there = {p.name for p in PACKAGE.iterdir() if (p / "__init__.py").exists()}

    assert there == set(READING) | set(JUDGING) | set(WEIGHING) | shows_or_starts
