"""What lies in the inbox: which files may be logs, and how their names are shown."""

import os
import stat
from dataclasses import dataclass
from pathlib import Path

LOG_SUFFIXES = frozenset({"csv", "tsv", "txt", "log", "parquet", "mf4"})
PACKED_SUFFIXES = frozenset({"gz", "zst", "zip"})


@dataclass(frozen=True, slots=True)
class FoundLog:
    """A file of the inbox that may hold logs, and what the disk says of it now.

    name: path under the inbox with "/" between folders, as it is shown everywhere
    (bytes that are no UTF-8 as \\xNN). path: the same file, for opening.
    """

    name: str
    path: Path
    size: int
    mtime_ns: int
    inode: int


@dataclass(frozen=True, slots=True)
class Found:
    """The files that may be logs, by name; what was ignored; folders without rights."""

    logs: tuple[FoundLog, ...]
    ignored_names: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()

    @property
    def ignored(self) -> int:
        """How many were ignored."""
        return len(self.ignored_names)


def find_logs(inbox: Path) -> Found:
    """Files of an inbox that may be logs, subfolders included, in the order of their names.

    Names that begin with a dot, links, other suffixes and everything that is no regular
    file are ignored and counted (a folder counts as one). A folder without rights is
    named, not fatal.
    """
    logs: list[FoundLog] = []
    unreadable: list[str] = []
    ignored: list[str] = []
    folders = [Path(inbox)]
    while folders:
        folder = folders.pop()
        try:
            entries = sorted(os.scandir(folder), key=lambda e: os.fsencode(e.name))
        except OSError:
            unreadable.append(shown_name(os.path.relpath(folder, inbox)))
            continue
        for entry in entries:
            path = Path(entry.path)
            if entry.name.startswith(".") or entry.is_symlink():
                ignored.append(shown_name(os.path.relpath(path, inbox)))
            elif entry.is_dir(follow_symlinks=False):
                folders.append(path)
            elif _may_be_log(entry):
                logs.append(found_log(path, os.path.relpath(path, inbox)))
            else:
                ignored.append(shown_name(os.path.relpath(path, inbox)))
    logs.sort(key=lambda log: log.name)
    return Found(
        logs=tuple(logs),
        ignored_names=tuple(sorted(ignored)),
        unreadable=tuple(sorted(unreadable)),
    )


def found_log(path: Path, name: str) -> FoundLog:
    """One file by path, under the name it is to be shown by."""
    facts = path.stat()
    return FoundLog(shown_name(name), path, facts.st_size, facts.st_mtime_ns, facts.st_ino)


def shown_name(name: str | bytes) -> str:
    """A file name as text; bytes that are no UTF-8 become \\xNN, so that it can be printed.

    >>> shown_name(b"ride \\xff.csv")
    'ride \\\\xff.csv'
    """
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def _may_be_log(entry: "os.DirEntry[str]") -> bool:
    try:
        regular = stat.S_ISREG(entry.stat(follow_symlinks=False).st_mode)
    except OSError:
        return False
    suffix = entry.name.rpartition(".")[2].lower()
    return regular and "." in entry.name and suffix in LOG_SUFFIXES | PACKED_SUFFIXES
