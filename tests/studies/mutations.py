"""Damaged logs: a sound one, and what can happen to it on its way. Everything by seed."""

import gzip
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

Mutation = Callable[[bytes, Generator], bytes]
LIGHT = 0.08
"""Share of the rows a light mutation touches: more than nine tenths stay intact."""


def _lines(data: bytes) -> list[bytes]:
    return data.split(b"\n")


def _rows(rng: Generator, lines: list[bytes], share: float = LIGHT) -> list[int]:
    """Some rows, the header and what stands above it aside."""
    first = next((i for i, line in enumerate(lines) if line[:1].isdigit()), 1)
    if first >= len(lines):
        return []
    count = max(1, int(rng.uniform(0.001, share) * (len(lines) - first)))
    return sorted(rng.choice(np.arange(first, len(lines)), count, replace=False).tolist())


def flip_bytes(data: bytes, rng: Generator) -> bytes:
    """One byte of some rows becomes another."""
    lines = _lines(data)
    for i in _rows(rng, lines):
        if lines[i]:
            at = int(rng.integers(len(lines[i])))
            lines[i] = lines[i][:at] + bytes([int(rng.integers(256))]) + lines[i][at + 1 :]
    return b"\n".join(lines)


def flip_digits(data: bytes, rng: Generator) -> bytes:
    """One digit of some rows becomes another."""
    lines = _lines(data)
    for i in _rows(rng, lines):
        digits = [k for k, b in enumerate(lines[i]) if 48 <= b <= 57]
        if digits:
            at = int(rng.choice(digits))
            lines[i] = lines[i][:at] + b"%d" % rng.integers(10) + lines[i][at + 1 :]
    return b"\n".join(lines)


def cut_rows(data: bytes, rng: Generator) -> bytes:
    """Some rows end early."""
    lines = _lines(data)
    for i in _rows(rng, lines):
        lines[i] = lines[i][: int(rng.integers(len(lines[i]) + 1))]
    return b"\n".join(lines)


def drop_rows(data: bytes, rng: Generator) -> bytes:
    """Some rows are gone."""
    lines = _lines(data)
    gone = set(_rows(rng, lines))
    return b"\n".join(line for i, line in enumerate(lines) if i not in gone)


def repeat_rows(data: bytes, rng: Generator) -> bytes:
    """Some rows come twice."""
    lines = _lines(data)
    twice = set(_rows(rng, lines))
    return b"\n".join(x for i, line in enumerate(lines) for x in [line] * (1 + (i in twice)))


def swap_fields(data: bytes, rng: Generator) -> bytes:
    """Two fields of some rows change places."""
    lines = _lines(data)
    for i in _rows(rng, lines, 0.01):
        mark = max(b",;\t|", key=lines[i].count).to_bytes()
        cells = lines[i].split(mark)
        if len(cells) > 2:
            a, b = rng.choice(len(cells), 2, replace=False)
            cells[a], cells[b] = cells[b], cells[a]
            lines[i] = mark.join(cells)
    return b"\n".join(lines)


def swap_rows(data: bytes, rng: Generator) -> bytes:
    """Neighbours change places here and there."""
    lines = _lines(data)
    for i in _rows(rng, lines, LIGHT / 2):
        if i + 1 < len(lines) - 1:
            lines[i], lines[i + 1] = lines[i + 1], lines[i]
    return b"\n".join(lines)


def blank_fields(data: bytes, rng: Generator) -> bytes:
    """One field of some rows is empty."""
    lines = _lines(data)
    for i in _rows(rng, lines):
        mark = max(b",;\t|", key=lines[i].count).to_bytes()
        cells = lines[i].split(mark)
        cells[int(rng.integers(1, max(2, len(cells)))) if len(cells) > 1 else 0] = b""
        lines[i] = mark.join(cells)
    return b"\n".join(lines)


def insert_noise(data: bytes, rng: Generator) -> bytes:
    """Comments, blank lines, headers, quotes and NULs stand between rows."""
    lines = _lines(data)
    header = next((line for line in lines if b"VSS" in line or b"v" in line), b"x")
    odd = [b"", b"# lap", b"   ", header, b'"', b"\0" * 40, b",,,,", b"end of block", b"\xff\xfe"]
    for i in reversed(_rows(rng, lines, 0.02)):
        lines.insert(i, odd[int(rng.integers(len(odd)))])
    return b"\n".join(lines)


def mix_line_ends(data: bytes, rng: Generator) -> bytes:
    """Every line ends in its own way."""
    ends = [b"\n", b"\r\n", b"\r"]
    return b"".join(line + ends[int(rng.integers(3))] for line in _lines(data)[:-1])


def mix_encodings(data: bytes, rng: Generator) -> bytes:
    """Some rows hold letters of other encodings."""
    lines = _lines(data)
    odd = ["é".encode("cp1252"), "é".encode(), "気".encode("shift_jis"), b"\x00\xe9"]
    for i in _rows(rng, lines, 0.01):
        lines[i] = lines[i] + odd[int(rng.integers(len(odd)))]
    return b"\n".join(lines)


def cut_end(data: bytes, rng: Generator) -> bytes:
    """The end is missing."""
    return data[: int(len(data) * rng.uniform(0.93, 1.0))]


def pad_with_nuls(data: bytes, rng: Generator) -> bytes:
    """The card was set aside beforehand: NULs follow."""
    return data + b"\0" * int(rng.integers(1, 20_000))


def pad_head(data: bytes, rng: Generator) -> bytes:
    """A long preamble nobody announced."""
    return b"".join(b"note %d\n" % i for i in range(int(rng.integers(1, 60)))) + data


LIGHT_MUTATIONS: Mapping[str, Mutation] = {
    f.__name__: f
    for f in (
        flip_bytes, flip_digits, cut_rows, drop_rows, repeat_rows, swap_fields, swap_rows,
        blank_fields, insert_noise, mix_line_ends, mix_encodings, cut_end, pad_with_nuls, pad_head,
    )
}  # fmt: skip
"""They leave nine tenths of the rows as they were."""


def shuffle_rows(data: bytes, rng: Generator) -> bytes:
    """All rows in any order."""
    lines = _lines(data)
    return b"\n".join(lines[:3] + [lines[i] for i in rng.permutation(np.arange(3, len(lines)))])


def cut_anywhere(data: bytes, rng: Generator) -> bytes:
    """A piece out of the file."""
    a, b = sorted(rng.integers(0, len(data), 2).tolist())
    return data[a:b]


def flip_everywhere(data: bytes, rng: Generator) -> bytes:
    """One byte in fifty becomes another, anywhere."""
    raw = np.frombuffer(data, dtype=np.uint8).copy()
    at = rng.integers(0, len(raw), max(1, len(raw) // 50))
    raw[at] = rng.integers(0, 256, len(at))
    return raw.tobytes()


def flip_few(data: bytes, rng: Generator) -> bytes:
    """A few bytes become others, anywhere: of a packed or a Parquet log that is plenty."""
    raw = np.frombuffer(data, dtype=np.uint8).copy()
    at = rng.integers(0, len(raw), int(rng.integers(1, 12)))
    raw[at] = rng.integers(0, 256, len(at))
    return raw.tobytes()


def damage_header(data: bytes, rng: Generator) -> bytes:
    """The header loses or gains letters."""
    head, _, rest = data.partition(b"\n0")
    at = int(rng.integers(len(head) + 1))
    return head[:at] + bytes(rng.integers(32, 127, 2).tolist()) + head[at + 1 :] + b"\n0" + rest


def other_separator(data: bytes, rng: Generator) -> bytes:
    """Another mark between fields, in all rows or in half of them."""
    mark = [b";", b"\t", b"|", b" "][int(rng.integers(4))]
    half = len(data) // 2 if rng.random() < 0.5 else 0
    return data[:half] + data[half:].replace(b",", mark)


def one_long_line(data: bytes, rng: Generator) -> bytes:
    """No line ends at all."""
    return data.replace(b"\n", b",")


def quotes_everywhere(data: bytes, rng: Generator) -> bytes:
    """Quotes at random places."""
    raw = bytearray(data)
    for at in rng.integers(0, len(raw), len(raw) // 200).tolist():
        raw[at] = 34
    return bytes(raw)


def as_utf16(data: bytes, rng: Generator) -> bytes:
    """UTF-16, with or without its mark, whole or cut in the middle of a character."""
    text = data.decode("utf-8", "replace").encode("utf-16" if rng.random() < 0.5 else "utf-16-le")
    return text[: len(text) - int(rng.integers(2))]


def packed(data: bytes, rng: Generator) -> bytes:
    """Packed, then damaged."""
    return flip_few(gzip.compress(data, 1), rng)


HEAVY_MUTATIONS: Mapping[str, Mutation] = {
    f.__name__: f
    for f in (
        shuffle_rows, cut_anywhere, flip_everywhere, flip_few, damage_header, other_separator,
        one_long_line, quotes_everywhere, as_utf16, packed,
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """A damaged log: how it was made, and whether nine tenths of its rows are intact."""

    name: str
    light: bool
    data: bytes


def mutant(sound: bytes, seed: int, *, text: bool = True) -> Mutant:
    """A damaged log by its seed: light in two of three, one or two mutations."""
    rng = np.random.default_rng((77, seed))
    if not text:
        return Mutant("flip_few", False, flip_few(sound, rng))
    light = seed % 3 != 0
    known = LIGHT_MUTATIONS if light else {**LIGHT_MUTATIONS, **HEAVY_MUTATIONS}
    names = rng.choice(list(known), 1 if light else int(rng.integers(1, 4)), replace=True)
    data = sound
    for name in names:
        if data:
            data = known[str(name)](data, rng)
    return Mutant("+".join(map(str, names)), light, data)
