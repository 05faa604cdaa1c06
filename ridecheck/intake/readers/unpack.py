"""Open a file of the inbox: one log, or the logs of an archive, known by their content.

Nothing is ever unpacked under its own path. What is unpacked is counted while it is
unpacked, so that a small file cannot fill the machine.
"""

import hashlib
import io
import os
import re
import stat
import tempfile
import weakref
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path, PurePosixPath
from typing import IO

import pyarrow as pa

from ridecheck.core.errors import LogError
from ridecheck.intake.readers.inbox import LOG_SUFFIXES, shown_name

LOG_LIMIT_BYTES = 2 * 2**30
"""A packed log may unpack to this much."""
ARCHIVE_LIMIT_BYTES = 4 * 2**30
"""All logs of one archive together may unpack to this much."""
IN_MEMORY_BYTES = 128 * 2**20
"""Unpacked logs larger than this are kept in an unnamed temporary file."""
HEAD_BYTES = 512
"""Enough of a file to say what it is."""
_CHUNK = 1 << 20
_SMALL_CHUNK = 1 << 14

_GZIP, _ZSTD, _ZIP = b"\x1f\x8b", b"\x28\xb5\x2f\xfd", b"PK\x03\x04"
_EMPTY_ZIP = b"PK\x05\x06"
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_NO_LOGS = {
    b"\x89PNG": "a picture (PNG)",
    b"\xff\xd8\xff": "a picture (JPEG)",
    b"GIF8": "a picture (GIF)",
    b"BM": "a picture (BMP)",
    b"RIFF": "a picture, sound or film (RIFF)",
    b"%PDF": "a PDF document",
    b"7z\xbc\xaf": "a 7z archive",
    b"Rar!": "a RAR archive",
    b"\x7fELF": "a program",
    b"MZ": "a program",
    b"SQLite format 3": "a database",
    b"ARROW1": "an Arrow file",
    b"\x89HDF": "an HDF5 file",
    b"PARE": "an encrypted Parquet file",
}
_NO_TABLES = (
    (re.compile(rb"\s*<(!doctype\s+html|html|head|body)", re.IGNORECASE), "a web page"),
    (re.compile(rb"\s*<\?xml"), "an XML file"),
    (re.compile(rb"\s*(\{\s*\"|\[\s*[\[{])"), "JSON"),
)
_WHAT_TO_DO = {
    "an Arrow file": "Have the logger write Parquet or CSV; an Arrow file can be saved as either.",
    "an encrypted Parquet file": "Have the logger write it without a key.",
    "a web page": "Download the log itself: this is the page that offers it, or a sign-in.",
    "JSON": "Have the logger write CSV or Parquet.",
}
_TAR_MARK, _TAR_AT = b"ustar", 257


@dataclass(frozen=True, slots=True)
class _Content:
    """Bytes of one log: in memory, in an unnamed file, or in a file where it lies."""

    size: int
    memory: bytes | None = None
    path: Path | None = None
    spool: IO[bytes] | None = None

    def open(self) -> IO[bytes]:
        if self.memory is not None:
            return io.BytesIO(self.memory)
        if self.spool is not None:
            self.spool.seek(0)
            return os.fdopen(os.dup(self.spool.fileno()), "rb")
        assert self.path is not None, "a content is one of the three"
        return self.path.open("rb")

    def head(self, length: int = HEAD_BYTES) -> bytes:
        if self.memory is not None:
            return self.memory[:length]
        with self.open() as stream:
            return stream.read(length)


class _Sink:
    """Takes what is unpacked, counts it, and goes over to a file where it grows large."""

    def __init__(self, limit: int, shown: str) -> None:
        self.size = 0
        self._limit = limit
        self._shown = shown
        self._pieces: list[bytes] = []
        self._spool: IO[bytes] | None = None

    def write(self, piece: bytes) -> None:
        self.size += len(piece)
        if self.size > self._limit:
            if self._spool is not None:
                self._spool.close()
            raise _too_large(self._shown, self._limit)
        if self._spool is None and self.size > IN_MEMORY_BYTES:
            self._spool = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the member
            self._spool.writelines(self._pieces)
            self._pieces.clear()
        if self._spool is None:
            self._pieces.append(piece)
        else:
            self._spool.write(piece)

    def content(self) -> _Content:
        if self._spool is None:
            return _Content(size=self.size, memory=b"".join(self._pieces))
        self._spool.flush()
        return _Content(size=self.size, spool=self._spool)


def content_of(data: bytes) -> _Content:
    """Bytes that are in memory already, as a member's content."""
    return _Content(size=len(data), memory=data)


class Member:
    """One log: its shown name, and its own (unpacked) bytes.

    name: path under the inbox, or "archive!member". problem: a LogError where this
    member of an archive cannot be used; reading it raises that error. note: something
    said while unpacking ("" where there is nothing to say).
    """

    def __init__(
        self, name: str, content: _Content, *, problem: LogError | None = None, note: str = ""
    ) -> None:
        self.name = name
        self.problem = problem
        self.note = note
        self._content = content
        if content.spool is not None:
            weakref.finalize(self, content.spool.close)

    @property
    def size(self) -> int:
        """Bytes of the log, unpacked."""
        return self._content.size

    @cached_property
    def sha256(self) -> str:
        """Hex SHA-256 of the log's own bytes; of nothing where the member is refused."""
        if self._content.memory is not None:
            return hashlib.sha256(self._content.memory).hexdigest()
        with self.open() as stream:
            digest = hashlib.sha256()
            while piece := stream.read(_CHUNK):
                digest.update(piece)
            return digest.hexdigest()

    def open(self) -> IO[bytes]:
        """A binary stream over the log's bytes, from the first."""
        if self.problem is not None:
            raise self.problem
        return self._content.open()

    def read(self) -> bytes:
        """All bytes of the log."""
        if self.problem is None and self._content.memory is not None:
            return self._content.memory
        with self.open() as stream:
            return stream.read()

    def head(self, length: int = 1 << 18) -> bytes:
        """The first bytes of the log."""
        if self.problem is not None:
            raise self.problem
        return self._content.head(length)


def open_log(path: Path, *, name: str | None = None) -> Iterator[Member]:
    """The logs in one file: itself, or what it holds packed. Raises LogError.

    gzip and zstd hold one log, a zip any number, each under its own path. A member of a
    zip that cannot be used comes with its problem; the others are not touched by it.
    """
    shown = shown_name(name if name is not None else path.name)
    try:
        _refuse_what_is_no_file(path, shown)
        with path.open("rb") as stream:
            head = stream.read(HEAD_BYTES)
        size = path.stat().st_size
    except OSError as fault:
        raise LogError(
            "The file cannot be opened",
            where=shown,
            value=fault.strerror or type(fault).__name__,
            what_to_do="Give the account that runs ridecheck the right to read it.",
        ) from fault
    refuse_what_is_no_log(head, shown)
    if head.startswith(_GZIP):
        yield _unpacked(path, shown, "gzip")
    elif head.startswith(_ZSTD):
        yield _unpacked(path, shown, "zstd")
    elif head.startswith((_ZIP, _EMPTY_ZIP)):
        yield from _zip_members(path, shown)
    elif size <= IN_MEMORY_BYTES:
        data = path.read_bytes()
        yield Member(shown, _Content(size=len(data), memory=data))
    else:
        yield Member(shown, _Content(size=size, path=path))


_KINDS = {
    stat.S_IFIFO: "a named pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFBLK: "a device",
    stat.S_IFCHR: "a device",
    stat.S_IFDIR: "a folder",
}


def _refuse_what_is_no_file(path: Path, shown: str) -> None:
    """LogError for a pipe or a device: to open one may wait for ever, or never end."""
    kind = stat.S_IFMT(path.stat().st_mode)
    if kind != stat.S_IFREG:
        raise LogError(
            "This is no file that holds a log",
            where=shown,
            value=_KINDS.get(kind, "no regular file"),
            what_to_do="Give the logger's own file.",
        )


def refuse_what_is_no_log(head: bytes, shown: str) -> None:
    """Raise LogError for an empty file and for content that is plainly something else."""
    if not head:
        raise LogError(
            "The file is empty",
            where=shown,
            value="0 bytes",
            what_to_do="Copy it from the logger again; if it is empty there too, delete it.",
        )
    if head.startswith(_OLD_WORKBOOK):
        raise _workbook(shown)
    for start, kind in _NO_LOGS.items():
        if head.startswith(start) and _is_binary(head):
            raise _no_log(kind, head, shown)
    for pattern, kind in _NO_TABLES:
        if pattern.match(head.removeprefix(b"\xef\xbb\xbf")):
            raise _no_log(kind, head, shown)
    if head[_TAR_AT : _TAR_AT + len(_TAR_MARK)] == _TAR_MARK:
        raise LogError(
            "This is a tar archive, not a log",
            where=shown,
            value="a tar archive's mark",
            what_to_do="Unpack it, or pack the logs as zip, one gz or one zst each.",
        )


def _no_log(kind: str, head: bytes, shown: str) -> LogError:
    return LogError(
        f"This is {kind}, not a log",
        where=shown,
        value=f"first bytes {head[:4]!r}",
        what_to_do=_WHAT_TO_DO.get(kind, "Take it out of the inbox."),
    )


def _is_binary(head: bytes) -> bool:
    texts = (b"%PDF", b"GIF8", b"Rar!", b"ARROW1", b"PARE")
    return any(b < 9 or 13 < b < 32 for b in head) or head.startswith(texts)


def _workbook(shown: str) -> LogError:
    return LogError(
        "This is a spreadsheet workbook, not a log",
        where=shown,
        value="a workbook's first bytes",
        what_to_do="Use the logger's own file, or save the sheet as CSV.",
    )


def _unpacked(path: Path, shown: str, kind: str) -> Member:
    note = ""
    sink = _Sink(LOG_LIMIT_BYTES, shown)
    with path.open("rb") as raw:
        stream = pa.CompressedInputStream(pa.PythonFile(raw, mode="r"), kind)
        while True:
            try:
                piece = stream.read(_SMALL_CHUNK)  # what a failing read held is lost
            except (OSError, pa.ArrowInvalid) as fault:
                if not sink.size:
                    raise _damaged(shown, kind, fault) from fault
                note = f"the {kind} file is cut or damaged; the rows before the cut are used"
                break
            if not piece:
                break
            sink.write(piece)
    content = sink.content()
    refuse_what_is_no_log(content.head(), shown)
    if content.head().startswith((_GZIP, _ZSTD, _ZIP)):
        raise _nested(shown)
    return Member(shown, content, note=note)


def _zip_members(path: Path, shown: str) -> Iterator[Member]:
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as fault:
        raise _damaged(shown, "zip", fault) from fault
    with archive:
        names = archive.namelist()
        if "[Content_Types].xml" in names or "mimetype" in names:
            raise _workbook(shown)
        left = ARCHIVE_LIMIT_BYTES
        any_log = False
        for entry in archive.infolist():
            base = PurePosixPath(entry.filename).name
            suffix = base.rpartition(".")[2].lower()
            if entry.is_dir() or base.startswith(".") or "__MACOSX" in entry.filename:
                continue
            if suffix not in LOG_SUFFIXES and suffix not in {"gz", "zst", "zip"}:
                continue
            any_log = True
            member = _zip_member(archive, entry, shown, left)
            left -= member.size
            yield member
        if not any_log:
            raise LogError(
                "The archive holds no log",
                where=shown,
                value=f"{len(names)} entries",
                what_to_do="Logs end in csv, tsv, txt, log or parquet; pack those.",
            )


def _zip_member(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, shown: str, left: int) -> Member:
    name = f"{shown}!{_member_name(entry.filename)}"
    try:
        _refuse_path(entry.filename, name)
        if entry.flag_bits & 1:
            raise LogError(
                "The archive has a password",
                where=name,
                value="an encrypted entry",
                what_to_do="Pack the log without one.",
            )
        limit = min(left, LOG_LIMIT_BYTES)
        content = _read_entry(archive, entry, name, limit)
        refuse_what_is_no_log(content.head(), name)
        if content.head().startswith((_GZIP, _ZSTD, _ZIP)):
            raise _nested(name)
        return Member(name, content)
    except LogError as problem:
        return Member(name, _Content(size=0, memory=b""), problem=problem)
    except (
        zipfile.BadZipFile,
        OSError,
        EOFError,
        RuntimeError,  # encrypted
        NotImplementedError,  # an unknown way of packing
        zlib.error,
        ValueError,
    ) as fault:
        return Member(name, _Content(size=0, memory=b""), problem=_damaged(name, "zip", fault))


def _read_entry(
    archive: zipfile.ZipFile, entry: zipfile.ZipInfo, name: str, limit: int
) -> _Content:
    sink = _Sink(limit, name)
    with archive.open(entry) as stream:
        while piece := stream.read(_CHUNK):
            sink.write(piece)
    return sink.content()


def _member_name(name: str) -> str:
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in name)


def _refuse_path(filename: str, name: str) -> None:
    parts = PurePosixPath(filename.replace("\\", "/")).parts
    absolute = filename.startswith(("/", "\\")) or (len(filename) > 1 and filename[1] == ":")
    if absolute or ".." in parts:
        raise LogError(
            "The archive holds a path that leads out of it",
            where=name,
            value=_member_name(filename),
            what_to_do="Pack the logs anew with plain relative paths.",
        )


def _too_large(shown: str, limit: int) -> LogError:
    return LogError(
        "The log unpacks to more than is allowed",
        where=shown,
        value=f"limit {limit / 2**30:g} GiB",
        what_to_do="Unpack it yourself and put the plain file into the inbox.",
    )


def _nested(shown: str) -> LogError:
    return LogError(
        "An archive within an archive is not opened",
        where=shown,
        value="packed twice",
        what_to_do="Unpack it once and put the result into the inbox.",
    )


def _damaged(shown: str, kind: str, fault: Exception) -> LogError:
    return LogError(
        f"The {kind} file cannot be unpacked",
        where=shown,
        value=str(fault).splitlines()[0][:120] if str(fault) else type(fault).__name__,
        what_to_do="Copy it from the logger again; if it has a password, pack it without one.",
    )
