"""Files that are either there whole or not at all, whatever stops the program."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

_MARK = ".part-written"


def write_whole(path: Path, content: bytes) -> bool:
    """Put a file in place in one step; False where it already held these bytes.

    Written under a temporary name in the same folder, flushed to the disk, then moved;
    the folder is flushed too, so that neither a kill nor a power cut shows half a file.
    Rights are 0666 less the umask. Raises OSError (disk full, no rights).
    """
    with contextlib.suppress(OSError):
        if path.stat().st_size == len(content) and path.read_bytes() == content:
            return False
    path.parent.mkdir(parents=True, exist_ok=True)
    with placed(path) as temporary:
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
    return True


@contextlib.contextmanager
def placed(path: Path) -> Iterator[Path]:
    """A temporary name beside a path; what stands there at the end is flushed and moved in."""
    temporary = path.with_name(f".{path.name[:150]}.{os.getpid()}{_MARK}")
    temporary.unlink(missing_ok=True)
    try:
        yield temporary
        _flush(temporary)
        temporary.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise
    _flush(path.parent)


def remove(path: Path) -> None:
    """Delete a file if it is there, and flush its folder."""
    with contextlib.suppress(FileNotFoundError):
        path.unlink()
        _flush(path.parent)


def sweep(folder: Path) -> int:
    """Delete what a killed run left half-written in a folder; how many there were."""
    left = [p for p in folder.glob(f".*{_MARK}*") if p.is_file()] if folder.is_dir() else []
    for path in left:
        path.unlink(missing_ok=True)
    return len(left)


def shown(name: str) -> str:
    r"""A file name fit to print and store: bytes that are not UTF-8 appear as \xNN."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def _flush(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
