"""What can happen to a log on its way, by seed: 40 ways that harm it, 14 that lose nothing."""

import gzip
import io
import zipfile
from collections.abc import Callable, Mapping

from numpy.random import Generator

Lines = list[str]
"""Header, then rows; no line ends."""
Harm = Callable[[Lines, Generator], "Lines | str | bytes"]


def _some(rng: Generator, lines: Lines, least: float, most: float) -> list[int]:
    """Indexes of a share of the rows."""
    count = max(1, int(rng.uniform(least, most) * (len(lines) - 1)))
    return sorted((1 + rng.choice(len(lines) - 1, count, replace=False)).tolist())


def _at(rng: Generator, lines: Lines) -> int:
    """A row somewhere between the first and the last tenth."""
    return int(len(lines) * rng.uniform(0.1, 0.9))


def _place(lines: Lines, name: str) -> int:
    return lines[0].split(",").index(name)


def _with(line: str, at: int, cell: str) -> str:
    cells = line.split(",")
    cells[at] = cell
    return ",".join(cells)


def _in_cells(name: str, cell: str, most: float) -> Harm:
    def harm(lines: Lines, rng: Generator) -> Lines:
        at, hit = _place(lines, name), set(_some(rng, lines, 0.001, most))
        return [_with(x, at, cell) if i in hit else x for i, x in enumerate(lines)]

    return harm


def _from_a_row(change: Callable[[str], str]) -> Harm:
    def harm(lines: Lines, rng: Generator) -> Lines:
        at = _at(rng, lines)
        return lines[:at] + [change(x) for x in lines[at:]]

    return harm


def _in_rows(change: Callable[[str, Generator], str], most: float) -> Harm:
    def harm(lines: Lines, rng: Generator) -> Lines:
        hit = set(_some(rng, lines, 0.001, most))
        return [change(x, rng) if i in hit else x for i, x in enumerate(lines)]

    return harm


def _under_another_header(change: Callable[[list[str], Generator], list[int]]) -> Harm:
    """From some row on a header stands that orders the columns otherwise, and the rows do too."""

    def harm(lines: Lines, rng: Generator) -> Lines:
        at = _at(rng, lines)
        order = change(lines[0].split(","), rng)
        return lines[:at] + [
            ",".join(x.split(",")[i] for i in order) for x in lines[:1] + lines[at:]
        ]

    return harm


def _two_swapped(names: list[str], rng: Generator) -> list[int]:
    order = list(range(len(names)))
    a, b = rng.choice(len(names), 2, replace=False)
    order[a], order[b] = order[b], order[a]
    return order


def _shuffled(names: list[str], rng: Generator) -> list[int]:
    return [int(i) for i in rng.permutation(len(names))]


def _one_gone(names: list[str], rng: Generator) -> list[int]:
    gone = int(rng.integers(1, len(names)))
    return [i for i in range(len(names)) if i != gone]


def _renamed(lines: Lines, rng: Generator) -> Lines:
    at, names = _at(rng, lines), lines[0].split(",")
    a, b = sorted(rng.choice(range(1, len(names)), 2, replace=False).tolist())
    names[a], names[b] = f"{names[a]} 2", names[b]
    swapped = [_with(_with(x, a, x.split(",")[b]), b, x.split(",")[a]) for x in lines[at:]]
    return [*lines[:at], ",".join(names), *swapped]


def _lost_ends(lines: Lines, rng: Generator) -> str:
    a = _at(rng, lines)
    b = min(len(lines), a + int(rng.integers(2, 400)))
    return "\n".join([*lines[:a], "".join(lines[a:b]), *lines[b:]]) + "\n"


def _utf16(lines: Lines, rng: Generator) -> bytes:
    data = ("\n".join(lines) + "\n").encode("utf-16")
    at = int(rng.integers(len(data) // 4, len(data)))
    return data[:at] + data[at + 1 :]


def _nul_block(lines: Lines, rng: Generator) -> bytes:
    data = ("\n".join(lines) + "\n").encode()
    at, length = int(rng.integers(len(data) // 4, len(data))), int(rng.integers(10, 20_000))
    return data[:at] + b"\0" * min(length, len(data) - at) + data[at + length :]


def _bytes(count_most: int) -> Harm:
    def harm(lines: Lines, rng: Generator) -> bytes:
        data = bytearray(("\n".join(lines) + "\n").encode())
        for at in rng.integers(len(lines[0]), len(data), int(rng.integers(1, count_most))).tolist():
            data[at] = int(rng.integers(256))
        return bytes(data)

    return harm


def _packed_and_cut(lines: Lines, rng: Generator) -> bytes:
    data = gzip.compress(("\n".join(lines) + "\n").encode())
    return data[: int(len(data) * rng.uniform(0.3, 0.95))]


def _packed_and_hit(lines: Lines, rng: Generator) -> bytes:
    data = bytearray(gzip.compress(("\n".join(lines) + "\n").encode()))
    data[int(rng.integers(20, len(data)))] ^= 1 << int(rng.integers(8))
    return bytes(data)


def _zipped_and_hit(lines: Lines, rng: Generator) -> bytes:
    data = bytearray(_zip("\n".join(lines) + "\n"))
    data[int(rng.integers(40, len(data) - 100))] ^= 1 << int(rng.integers(8))
    return bytes(data)


def _zip(text: str) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("T01_ride.csv", text)
    return buffer.getvalue()


def _other_separator(lines: Lines, rng: Generator) -> Lines:
    mark = ";|\t"[int(rng.integers(3))]
    at = _at(rng, lines)
    return lines[:at] + [x.replace(",", mark) for x in lines[at:]]


def _digit(line: str, rng: Generator) -> str:
    digits = [i for i, c in enumerate(line) if c.isdigit()]
    at = int(rng.choice(digits))
    return line[:at] + str(rng.integers(10)) + line[at + 1 :]


def _blocks_swapped(lines: Lines, rng: Generator) -> Lines:
    size = int(rng.integers(2, 60))
    blocks = [lines[i : i + size] for i in range(1, len(lines), size)]
    for i in range(0, len(blocks) - 1, 2):
        blocks[i], blocks[i + 1] = blocks[i + 1], blocks[i]
    return [lines[0], *(x for block in blocks for x in block)]


def _block_twice(lines: Lines, rng: Generator) -> Lines:
    a = _at(rng, lines)
    b = min(len(lines), a + int(rng.integers(5, 300)))
    return lines[:b] + lines[a:]


def _end_gone(lines: Lines, rng: Generator) -> str:
    text = "\n".join(lines) + "\n"
    return text[: int(len(text) * rng.uniform(0.9, 1.0))]


def _head_gone(lines: Lines, rng: Generator) -> str:
    return ("\n".join(lines) + "\n")[int(rng.integers(1, len(lines[0]))) :]


def _header_hit(lines: Lines, rng: Generator) -> Lines:
    at = int(rng.integers(len(lines[0])))
    return [lines[0][:at] + "#" + lines[0][at + 1 :], *lines[1:]]


def _rows_twice(lines: Lines, rng: Generator) -> Lines:
    hit = set(_some(rng, lines, 0.01, 0.3))
    return [x for i, line in enumerate(lines) for x in [line] * (1 + (i in hit))]


def _neighbours_swapped(lines: Lines, rng: Generator) -> Lines:
    swapped = list(lines)
    for i in _some(rng, lines, 0.01, 0.2):
        if i + 1 < len(swapped):
            swapped[i], swapped[i + 1] = swapped[i + 1], swapped[i]
    return swapped


def _words(lines: Lines, rng: Generator) -> Lines:
    at, row = _place(lines, "front_brake"), _at(rng, lines)
    words = {"0": "los", "1": "pulled hard"}
    return lines[:row] + [_with(x, at, words.get(x.split(",")[at], "")) for x in lines[row:]]


def _decimal_comma(line: str) -> str:
    return line.replace(".", ",")


HARMS: Mapping[str, Harm] = {
    "a column more from a row on": _from_a_row(lambda x: x + ",7"),
    "a blank column more from a row on": _from_a_row(lambda x: x + ",,"),
    "a column fewer from a row on": _from_a_row(lambda x: x.rpartition(",")[0]),
    "the first column gone from a row on": _from_a_row(lambda x: x.partition(",")[2]),
    "a column more in some rows": _in_rows(lambda x, _: x + ",7", 0.3),
    "a column fewer in some rows": _in_rows(lambda x, _: x.rpartition(",")[0], 0.3),
    "rows cut short": _in_rows(lambda x, r: x[: int(r.integers(len(x)))], 0.3),
    "rows without their beginning": _in_rows(lambda x, r: x[int(r.integers(1, len(x))) :], 0.3),
    "a separator lost": _in_rows(lambda x, _: x.replace(",", "", 1), 0.2),
    "a byte of UTF-16 lost": _utf16,
    "line ends lost": _lost_ends,
    "two columns swapped under a header of their own": _under_another_header(_two_swapped),
    "columns in another order under a header of their own": _under_another_header(_shuffled),
    "a column gone under a header of its own": _under_another_header(_one_gone),
    "a column renamed and two swapped": _renamed,
    "oops in speed": _in_cells("wheel_speed", "oops", 0.3),
    "oops in engine speed": _in_cells("engine_speed", "##.#", 0.3),
    "a word in the front brake": _in_cells("front_brake", "E", 0.3),
    "a word in cruise": _in_cells("cruise_engaged", "fail", 0.3),
    "other words for the brake from a row on": _words,
    "blank times": _in_cells("time", "", 0.3),
    "times that are none": _in_cells("time", "2026-13-45T25:61:61Z", 0.3),
    "times of another day": _in_cells("time", "2026-05-07T03:00:00.000Z", 0.05),
    "a block of NUL bytes": _nul_block,
    "NUL bytes in rows": _in_rows(lambda x, _: x[:20] + "\0\0" + x[22:], 0.2),
    "a quote in rows": _in_rows(lambda x, _: x[:30] + '"' + x[30:], 0.1),
    "a few bytes changed": _bytes(20),
    "many bytes changed": _bytes(600),
    "digits changed": _in_rows(_digit, 0.05),
    "another separator from a row on": _other_separator,
    "decimal commas from a row on": _from_a_row(_decimal_comma),
    "packed and cut": _packed_and_cut,
    "packed and a bit changed": _packed_and_hit,
    "zipped and a bit changed": _zipped_and_hit,
    "blocks of rows swapped": _blocks_swapped,
    "a block written twice": _block_twice,
    "rows written twice": _rows_twice,
    "neighbouring rows swapped": _neighbours_swapped,
    "the end gone": _end_gone,
    "the header's beginning gone": _head_gone,
    "the header hit": _header_hit,
}


def _text(change: Callable[[Lines], "Lines | str | bytes"]) -> Harm:
    return lambda lines, _: change(lines)


def _unpadded(lines: Lines) -> Lines:
    """Milliseconds without leading zeros."""
    return [lines[0], *(f"{x[:20]}{int(x[20:23])}{x[23:]}" for x in lines[1:])]


def _between(lines: Lines, rng: Generator) -> Lines:
    odd = ["# lap", "", lines[0], "   "]
    done = list(lines)
    for i in reversed(_some(rng, lines, 0.001, 0.02)):
        done.insert(i, odd[int(rng.integers(len(odd)))])
    return done


def _reordered(lines: Lines, rng: Generator) -> Lines:
    order = _shuffled(lines[0].split(","), rng)
    return [",".join(x.split(",")[i] for i in order) for x in lines]


NO_HARM: Mapping[str, Harm] = {
    "as it is": _text(lambda x: x),
    "line ends CRLF": _text(lambda x: "\r\n".join(x) + "\r\n"),
    "line ends CR": _text(lambda x: "\r".join(x) + "\r"),
    "UTF-16": _text(lambda x: ("\n".join(x) + "\n").encode("utf-16")),
    "a byte order mark": _text(lambda x: ("\n".join(x) + "\n").encode("utf-8-sig")),
    "a separator at every row's end": _text(lambda x: [f"{line}," for line in x]),
    "quotes": _text(lambda x: [",".join(f'"{c}"' for c in line.split(",")) for line in x]),
    "semicolons": _text(lambda x: [line.replace(",", ";") for line in x]),
    "another order of columns": _reordered,
    "columns that are not mapped": _text(lambda x: [f"{line},{i}" for i, line in enumerate(x)]),
    "comments, blanks and headers between": _between,
    "newest first": _text(lambda x: [x[0], *reversed(x[1:])]),
    "milliseconds without zeros": _text(_unpadded),
    "packed": _text(lambda x: gzip.compress(("\n".join(x) + "\n").encode())),
    "NUL bytes at the end": _text(lambda x: ("\n".join(x) + "\n").encode() + b"\0" * 4096),
}  # fmt: skip


def harmed(lines: Lines, harm: Harm, rng: Generator) -> bytes:
    """The bytes of a log after it."""
    done = harm(lines, rng)
    if isinstance(done, list):
        done = "\n".join(done) + "\n"
    return done.encode() if isinstance(done, str) else done
