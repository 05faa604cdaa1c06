"""Logs that could not be used: a record of each under set_aside/, the log stays where it was."""

import hashlib
import json
import unicodedata
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from ridecheck.core.errors import LogError
from ridecheck.core.files import remove, write_whole
from ridecheck.core.model import SetAside
from ridecheck.store.results import canonical

SUFFIX = ".why.json"
LONGEST_NAME_BYTES = 200


def record_of(
    error: LogError, *, log: str, sha256: str, first_seen: datetime, bikes: tuple[str, ...] = ()
) -> SetAside:
    """An error about a log as it is kept."""
    return SetAside(
        log=log,
        sha256=sha256,
        what=error.what,
        where=error.where or log,
        value=error.value,
        what_to_do=error.what_to_do,
        first_seen=first_seen.replace(microsecond=0),
        bikes=bikes,
    )


def log_stem(sha256: str) -> str:
    """What a drop names a whole log by, beside the stems of its parts (numbered from 1)."""
    return f"{sha256[:12] or '0' * 12}-0"


def record_path(root: Path, log: str, sha256: str) -> Path:
    """Where the record of a log lies: <sha8>-<name>, the whole name within 200 bytes."""
    plain = "".join("_" if c in "/\\" or unicodedata.category(c)[0] == "C" else c for c in log)
    room = LONGEST_NAME_BYTES - len(SUFFIX) - 9
    if plain != log or len(plain.encode()) > room:  # keep names apart that now look alike
        tail = "-" + hashlib.sha256(log.encode("utf-8", "surrogateescape")).hexdigest()[:8]
        plain = plain.encode()[: room - len(tail)].decode("utf-8", "ignore") + tail
    return root / "set_aside" / f"{sha256[:8] or '0' * 8}-{plain}{SUFFIX}"


def write_record(root: Path, record: SetAside) -> tuple[SetAside, bool]:
    """Keep a record; the instant it was first seen stays. Second: was it new?"""
    path = record_path(root, record.log, record.sha256)
    earlier = _read(path)
    if earlier is not None:
        record = replace(record, first_seen=earlier.first_seen)
    content = {
        "log": record.log,
        "sha256": record.sha256,
        "what": record.what,
        "where": record.where,
        "value": record.value,
        "what_to_do": record.what_to_do,
        "bikes": list(record.bikes),
        "first_seen": f"{record.first_seen.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
    }
    write_whole(path, canonical(content))
    return record, earlier is None


def read_records(root: Path) -> tuple[SetAside, ...]:
    """All records, by log; damaged ones are left out, their logs are tried again."""
    found = (_read(p) for p in sorted((root / "set_aside").glob(f"*{SUFFIX}")))
    return tuple(sorted((r for r in found if r is not None), key=lambda r: (r.log, r.sha256)))


def remove_records(root: Path, records: Iterable[SetAside]) -> None:
    """Delete the records of logs that were read after all, changed, or are gone."""
    for record in records:
        remove(record_path(root, record.log, record.sha256))


def _read(path: Path) -> SetAside | None:
    try:
        content = json.loads(path.read_bytes())
        first_seen = datetime.fromisoformat(content.pop("first_seen"))
        bikes = tuple(content.pop("bikes", ()))
        return SetAside(**content, first_seen=first_seen, bikes=bikes)
    except (OSError, ValueError, TypeError, KeyError):
        return None
