"""What code a stored thing rests on: whole rooms, so that no change of them goes unseen."""

import hashlib
from functools import cache
from pathlib import Path

from ridecheck.core.resources import shipped

PACKAGE = Path(__file__).resolve().parents[1]

READING = ("core", "fleet", "intake")
"""Rooms that decide what a kept part holds."""
JUDGING = ("core", "fleet", "ride", "rules", "signals")
"""Rooms that decide what is found in a ride."""
WEIGHING = (*JUDGING, "bike", "store", "reporters")
"""Rooms that decide what is said of a bike, and how the index holds it."""


@cache
def code_of(*rooms: str) -> str:
    """16 hex digits over every source file of some rooms and the shared schemas."""
    digest = hashlib.sha256()
    for room in sorted(set(rooms)):
        for path in sorted((PACKAGE / room).rglob("*.py")):
            digest.update(path.relative_to(PACKAGE).as_posix().encode() + b"\0")
            digest.update(path.read_bytes())
    for path in sorted(shipped("schemas").glob("*.toml")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]
