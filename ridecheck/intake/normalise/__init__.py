"""A log's raw columns into parts: channels on one time base, facts measured, nothing filled."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.errors import LogError
from ridecheck.core.model import ChannelFacts, Note, Part, PartInfo
from ridecheck.core.rooms import READING, code_of
from ridecheck.intake.normalise.clock import Before, Origin, timeline
from ridecheck.intake.normalise.doubts import blank_reversed_brakes, refuse_other_units
from ridecheck.intake.normalise.facts import measure, row_interval_s
from ridecheck.intake.normalise.parts import Piece, pieces_of
from ridecheck.intake.normalise.repeats import repeated_rows
from ridecheck.intake.normalise.row_order import in_order, is_newest_first, turned_round
from ridecheck.intake.normalise.stamps import read_stamps
from ridecheck.intake.normalise.values import decode
from ridecheck.intake.readers.table import RawTable, plain_name

if TYPE_CHECKING:
    from ridecheck.fleet import Layout

LATE_CLOCK = timedelta(days=1)
"""A ride dated this much after its log was first seen has a wrong clock."""

__all__ = ["Carry", "LogId", "normalise", "normalise_batch", "read_key"]


@dataclass(frozen=True, slots=True)
class LogId:
    """What a part remembers of its log. first_part: number of its first part, from 1."""

    name: str
    sha256: str
    bike: str
    layout: str
    first_seen: datetime | None = None
    first_part: int = 1


def read_key(sha256: str, layout: "Layout") -> str:
    """Changes whenever reading the log again could give other samples."""
    text = json.dumps([sha256, layout.fingerprint(), code_of(*READING)])
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Carry:
    """Where a log that is read in batches left off: what the next batch goes on from.

    from_row: index of the batch's first row that is not yet in a part; it and those after
    it come again with the next batch. untimed: rows before it without a time that can be
    read, and the first of them in words. problem: cells of a column that could not be read.
    """

    log: LogId
    before: Before | None = None
    base_us: int = 0
    cut_before: bool = False
    from_row: int = 0
    untimed: int = 0
    first_untimed: str = ""
    problem: LogError | None = None


def normalise(raw: RawTable, layout: "Layout", log: LogId) -> tuple[Part, ...]:
    """The parts of one log, in file order. LogError where its time or its cells cannot be read."""
    return normalise_batch(raw, layout, Carry(log), last=True)[0]


def normalise_batch(
    raw: RawTable, layout: "Layout", carry: Carry, *, last: bool
) -> tuple[tuple[Part, ...], Carry]:
    """The parts that are whole in a batch of a log's rows, and what the next batch needs.

    last False: the last part may go on in the next batch, so its rows are left for it.
    """
    log = carry.log
    refuse_other_units(raw, layout, where=log.name)
    stamps = read_stamps(raw.frame, layout, where=log.name)
    if is_newest_first(stamps):
        if carry.from_row or not last:
            raise _too_large_to_turn(log.name)
        raw, stamps = turned_round(raw, stamps)
    elif last and not carry.from_row:
        raw, stamps = in_order(raw, stamps)
    line = timeline(
        stamps,
        layout,
        name=log.name,
        starts=raw.starts,
        restarts=raw.restarts,
        before=carry.before,
        repeated=repeated_rows(raw.frame, stamps, raw.restarts),
    )
    frame = raw.frame.with_columns(stamps.file_time.alias(_FILE_TIME))
    if not line.keep.all():
        frame = frame.filter(pl.Series(line.keep))
    samples, notes, problem, behind = _channels(frame, layout, log.name)
    samples = samples.insert_column(0, pl.Series("time", line.micros))
    samples, turned = blank_reversed_brakes(samples)
    pieces, more = pieces_of(samples, line.breaks)
    pieces, single = _without_single_rows(pieces, log, last=last)
    notes = [*raw.notes, *line.notes, *notes, *more, *single, *turned]
    starts = np.array([0, *line.breaks])
    parts: list[Part] = []
    base_us = carry.base_us
    if pieces and carry.cut_before:
        pieces[0] = replace(pieces[0], cut_before=True)
    whole = pieces if last else pieces[:-1]
    for number, piece in enumerate(whole):
        origin = line.origins[int(np.searchsorted(starts, piece.begin, "right")) - 1]
        rows = samples.slice(piece.begin, piece.end - piece.begin)
        ahead = _is_ahead(origin, rows, log)
        if ahead:
            origin = Origin(0, "none", "unknown")
        if not piece.cut_before:
            base_us = _base_us(origin, int(rows["time"][0]))
        rows = rows.with_columns(
            (pl.col("time") - base_us).cast(pl.Datetime("us", "UTC")).alias("time")
        )
        said = (*notes, _AHEAD) if ahead else notes
        own = {name: series.slice(piece.begin, len(rows)) for name, series in behind.items()}
        info = _info(rows, own, piece, origin, layout, log, log.first_part + number, said)
        parts.append(Part(info=info, samples=rows))
    if not last and not whole:
        return (), carry
    from_row = len(raw.frame) if last else int(np.flatnonzero(line.keep)[pieces[-1].begin])
    untimed = np.flatnonzero(line.unread[:from_row])
    carry = replace(
        carry,
        from_row=from_row,
        untimed=len(untimed),
        first_untimed=f"line {raw.frame['row'][int(untimed[0])]}: its time" if len(untimed) else "",
        problem=carry.problem or problem,
    )
    if last:
        return tuple(parts), carry
    rest = pieces[-1]
    at = int(np.searchsorted(starts, rest.begin, "right")) - 1
    before = Before(offset_us=int(line.offset_us[rest.begin]), origin=line.origins[at])
    return tuple(parts), replace(
        carry,
        log=replace(log, first_part=log.first_part + len(parts)),
        before=before,
        base_us=base_us,
        cut_before=rest.cut_before,
    )


def _too_large_to_turn(name: str) -> LogError:
    return LogError(
        "The newest row comes first, and the log is too large to be turned round",
        where=name,
        value="read in batches",
        what_to_do="Have the logger write the oldest row first, or cut the log.",
    )


def _without_single_rows(
    pieces: list[Piece], log: LogId, *, last: bool
) -> tuple[list[Piece], list[Note]]:
    """A row alone between two breaks is no stretch of a ride: it has no rate and no slope."""
    kept = [p for p in pieces if p.end - p.begin > 1]
    lone = len(pieces) - len(kept)
    if last and not kept and log.first_part == 1:
        raise LogError(
            "The log holds a single row",
            where=log.name,
            value="1 row",
            what_to_do="Copy it from the logger again; a single row is no ride.",
        )
    if not last and pieces and pieces[-1] not in kept:
        kept.append(pieces[-1])  # it may go on in the next batch
        lone -= 1
    if not lone:
        return kept, []
    return kept, [Note("rows", "single rows between breaks of the clock left out", lone)]


_FILE_TIME = "\0file_time"


def _channels(
    frame: pl.DataFrame, layout: "Layout", where: str
) -> tuple[pl.DataFrame, list[Note], LogError | None, dict[str, pl.Series]]:
    """row, file_time and every mapped channel; the first column with cells that are lost;
    the numbers that stand behind switches."""
    known = catalog()
    columns = [frame["row"], frame[_FILE_TIME].rename("file_time")]
    notes: list[Note] = []
    problem: LogError | None = None
    behind: dict[str, pl.Series] = {}
    for name, column in layout.channels.items():
        plain = plain_name(column.column)
        if plain not in frame.columns:
            continue
        decoded = decode(
            frame[plain], known[name], column, layout.file, rows=frame["row"], where=where
        )
        columns.append(decoded.values)
        notes += decoded.notes
        problem = problem or decoded.problem
        if decoded.behind is not None:
            behind[name] = decoded.behind
    if len(columns) == 2:
        raise LogError(
            "The log holds the time and no channel",
            where=where,
            value="every mapped column is optional and absent",
            what_to_do="Map at least one column in the layout.",
        )
    return pl.DataFrame(columns), notes, problem, behind


_AHEAD = Note("clock", "clock wrong: dated after the log was first seen, taken as undated", 1)


def _is_ahead(origin: Origin, rows: pl.DataFrame, log: LogId) -> bool:
    """A part dated more than a day after its log was first seen has a wrong clock."""
    if origin.dating == "none" or log.first_seen is None:
        return False
    limit_us = int((log.first_seen + LATE_CLOCK).timestamp() * 1e6)
    return int(rows["time"][0]) > limit_us


def _base_us(origin: Origin, first_us: int) -> int:
    """What is taken off the stamps of a part: none, or all that is not known of its start."""
    if origin.dating == "time":
        return 0
    return first_us - origin.micros if origin.dating == "date" else first_us


def _info(
    rows: pl.DataFrame,
    behind: Mapping[str, pl.Series],
    piece: Piece,
    origin: Origin,
    layout: "Layout",
    log: LogId,
    number: int,
    notes: Iterable[Note],
) -> PartInfo:
    channels: dict[str, ChannelFacts] = measure(rows, layout, behind)
    t_s = rows["time"].dt.epoch("us").to_numpy() / 1e6
    return PartInfo(
        stem=f"{log.sha256[:12]}-{number}",
        bike=log.bike,
        log=log.name,
        sha256=log.sha256,
        rows_sha256=rows_sha256(rows),
        read_key=read_key(log.sha256, layout),
        layout=log.layout,
        start=rows["time"][0].replace(tzinfo=UTC),
        end=rows["time"][-1].replace(tzinfo=UTC),
        dating=origin.dating,
        start_from=origin.start_from,
        rows=len(rows),
        row_interval_s=round(row_interval_s(t_s), 6),
        channels=channels,
        notes=tuple(notes),
        cut_before=piece.cut_before,
    )


def rows_sha256(samples: pl.DataFrame) -> str:
    """Hash of the rows as parsed, whatever file they came in: times and channel values.

    ``row`` and ``file_time`` are left out: they show how the log wrote it.
    """
    digest = hashlib.sha256()
    for name in sorted(set(samples.columns) - {"row", "file_time"}):
        series = samples[name]
        digest.update(f"{name}:{len(series)};".encode())
        if name == "time":
            digest.update(series.dt.epoch("us").to_numpy().tobytes())
        elif series.dtype == pl.Float64:
            values = series.to_numpy() + 0.0  # blanks come as NaN; -0.0 is 0.0
            digest.update(np.ascontiguousarray(values).data)
        else:
            digest.update(series.cast(pl.Int8).fill_null(-1).to_numpy().tobytes())
    return digest.hexdigest()
