"""The text of a CSV file: its encoding, its header line, its separator."""

import codecs
import csv
import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ridecheck.core.errors import LogError
from ridecheck.intake.readers.table import Wanted, missing_columns, plain_name

if TYPE_CHECKING:
    from ridecheck.fleet import Layout

SEPARATORS = (",", ";", "\t", "|")
"""What ``auto`` tries. Never spaces: they stand inside names and stamps too."""
HEADER_WITHIN_BYTES = 1 << 18
HEADER_WITHIN_LINES = 500
SEPARATOR_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe", "spaces": "spaces"}

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_START = re.compile(
    r"\bstart\b\D{0,24}?"
    r"(\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?: ?(?:Z|[+-]\d\d:?\d\d))?)",
    re.IGNORECASE,
)
_LINE_END = re.compile(r"\r\n|\r|\n")


@dataclass(frozen=True, slots=True)
class Header:
    """Where the header stands and what it says.

    names: plain names in file order, blank ones included. line: its number from 1.
    text: the line itself. end: characters up to and including its line end. before: the
    lines above it.
    """

    names: tuple[str, ...]
    separator: str
    line: int
    text: str
    end: int
    before: tuple[str, ...]


def encoding_of(head: bytes, stated: str) -> tuple[str, int]:
    """Encoding of a file by its first bytes, and the length of its byte order mark."""
    for mark, name in _BOMS:
        if head.startswith(mark):
            return name, len(mark)
    return stated, 0


def to_utf8(data: bytes, stated: str) -> tuple[bytes, str]:
    """A file's bytes as valid UTF-8 without a mark, and the encoding they were read with.

    Bytes that the encoding does not know become the replacement character: they then
    fail as names or values where that matters, and nowhere else.
    """
    encoding, mark = encoding_of(data, stated)
    body = data[mark:] if mark else data
    plain = codecs.lookup(encoding).name
    if plain == "utf-8" and body.isascii():
        return body, plain
    text = body.decode(encoding, "replace")
    if plain == "utf-8" and "\ufffd" not in text:
        return body, plain
    return text.encode("utf-8", "replace"), plain


def looks_like_text(head: bytes, stated: str) -> bool:
    """False for content that is plainly binary (read with the stated encoding)."""
    encoding, mark = encoding_of(head, stated)
    text = head[mark:].decode(encoding, "replace").strip("\0")
    if not text:
        return False
    return len(_ODD.findall(text)) <= 0.1 * len(text)


_ODD = re.compile("[\ufffd\x00-\x08\x0b\x0e-\x19\x1b-\x1f]")


def split_line(line: str, separator: str) -> list[str]:
    """The cells of one line; quotes are honoured."""
    if separator == "spaces":
        return split_spaces(line)
    if '"' in line:
        try:
            return next(csv.reader([line], delimiter=separator), [])
        except csv.Error:
            return line.split(separator)
    return line.split(separator)


def split_spaces(line: str) -> list[str]:
    """Cells parted by two or more blanks or tabs, else by any blanks."""
    stripped = line.strip()
    wide = re.split(r"[ \t]{2,}|\t", stripped)
    return wide if len(wide) > 1 else re.split(r"[ \t]+", stripped)


def find_header(text: str, layout: "Layout", wanted: Wanted, *, shown: str) -> Header:
    """The first line at or after skip_lines that holds every needed column, or LogError."""
    stated = layout.file.separator
    separators = SEPARATORS if stated == "auto" else (stated,)
    needed = frozenset(wanted.needed)
    seen: list[tuple[int, str]] = []
    before: list[str] = []
    flat = " ".join(text.split()) if any(" " in n for n in needed) else text
    there = all(n in flat for n in needed) or not text.isascii()
    lines = numbered_lines(text)
    for number, _start, end, line in lines:
        if number > layout.file.skip_lines and line.count('"') % 2:
            line, end = _whole_names(line, end, lines)
        if not there and len(seen) >= LOOKED_AT_LINES:
            break
        if number > layout.file.skip_lines:
            fitting = [
                (names, sep)
                for sep in (separators if _may_name(line, needed) else ())
                if needed <= set(names := tuple(map(plain_name, split_line(line, sep))))
            ]
            if fitting:
                names, separator = max(fitting, key=lambda f: len(f[0]))
                _refuse_doubled(names, wanted, shown, number)
                return Header(names, separator, number, line, end, tuple(before))
            if line.strip():
                seen.append((number, line))
        before.append(line)
        if number >= layout.file.skip_lines + HEADER_WITHIN_LINES:
            break
    raise _no_header(seen, separators, wanted, shown)


def _may_name(line: str, needed: Iterable[str]) -> bool:
    """Whether all names may stand in a line; compared more loosely than they are."""
    if not line.isascii():
        return True
    flat = " ".join(line.split())
    return all(n in flat for n in needed)


def _whole_names(
    line: str, end: int, lines: Iterator[tuple[int, int, int, str]]
) -> tuple[str, int]:
    """A header line whose quoted names run over some lines, as one; and where it ends."""
    for _number, _start, further_end, more in itertools.islice(lines, MOST_HEADER_LINES):
        line, end = f"{line} {more}", further_end
        if line.count('"') % 2 == 0:
            break
    return line, end


MOST_HEADER_LINES = 40


def numbered_lines(text: str) -> Iterator[tuple[int, int, int, str]]:
    """(number from 1, start, end with line end, line without it) of each line."""
    start, number = 0, 0
    for mark in _LINE_END.finditer(text):
        number += 1
        yield number, start, mark.end(), text[start : mark.start()]
        start = mark.end()
    if start < len(text):
        yield number + 1, start, len(text), text[start:]


def start_lines(lines: Iterable[str]) -> tuple[str, ...]:
    """The ISO times of "start <ISO time>" lines."""
    return tuple(found.group(1) for line in lines if (found := _START.search(line)))


LOOKED_AT_LINES = 60
"""Where no header is found, so many lines are looked at for what comes nearest to one."""


def _refuse_doubled(names: tuple[str, ...], wanted: Wanted, shown: str, line: int) -> None:
    doubled = [name for name in wanted.all if names.count(name) > 1]
    if doubled:
        places = ", ".join(str(i + 1) for i, name in enumerate(names) if name == doubled[0])
        raise LogError(
            f'The column "{doubled[0]}" stands more than once in the header',
            where=f"{shown}, line {line}",
            value=f"columns {places}",
            what_to_do="Give the columns names of their own in the logger's set-up.",
        )


def _no_header(
    seen: list[tuple[int, str]], separators: Iterable[str], wanted: Wanted, shown: str
) -> LogError:
    """The line that comes nearest to a header, and what it lacks."""
    best: tuple[int, int, int, tuple[str, ...]] = (-1, -1, 0, ())
    for number, line in seen[:LOOKED_AT_LINES]:
        for separator in separators:
            names = tuple(map(plain_name, split_line(line, separator)))
            hits = len(set(names) & set(wanted.needed))
            if (hits, len(names)) > best[:2]:
                best = (hits, len(names), number, names)
    _, _, number, names = best
    missing = [name for name in wanted.needed if name not in names]
    return missing_columns(missing, names, where=f"{shown}, line {number}" if number else shown)
