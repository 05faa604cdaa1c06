"""The fleet folder held by one process at a time, and what is said where that fails."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock, Timeout

from ridecheck.core.errors import BrokenOff, FleetBusy


@contextlib.contextmanager
def held(root: Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """Hold the fleet folder; FleetBusy where another run still does after a while."""
    lock = FileLock(root / ".lock", mode=0o666 & ~_umask())
    try:
        lock.acquire(timeout=wait_s)
    except Timeout:
        raise FleetBusy(
            "Another run holds this fleet folder",
            where=str(root),
            what_to_do="Wait until it has ended, then run again.",
        ) from None
    except OSError as error:
        raise broken_off(error) from error
    try:
        yield
    finally:
        lock.release()


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def broken_off(error: OSError) -> BrokenOff:
    """What is said where the disk is full or the folder may not be written."""
    return BrokenOff(
        "The fleet folder cannot be written; the run was broken off",
        where=str(error.filename or "the fleet folder"),
        value=error.strerror or str(error),
        what_to_do="Free some space or grant the right to write, then run again; nothing is lost.",
    )
