"""Each bike's register of dangers: dangers/<bike>.jsonl, one entry a line, chained by hashes.

A line holds its number, its entry and the hash of the line before, so that a line changed or
taken out shows. dangers/heads.json says how far each register had come and what was open
in it, so that lines cut off its end, or the whole file gone, show too. Whoever writes holds
the fleet folder.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated

from pydantic import Field, TypeAdapter, ValidationError

from ridecheck.core.dangers import Entry, Found, Hold, Register
from ridecheck.core.files import remove, write_whole

FOLDER = "dangers"
HEADS = f"{FOLDER}/heads.json"
_FIRST = "0" * 16


@dataclass(frozen=True, slots=True)
class Head:
    """How far a register had come: entries, hash of the last line, ids that were open."""

    entries: int
    last: str
    open: tuple[str, ...] = ()
    hold: bool = False


@dataclass(frozen=True, slots=True)
class KeptRegister:
    """A register as it lies on the disk.

    wrong: why it cannot be believed as it stands, with the file's name; "" where it can.
    Then register holds only what counts against the bike: dangers found, and its hold. Closing
    entries have to be made again from events. unread: lines of it that cannot be read.
    """

    register: Register
    head: Head | None = None
    wrong: str = ""
    unread: int = 0


@cache
def _entry() -> TypeAdapter[Entry]:
    return TypeAdapter(Annotated[Entry, Field(discriminator="kind")])


@cache
def _heads() -> TypeAdapter[dict[str, Head]]:
    return TypeAdapter(dict[str, Head])


def register_path(root: Path, bike: str) -> Path:
    """Where the register of a bike lies."""
    return root / FOLDER / f"{bike}.jsonl"


def bikes_with_register(root: Path) -> frozenset[str]:
    """Bikes that have a register, or had one."""
    files = (root / FOLDER).glob("*.jsonl") if (root / FOLDER).is_dir() else ()
    return frozenset(p.stem for p in files) | frozenset(b for b, h in read_heads(root).items() if h)


def read_heads(root: Path) -> Mapping[str, Head]:
    """How far each register had come; empty where that cannot be read."""
    try:
        return _heads().validate_json((root / HEADS).read_bytes())
    except (OSError, ValidationError):
        return {}


def read_register(root: Path, bike: str) -> KeptRegister:
    """The register of a bike, empty where there never was one. Raises OSError without rights."""
    path, head = register_path(root, bike), read_heads(root).get(bike)
    name = f"{FOLDER}/{path.name}"
    if not path.is_file():
        gone = f"{name} is missing" if head is not None and head.entries else ""
        return KeptRegister(Register(), head, gone)
    lines = path.read_bytes().split(b"\n")
    whole, hashes = _chained(lines)
    if whole is not None and lines[-1] == b"":
        cut = head is not None and (
            len(hashes) < head.entries or (head.entries and hashes[head.entries - 1] != head.last)
        )
        if not cut:
            return KeptRegister(whole, head)
    read = [_read(line) for line in lines if line]
    against = tuple(e for e in read if isinstance(e, Found | Hold))
    wrong = f"{name} is damaged" if whole is None else f"{name} was cut or changed"
    return KeptRegister(Register(against), head, wrong, unread=sum(e is None for e in read))


def write_register(root: Path, bike: str, register: Register) -> None:
    """Keep a register, then how far it has come. Raises OSError."""
    lines, before = [], _FIRST
    for number, entry in register.numbered():
        facts = _entry().dump_python(entry, mode="json")
        content = {"n": number, "kind": facts.pop("kind"), **facts, "before": before}
        line = json.dumps(content, ensure_ascii=False).encode("utf-8", "backslashreplace")
        lines.append(line + b"\n")
        before = _hash(line)
    write_whole(register_path(root, bike), b"".join(lines))
    ids = tuple(sorted({f.finding for f in register.open.values()}))
    _write_heads(root, {bike: Head(len(register.entries), before, ids, register.hold)})


def remove_register(root: Path, bike: str) -> None:
    """Delete the register of a bike that has nothing open. Raises OSError."""
    remove(register_path(root, bike))
    _write_heads(root, {bike: None})


def put_aside(root: Path, bike: str) -> None:
    """Keep a register that cannot be believed beside the one that takes its place."""
    path = register_path(root, bike)
    if path.is_file():
        content = path.read_bytes()
        write_whole(path.with_name(f"{bike}.broken-{_hash(content)}.txt"), content)


def _write_heads(root: Path, changed: Mapping[str, Head | None]) -> None:
    heads = {b: h for b, h in {**read_heads(root), **changed}.items() if h is not None}
    content = _heads().dump_python(heads, mode="json")
    text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False) + "\n"
    write_whole(root / HEADS, text.encode("utf-8", "backslashreplace"))


def _chained(lines: list[bytes]) -> tuple[Register | None, list[str]]:
    """The entries and the hash of each line; None where the chain does not hold."""
    entries: list[Entry] = []
    hashes: list[str] = []
    before = _FIRST
    for number, line in enumerate(filter(None, lines), start=1):
        entry = _read(line)
        if entry is None or _place(line) != (number, before):
            return None, hashes
        entries.append(entry)
        before = _hash(line)
        hashes.append(before)
    return Register(tuple(entries)), hashes


def _read(line: bytes) -> Entry | None:
    try:
        content = json.loads(line)
        return _entry().validate_python(
            {k: v for k, v in content.items() if k not in ("n", "before")}, strict=False
        )
    except (ValueError, AttributeError, TypeError):
        return None


def _place(line: bytes) -> tuple[object, object]:
    content = json.loads(line)
    return content.get("n"), content.get("before")


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:16]
