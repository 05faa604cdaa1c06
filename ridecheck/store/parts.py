"""Parts of logs kept as Parquet, each with its facts in the file's own metadata."""

import base64
import contextlib
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from io import BytesIO
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray
from pydantic import TypeAdapter

from ridecheck.core.files import remove, write_whole
from ridecheck.core.model import Part, PartInfo

PART_KEY = b"ridecheck.part"
KEPT_KEY = b"ridecheck.kept"
BIN_S = 2
"""Rows are fingerprinted in bins of this many seconds, counted from 1970."""
_EMPTY = bytes(4)


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """What the rows of a part say, bin by bin: four bytes a bin, zeros where it has no row."""

    first_bin: int
    bins: bytes

    def at(self, number: int) -> bytes:
        """The four bytes of a bin, zeros outside the part."""
        i = 4 * (number - self.first_bin)
        return self.bins[i : i + 4] if i >= 0 and len(self.bins) >= i + 4 else _EMPTY


NO_ROWS = Fingerprint(0, b"")


@dataclass(frozen=True, slots=True)
class KeptPart:
    """A part as it lies in rides/, without its samples.

    names: every path under inbox/ (or bare name) its bytes were met under, in order.
    siblings: how many parts its log gave altogether, so that a log of which only some
    were written before a power cut is read again. first_seen: when its bytes were.
    """

    info: PartInfo
    names: tuple[str, ...]
    siblings: int
    fingerprint: Fingerprint
    first_seen: datetime

    @property
    def log(self) -> str:
        """The name it is called by: the first of its names, whichever arrived first."""
        return self.names[0]


@cache
def _info_adapter() -> TypeAdapter[PartInfo]:
    return TypeAdapter(PartInfo)


def part_path(root: Path, bike: str, stem: str) -> Path:
    """Where a part of a bike is kept."""
    return root / "rides" / bike / f"{stem}.parquet"


def write_part(
    root: Path,
    part: Part,
    *,
    names: tuple[str, ...] = (),
    siblings: int = 1,
    first_seen: datetime | None = None,
) -> KeptPart:
    """Keep a part; names met earlier for the same bytes are kept too. Raises OSError."""
    path = part_path(root, part.info.bike, part.info.stem)
    earlier = _names_of(path)
    every = tuple(sorted({*earlier, *(names or (part.info.log,))}))
    kept = KeptPart(
        info=replace(part.info, log=every[0]),
        names=every,
        siblings=siblings,
        fingerprint=fingerprint(part.samples),
        first_seen=(first_seen or datetime.now(UTC)).replace(microsecond=0),
    )
    write_whole(path, _parquet(part.samples, kept))
    return kept


def replace_samples(root: Path, kept: KeptPart, samples: pl.DataFrame) -> KeptPart:
    """Thin a part: fewer rows, marked, with names and fingerprint as they were."""
    thinned = replace(kept, info=replace(kept.info, thinned=True))
    write_whole(part_path(root, kept.info.bike, kept.info.stem), _parquet(samples, thinned))
    return thinned


def add_name(root: Path, kept: KeptPart, name: str) -> None:
    """Note that a part's bytes were met under one more name."""
    if name not in kept.names:
        path = part_path(root, kept.info.bike, kept.info.stem)
        names = tuple(sorted({*kept.names, name}))
        write_whole(path, _parquet(_frame(path), _named(kept, names)))


def drop_name(root: Path, kept: KeptPart, name: str) -> None:
    """A log gives this part no more; the part goes where no other log gave it."""
    left = tuple(n for n in kept.names if n != name)
    if not left:
        remove_part(root, kept.info.bike, kept.info.stem)
        return
    path = part_path(root, kept.info.bike, kept.info.stem)
    write_whole(path, _parquet(_frame(path), _named(kept, left)))


def read_part(root: Path, bike: str, stem: str) -> Part:
    """A kept part with its samples. Raises OSError where it is missing or damaged."""
    path = part_path(root, bike, stem)
    return Part(info=read_part_info(path).info, samples=_frame(path))


def read_part_info(path: Path) -> KeptPart:
    """A kept part without its samples. Raises OSError where it is missing or damaged."""
    try:
        metadata: Mapping[bytes, bytes] = pq.read_schema(path).metadata or {}
        kept = json.loads(metadata[KEPT_KEY])
        return KeptPart(
            info=_info_adapter().validate_json(metadata[PART_KEY]),
            names=tuple(kept["names"]),
            siblings=kept["siblings"],
            fingerprint=Fingerprint(kept["first_bin"], base64.b64decode(kept["bins"])),
            first_seen=datetime.fromisoformat(kept["first_seen"]),
        )
    except (pa.ArrowException, KeyError, ValueError) as error:
        raise OSError(f"{path.name} is not a part ridecheck can read: {error}") from error


def list_parts(root: Path, bike: str) -> tuple[tuple[KeptPart, ...], tuple[str, ...]]:
    """All parts kept in a bike's folder, by stem, and the names of damaged ones."""
    parts, damaged = [], []
    for path in sorted((root / "rides" / bike).glob("*.parquet")):
        try:
            parts.append(read_part_info(path))
        except OSError:
            damaged.append(path.name)
    return tuple(parts), tuple(damaged)


def kept_parts_of(root: Path, sha256: str) -> tuple[KeptPart, ...]:
    """All kept parts of the log with these bytes, whichever bike they were filed under."""
    found = []
    for path in sorted((root / "rides").glob(f"*/{sha256[:12]}-*.parquet")):
        with contextlib.suppress(OSError):
            kept = read_part_info(path)
            if kept.info.sha256 == sha256:
                found.append(kept)
    return tuple(found)


def same_rows(a: KeptPart, b: KeptPart) -> bool | None:
    """Do two overlapping parts say the same where both have rows? None: too short to say."""
    start = max(a.info.start, b.info.start).timestamp()
    end = min(a.info.end, b.info.end).timestamp()
    first, last = int(start // BIN_S) + 1, int(end // BIN_S) - 1
    if last < first:
        return None
    return all(a.fingerprint.at(n) == b.fingerprint.at(n) for n in range(first, last + 1))


def holds(longer: KeptPart, shorter: KeptPart) -> bool:
    """Does a part hold all rows of another?"""
    within = longer.info.start <= shorter.info.start and shorter.info.end <= longer.info.end
    return within and same_rows(longer, shorter) is True


def holds_rows(root: Path, longer: KeptPart, shorter: KeptPart) -> bool:
    """The same, row by row where the shorter is too short to say; its last may be cut off."""
    same = same_rows(longer, shorter)
    if same is not None or longer.info.thinned or shorter.info.thinned:
        return holds(longer, shorter)
    one, other = (_frame(part_path(root, p.info.bike, p.info.stem)) for p in (longer, shorter))
    names = [c for c in one.columns if c not in ("row", "file_time")]
    if set(names) != {c for c in other.columns if c not in ("row", "file_time")}:
        return False
    rows = other[:-1].select(names)
    return rows.join(one.select(names), on=names, how="anti", nulls_equal=True).is_empty()


def sha256_of(path: Path) -> str:
    """Hex SHA-256 of a file's bytes, "" where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def remove_part(root: Path, bike: str, stem: str) -> None:
    """Delete a kept part."""
    remove(part_path(root, bike, stem))


def fingerprint(samples: pl.DataFrame) -> Fingerprint:
    """What the rows say, bin by bin; line numbers and time cells as written play no part."""
    if samples.is_empty():
        return NO_ROWS
    names = sorted(c for c in samples.columns if c not in ("time", "row", "file_time"))
    micros = samples["time"].dt.epoch("us").to_numpy()
    seed = hashlib.blake2b("\0".join(names).encode(), digest_size=8).digest()
    mixed = micros.astype(np.uint64) ^ np.frombuffer(seed, dtype=np.uint64)
    for name in names:
        _mix(mixed, samples[name])
    number = micros // (BIN_S * 1_000_000)
    first = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    low, high = int(number.min()), int(number.max())
    four = (np.add.reduceat(mixed, first) >> np.uint64(32)).astype("<u4")
    bins = np.zeros(high - low + 1, dtype="<u4")
    bins[number[first] - low] = np.maximum(four, 1)
    return Fingerprint(low, bins.tobytes())


_ODD, _HALF = np.uint64(0xBF58476D1CE4E5B9), np.uint64(29)


def _mix(mixed: NDArray[np.uint64], series: pl.Series) -> None:
    """Work one channel's values into a number per row (xor, multiply, shift; it wraps)."""
    if series.dtype == pl.Float64:
        values = series.to_numpy() + 0.0  # no minus nought
        values[np.isnan(values)] = np.nan  # one NaN
        mixed ^= values.view(np.uint64)
    else:
        mixed ^= series.cast(pl.Int8).fill_null(-1).to_numpy().astype(np.uint64)
    mixed *= _ODD
    mixed ^= mixed >> _HALF


def _named(kept: KeptPart, names: tuple[str, ...]) -> KeptPart:
    """A part under other names; it is called by the first, whichever arrived first."""
    return replace(kept, info=replace(kept.info, log=names[0]), names=names)


def _frame(path: Path) -> pl.DataFrame:
    try:
        frame = pl.from_arrow(pq.read_table(path, partitioning=None))
    except pa.ArrowException as error:
        raise OSError(f"{path.name} is not a part ridecheck can read: {error}") from error
    assert isinstance(frame, pl.DataFrame)
    return frame


def _names_of(path: Path) -> tuple[str, ...]:
    try:
        return read_part_info(path).names
    except OSError:
        return ()


def _parquet(samples: pl.DataFrame, kept: KeptPart) -> bytes:
    table = samples.to_arrow(compat_level=pl.CompatLevel.oldest())
    rest = {
        "names": list(kept.names),
        "siblings": kept.siblings,
        "first_seen": kept.first_seen.isoformat(),
        "first_bin": kept.fingerprint.first_bin,
        "bins": base64.b64encode(kept.fingerprint.bins).decode(),
    }
    table = table.replace_schema_metadata(
        {
            PART_KEY: _info_adapter().dump_json(kept.info),
            KEPT_KEY: json.dumps(rest, sort_keys=True).encode(),
        }
    )
    buffer = BytesIO()
    rising = {"time": "DELTA_BINARY_PACKED", "row": "DELTA_BINARY_PACKED"}
    pq.write_table(
        table,
        buffer,
        compression="zstd",
        use_dictionary=[n for n in table.column_names if n not in (*rising, "file_time")],
        column_encoding={**rising, "file_time": "DELTA_BYTE_ARRAY"},
        write_statistics=False,
    )
    return buffer.getvalue()
