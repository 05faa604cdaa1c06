"""The rows of a CSV: which lines are rows, and which are left out and counted.

polars reads a short row as blanks and a long one cut, silently. So every line is counted
here first. Where all of them have the header's number of fields the bytes go to polars as
they are; otherwise only the lines that do, and the others are left out and counted.
"""

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.units import units_for
from ridecheck.intake.readers.table import plain_name

UNIT_SEPARATOR = b"\x1f"
"""Stands between fields of cleaned rows; it is in no text file."""
LONGEST_LINE_BYTES = 1 << 20
"""A longer line is no row of any logger; it is left out unread."""
LONG_ROW_BYTES, LONG_ROW_TIMES = 500, 10
"""A row longer than both, the latter in usual rows, is no row: its line end was lost."""
QUOTED_LINES = 50
"""A quoted field may run over this many lines; a longer one is a stray quote."""


DAMAGED = frozenset(
    {
        "another number of fields",
        "NUL bytes",
        "a quote that is never closed",
        "a stretch without line ends",
        "another header",
    }
)
"""Kinds of lines that were rows once; what else is left out never held a sample."""


@dataclass(slots=True)
class LeftOut:
    """Lines that are no rows: how many of each kind, and the first line of each.

    size: bytes of those that were rows once. fields: of the first with another number.
    """

    counts: dict[str, int] = field(default_factory=dict)
    first: dict[str, int] = field(default_factory=dict)
    size: int = 0
    fields: int = 0

    def add(self, kind: str, line: int, *, size: int = 0, fields: int = 0) -> None:
        """Count one line."""
        self.counts[kind] = self.counts.get(kind, 0) + 1
        self.first.setdefault(kind, line)
        if kind in DAMAGED:
            self.size += size
        self.fields = self.fields or fields

    @property
    def rows(self) -> int:
        """How many of the lines were rows once."""
        return sum(count for kind, count in self.counts.items() if kind in DAMAGED)

    def first_damaged(self, fields: int) -> str:
        """Where the first row that could not be read is, and what is wrong with it."""
        lines = {line: kind for kind, line in self.first.items() if kind in DAMAGED}
        if not lines:
            return ""
        line = min(lines)
        what = lines[line]
        if what == "another number of fields" and self.fields:
            what = f"{self.fields} fields, the header has {fields}"
        return f"line {line}: {what}"


@dataclass(slots=True)
class Rows:
    """Rows ready for polars: every one has ``fields`` fields, ends are LF.

    line: number of the line each row came from (from 1; a row over several lines: its
    first). restarts: indexes of rows before which the header was met again; comments:
    (index of the row that follows, text of a line starting with #). astray: the last of
    them stand under another header.
    """

    body: bytes
    separator: str
    fields: int
    line: NDArray[np.uint32]
    left_out: LeftOut
    restarts: tuple[int, ...] = ()
    comments: tuple[tuple[int, str], ...] = ()
    astray: bool = False


@dataclass(frozen=True, slots=True)
class Heading:
    """What stands above the rows: the header line, its names, the units row if there is one.

    times: places of the columns that hold the time; mapped: of every mapped column.
    """

    text: str
    names: tuple[str, ...]
    unit_cells: tuple[str, ...] = ()
    times: tuple[int, ...] = ()
    mapped: tuple[int, ...] = ()


def plain_rows(
    body: bytes, separator: str, fields: int, *, first_line: int, trails: bool = False
) -> Rows | None:
    """The rows as they stand, where all lines together have the right number of fields.

    None where a closer look is needed. That a count is right for all lines together does
    not prove it for each: see ``each_is_whole``. One empty trailing field on every row is
    allowed for, as is one only in the header.
    """
    mark = separator.encode()
    if (
        len(mark) != 1
        or not body
        or b'"' in body
        or b"\0" in body
        or body.startswith(b"#")
        or (b"#" in body and b"\n#" in body)  # one byte is found ten times as fast as two
        or (b"\r" in body and not _ends_alike(body))
        or not body.endswith(b"\n")
    ):
        return None
    lines = _count(body, b"\n")
    parted, odd = divmod(_count(body, mark), lines)
    allowed = {fields, fields + 1} | ({fields - 1} if trails else set())
    if odd or parted + 1 not in allowed or parted == 0:
        return None
    if parted + 1 > fields and not _all_whole(body, mark, parted, blank_last=True):
        return None
    return Rows(
        body=body,
        separator=separator,
        fields=parted + 1,
        line=np.arange(first_line, first_line + lines, dtype=np.uint32),
        left_out=LeftOut(),
    )


def _ends_alike(body: bytes) -> bool:
    """Does a line feed follow every carriage return?"""
    seen, at_once = np.frombuffer(body, dtype=np.uint8), 1 << 17
    for at in range(0, len(seen), at_once):
        block = seen[at : at + at_once + 1]
        if ((block[:-1] == 13) & (block[1:] != 10)).any():
            return False
    return not body.endswith(b"\r")


def _count(body: bytes, mark: bytes) -> int:
    """How often a byte stands in a text: bytes.count is slow where it does so often."""
    seen, at_once = np.frombuffer(body, dtype=np.uint8), 1 << 17
    return sum(
        int(np.count_nonzero(seen[at : at + at_once] == mark[0]))
        for at in range(0, len(seen), at_once)
    )


def each_is_whole(rows: Rows, last_is_filled: bool) -> bool:
    """Does every one of plain rows have the right number of fields?

    polars gives a short row blanks at its end. So where the last column has no blank, no
    row is short, and as the count is right for all together none is long either. Else the
    lines are looked at one by one.
    """
    return last_is_filled or _all_whole(rows.body, rows.separator.encode(), rows.fields - 1)


def _all_whole(body: bytes, mark: bytes, parted: int, *, blank_last: bool = False) -> bool:
    """True where every line has ``parted`` separators (and ends with a blank field)."""
    seen = np.frombuffer(body, dtype=np.uint8)
    ends = np.flatnonzero((seen == mark[0]) | (seen == 10))
    if (seen[ends[parted :: parted + 1]] != 10).any():
        return False
    return not blank_last or _blank_after_last(seen, ends, parted)


def _blank_after_last(seen: NDArray[np.uint8], ends: NDArray[np.int64], parted: int) -> bool:
    """True where the field after the last separator of every row is empty (CR aside)."""
    last = ends[parted - 1 :: parted + 1]
    width = ends[parted :: parted + 1] - last - 1
    return bool(((width == 0) | ((width == 1) & (seen[last + 1] == 13))).all())


def careful_rows(
    body: bytes,
    separator: str,
    fields: int,
    *,
    first_line: int,
    heading: Heading,
    trails: bool = False,
    complete: bool = False,
    astray: bool = False,
) -> Rows:
    """Rows with the right number of fields; every other line is left out and counted.

    heading: no sample when met again. Where another one is met, the rows under it are left
    out until the first comes again: they would be read under wrong names. trails: the header
    ends with a separator. complete False: the body is the end of the file, so a last line
    without its end is used only if it seems whole. astray: the rows before stood under
    another header.
    """
    text = body.replace(b"\r\n", b"\n").replace(b"\r", b"\n").replace(UNIT_SEPARATOR, b" ")
    open_end = not text.endswith(b"\n") and not complete
    lines = text.split(b"\n")
    if lines and not lines[-1]:
        lines.pop()
    if separator == "spaces":
        lines = [_tabbed(line) for line in lines]
        separator = "\t"
    builder = _Builder(separator.encode(), fields, trails, heading, astray)
    builder.run(lines, first_line)
    if open_end:
        builder.judge_last(first_line + len(lines) - 1)
    return builder.rows()


def _tabbed(line: bytes) -> bytes:
    from ridecheck.intake.readers.csv_text import split_spaces

    text = line.decode("utf-8", "replace")
    return "\t".join(split_spaces(text)).encode() if text.strip() else b""


class _Builder:
    """Goes through the lines once and keeps those that are rows."""

    def __init__(
        self, separator: bytes, fields: int, trails: bool, heading: Heading, astray: bool
    ) -> None:
        self.separator = separator
        self.fields = fields
        self.trails = trails
        self.heading = heading
        self.astray = astray
        self.kept: list[bytes] = []
        self.width: list[int] = []
        self.line: list[int] = []
        self.left_out = LeftOut()
        self.restarts: list[int] = []
        self.comments: list[tuple[int, str]] = []

    def run(self, lines: list[bytes], first_line: int) -> None:
        at = 0
        while at < len(lines):
            line = lines[at]
            number = first_line + at
            at += 1
            if self._is_no_row(line, number, last=at == len(lines)):
                continue
            if b'"' not in line:
                self._keep(line.split(self.separator), number)
                continue
            cells, more = self._quoted(lines, at - 1)
            at += more
            if cells is None:
                self.left_out.add("a quote that is never closed", number, size=len(line))
            else:
                self._keep(cells, number)

    def _is_no_row(self, line: bytes, number: int, *, last: bool) -> bool:
        bare = line.strip()
        if last and not bare.strip(b"\0"):
            self.left_out.add("NUL bytes alone" if b"\0" in line else "blank", number)
        elif not bare:
            self.left_out.add("blank", number)
        elif b"\0" in line:  # a block of them stands for as many rows as it is long
            size = len(line.rstrip(b"\0") if last else line)
            self.left_out.add("NUL bytes", number, size=size)
        elif len(line) > LONGEST_LINE_BYTES:
            self.left_out.add("another number of fields", number, size=len(line))
        elif bare.startswith(b"#"):
            self.left_out.add("comment", number)
            self.comments.append((len(self.kept), bare.decode("utf-8", "replace")))
        else:
            return False
        return True

    def _quoted(self, lines: list[bytes], at: int) -> tuple[list[bytes] | None, int]:
        """Cells of a row with quotes, and how many further lines it took."""
        whole = lines[at]
        more = 0
        while whole.count(b'"') % 2:
            more += 1
            if more > QUOTED_LINES or at + more >= len(lines):
                return None, 0
            whole += b"\n" + lines[at + more]
        try:
            rows = list(csv.reader([whole.decode()], delimiter=self.separator.decode()))
        except (csv.Error, UnicodeDecodeError):
            return None, 0
        cells = rows[0] if rows else []
        return [c.replace("\n", " ").strip().encode() for c in cells], more

    def _keep(self, cells: list[bytes], number: int) -> None:
        count = len(cells)
        if count == 1 < self.fields and _is_remark(cells[0]):
            self.left_out.add("remark", number)
            return
        if not _DIGIT.search(cells[0]) or not _DIGIT.search(cells[-1]) or self.astray:
            again = what_heads(cells, self.heading)
            if again == "another header":
                self.left_out.add(again, number)
                # Rows of the first one's width cannot stand under one of another width.
                self.astray = abs(count - self.fields) <= (not cells[-1].strip())
                return
            if again:
                self.left_out.add(again, number)
                if again == "header again":
                    self.restarts.append(len(self.kept))
                    self.astray = False
                return
        if self.astray:
            self.left_out.add("another header", number, size=sum(map(len, cells)) + count)
            return
        trailing = count == self.fields + 1 and not cells[-1].strip()
        if count != self.fields and not trailing and not (count == self.fields - 1 and count):
            size = sum(map(len, cells)) + count
            self.left_out.add("another number of fields", number, size=size, fields=count)
            return
        self.kept.append(UNIT_SEPARATOR.join(cells[: self.fields]))
        self.width.append(count)
        self.line.append(number)

    def judge_last(self, number: int) -> None:
        """Drop a last line that has no end and does not seem whole."""
        if not self.line or self.line[-1] != number or self._seems_whole():
            return
        if len(self.kept[-1]) > LONG_ROW_BYTES:
            return  # see _leave_out_stretches
        self.kept.pop()
        self.width.pop()
        self.line.pop()
        self.left_out.add("last line cut", number)

    def _seems_whole(self) -> bool:
        """The last row has all its fields, and its last field is as long as those before.

        A number cut short is still a number: where the column is written with a fixed
        number of decimals, or is never blank, the last one has to be so too.
        """
        if len(self.width) < 2:
            return self.width[-1] >= self.fields
        if self.width[-1] != self.width[-2]:
            return False
        last = self.kept[-1].rpartition(UNIT_SEPARATOR)[2].strip()
        before = [k.rpartition(UNIT_SEPARATOR)[2].strip() for k in self.kept[-51:-1]]
        if all(before) and not last:
            return False
        return len(set(map(_decimals, before))) > 1 or _decimals(last) == _decimals(before[0])

    def rows(self) -> Rows:
        """The rows of the one width that counts; the others are left out.

        That is the header's, save where the rows as a whole carry one empty field more, or
        where the header alone ends with a separator.
        """
        self._leave_out_stretches()
        width = self._right_width()
        keep = np.array(self.width, dtype=np.int64) == width
        before = np.concatenate(([0], np.cumsum(keep)))
        for index in np.flatnonzero(~keep & (np.array(self.width, dtype=np.int64) >= 0)):
            size, fields = len(self.kept[index]) + 1, self.width[index]
            self.left_out.add(
                "another number of fields", self.line[index], size=size, fields=fields
            )
        kept = [k for k, good in zip(self.kept, keep, strict=True) if good]
        return Rows(
            body=b"\n".join(kept) + (b"\n" if kept else b""),
            separator=UNIT_SEPARATOR.decode(),
            fields=min(width, self.fields),
            line=np.array(self.line, dtype=np.uint32)[keep],
            left_out=self.left_out,
            restarts=tuple(dict.fromkeys(int(before[i]) for i in self.restarts)),
            comments=tuple((int(before[i]), text) for i, text in self.comments),
            astray=self.astray,
        )

    def _leave_out_stretches(self) -> None:
        """A row far longer than the others ran on: a lost byte hides the line ends after it."""
        sizes = np.array([len(k) for k in self.kept], dtype=np.int64)
        usual = float(np.median(sizes)) if len(sizes) else 0.0
        for index in np.flatnonzero(sizes > max(LONG_ROW_BYTES, LONG_ROW_TIMES * usual)):
            self.left_out.add(
                "a stretch without line ends", self.line[index], size=int(sizes[index])
            )
            self.width[index] = -1

    def _right_width(self) -> int:
        allowed = {self.fields, self.fields + 1} | ({self.fields - 1} if self.trails else set())
        counts = Counter(w for w in self.width if w in allowed)
        if not counts or counts[self.fields] * 2 >= sum(counts.values()):
            return self.fields
        return counts.most_common(1)[0][0]


def _is_remark(line: bytes) -> bool:
    """Whether a line without a separator is words, not what is left of a row."""
    if len(line) > REMARK_BYTES or not _REMARK.match(line.strip()):
        return False
    return len(_DIGIT.findall(line)) <= len(_LETTER.findall(line))


REMARK_BYTES = 200
_REMARK = re.compile(rb"[^\w;|,\t]*[A-Za-z]{2,}[^;|,\t\x80-\xff]*\Z")
_LETTER = re.compile(rb"[A-Za-z]")
_DIGIT = re.compile(rb"\d")
_NUMBER = re.compile(r"[-+]?[\d.,]*\d[\d.,]*(?:[eE][-+]?\d+)?\Z")


def what_heads(cells: Sequence[bytes], heading: Heading) -> str:
    """ "header again", "units row again", "another header" (or units row), "" for a row.

    A header holds no number and at least half of the names; a units row has no digit where
    the time stands, and known units where numbers do.
    """
    said = [c.decode("utf-8", "replace") for c in cells]
    names = tuple(map(plain_name, said))
    if names == heading.names:
        return "header again"
    filled = [n for n in names if n]
    if len(filled) < 2 or any(_NUMBER.match(n) for n in filled):
        return ""
    met = len(set(filled) & set(heading.names))
    if met and 2 * met >= min(len(filled), sum(map(bool, heading.names))):
        return "another header"
    units = tuple(s.strip() for s in said)
    if heading.unit_cells and units == heading.unit_cells[: len(units)]:
        return "units row again"
    mapped = [units[at] for at in heading.mapped if at < len(units)]
    timed = any(c.isdigit() for at in heading.times if at < len(units) for c in units[at])
    if not timed and any(units_for(m) for m in mapped if m):
        return "another header"
    return ""


def _decimals(cell: bytes) -> int:
    """Digits after the last point or comma; -1 for none."""
    at = max(cell.rfind(b"."), cell.rfind(b","))
    return len(cell) - at - 1 if at >= 0 else -1
