"""The time base of a log: from what the file wrote to UTC instants in file order.

Everything here keeps the order of the file. Loggers set their clock while logging, count
in registers that overflow, write whole seconds at ten rows a second, and repeat an hour in
autumn; each of these is put right where it is certain, and marked.
"""

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.core.errors import LogError
from ridecheck.core.model import Dating, Note, StartFrom
from ridecheck.intake.normalise.stamps import (
    DAY_US,
    JITTER_ROWS,
    RESTART_US,
    SECOND_US,
    UNREADABLE,
    Micros,
    Stamps,
)
from ridecheck.intake.normalise.values import shown_cell

if TYPE_CHECKING:
    from ridecheck.fleet import Layout

JUMP_US = 30 * DAY_US
"""A jump this long is a clock being set, not a pause."""
NEAR_START_US = 3600 * SECOND_US
"""A start line this near to the first time of day speaks of the same clock."""
FIRST_MINUTE_US = 60 * SECOND_US
YEAR_2000_US = 946_684_800 * SECOND_US
MOST_RESTARTS = 20
"""A log that steps back more often than this, and in over 1 % of its rows, has no order."""
MOST_SET_BACK, MOST_INVENTED = 5, 0.01
"""A clock that is set back more often, by more than this share of the time, is misread."""
WRAPS = (2**16, 2**31, 2**32)

_BEFORE_2000 = Note("clock", "clock wrong: before 2000, taken as undated", 1)
_NAME_DATE = re.compile(r"(?<!\d)(20\d\d)(-?)(\d\d)\2(\d\d)(?!\d)")


@dataclass(frozen=True, slots=True)
class Origin:
    """What elapsed values or times of day are added to, and where that came from."""

    micros: int
    dating: Dating
    start_from: StartFrom


@dataclass(slots=True)
class Timeline:
    """Instants of the rows that are kept, and where a new part must begin.

    keep: which rows of the table have a time. unread: those whose time cannot be read, or
    cannot be. micros: of the kept rows, UTC since 1970
    (dating "none": only differences count). breaks: indexes of kept rows that begin a new
    part because of the clock. origins: for each stretch between breaks, how it is dated.
    """

    keep: NDArray[np.bool_]
    micros: Micros
    unread: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    breaks: list[int] = field(default_factory=list)
    origins: list[Origin] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    offset_us: Micros = field(default_factory=lambda: np.zeros(0, dtype=np.int64))


@dataclass(frozen=True, slots=True)
class Before:
    """What the rows before these left behind, where a log is read in batches.

    offset_us: added to the file's stamps so far (overflows, midnights). origin: how the
    stretch that goes on here is dated, None at the start of the file.
    """

    offset_us: int = 0
    origin: Origin | None = None


def timeline(
    stamps: Stamps,
    layout: "Layout",
    *,
    name: str,
    starts: tuple[tuple[int, str], ...] = (),
    restarts: tuple[int, ...] = (),
    before: Before | None = None,
    repeated: NDArray[np.bool_] | None = None,
) -> Timeline:
    """Bring the stamps of one log onto one time base. LogError where no time can be known.

    starts, restarts: from the reader, as indexes of the table's rows. before: given where
    these rows go on from others. repeated: rows to leave out, being there twice.
    """
    earlier = before or Before()
    readable = stamps.micros != UNREADABLE
    keep = readable if repeated is None else readable & ~repeated
    line = Timeline(
        keep=keep.copy(), micros=stamps.micros[keep] + earlier.offset_us, unread=~readable
    )
    if repeated is not None and repeated.any():
        line.notes.append(
            Note("duplicate", "rows that were there before left out", int(repeated.sum()))
        )
    if (lost := int((~readable).sum())) > 0:
        line.notes.append(Note("clock", "rows whose time cannot be read left out", lost))
    _leave_out_strays(line, stamps)
    kept = np.concatenate(([0], np.cumsum(line.keep)))
    restarts = tuple(int(kept[i]) for i in restarts)
    starts = tuple((int(kept[i]), text) for i, text in starts)
    if stamps.kind == "time_of_day":
        _over_midnight(line)
    if stamps.kind == "elapsed":
        _unwrap(line, stamps.unit_us)
    line.offset_us = line.micros - stamps.micros[line.keep]
    _refuse_standing_clock(line, stamps)
    if stamps.kind == "local":
        _to_utc(line, layout.file.time_zone)
    if stamps.kind in {"instant", "local"} and earlier.origin is None:
        _rebase_first_minute(line)
    _find_breaks(line, restarts)
    _order_within(line)
    _spread_repeats(line)
    _refuse_odd_rate(line, stamps)
    _date(line, stamps, layout, name, starts, earlier.origin)
    return line


def _leave_out_strays(line: Timeline, stamps: Stamps) -> None:
    """Single stamps that fit neither neighbour while the neighbours fit each other."""
    t = line.micros
    if len(t) < 3:
        return
    out_and_back = (np.abs(t[1:-1] - t[:-2]) >= RESTART_US) & (
        np.abs(t[2:] - t[1:-1]) >= RESTART_US
    )
    joined = (t[2:] - t[:-2] >= 0) & (t[2:] - t[:-2] < RESTART_US)
    stray = np.concatenate(([False], out_and_back & joined, [False]))
    if stamps.kind == "time_of_day":  # a jump over midnight and back is jitter there
        stray &= np.abs(np.diff(t, prepend=t[0])) < DAY_US - 3600 * SECOND_US
    if not stray.any():
        return
    kept = np.flatnonzero(line.keep)
    line.keep[kept[stray]] = False
    line.unread[kept[stray]] = True
    line.micros = t[~stray]
    line.notes.append(
        Note(
            "clock",
            "rows whose time fits neither the row before nor after left out",
            int(stray.sum()),
        )
    )


def _over_midnight(line: Timeline) -> None:
    """Times of day that fall by more than half a day have passed midnight."""
    step = np.diff(line.micros, prepend=line.micros[:1])
    days = np.zeros(len(step), dtype=np.int64)
    days[step < -DAY_US // 2] = 1
    days[step > DAY_US - 3600 * SECOND_US] = -1  # a row from just before midnight, out of order
    line.micros += np.cumsum(days) * DAY_US


def _unwrap(line: Timeline, unit_us: float) -> None:
    """Counters that overflow: a fall by nearly 2^16, 2^31 or 2^32 counts is a wrap.

    Counts are the file's own unit, and milliseconds or microseconds where the file writes
    seconds. It is a wrap only if the next stamp then follows closely, and only if the
    counter never goes beyond the register.
    """
    t = line.micros
    falls = np.flatnonzero(np.diff(t) < -RESTART_US) + 1
    if not len(falls):
        return
    row_us = _row_us(t)
    close_us = max(5 * SECOND_US, 20 * row_us)
    units = {unit_us, 1000.0, 1.0} if unit_us == 1e6 else {unit_us}
    span = int(t.max() - t.min())
    for bits in WRAPS:
        for unit in units:
            register = round(bits * unit)
            if span > register or register < 20 * SECOND_US:
                continue
            beyond = t[falls] - t[falls - 1] + register
            wraps = falls[(beyond >= 0) & (beyond <= close_us)]
            if len(wraps):
                t[:] += np.cumsum(np.isin(np.arange(len(t)), wraps)) * register
                line.notes.append(Note("clock", "the logger's counter overflowed", len(wraps)))
                return


def _to_utc(line: Timeline, zone: str) -> None:
    """Local times to UTC. A folded hour is decided by order, else marked; a skipped one moved."""
    if zone in {"UTC", "Etc/UTC", "GMT", "Z"}:
        return
    naive = pl.Series(line.micros).cast(pl.Datetime("us"))

    def utc(series: pl.Series, ambiguous: Literal["earliest", "latest"]) -> pl.Series:
        placed = series.dt.replace_time_zone(zone, ambiguous=ambiguous, non_existent="null")
        return placed.dt.convert_time_zone("UTC").dt.epoch("us")

    first, second = utc(naive, "earliest"), utc(naive, "latest")
    skipped = first.is_null().to_numpy()
    if skipped.any():
        back = pl.Series(line.micros - 3 * 3600 * SECOND_US).cast(pl.Datetime("us"))
        first = first.fill_null(utc(back, "earliest") + 3 * 3600 * SECOND_US)
        second = second.fill_null(first)
        line.notes.append(
            Note("clock", "local times that never were (clock change) moved on", int(skipped.sum()))
        )
    early, late = first.to_numpy().astype(np.int64), second.to_numpy().astype(np.int64)
    folded = early != late
    line.micros = early.copy()
    if folded.any():
        _unfold(line, early, late, folded)


def _unfold(line: Timeline, early: Micros, late: Micros, folded: NDArray[np.bool_]) -> None:
    """Decide each stretch of the repeated hour by the rows around it and its own order."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], folded, [False])).astype(int)))
    undecided = 0
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        inside = early[begin:end]
        back = np.flatnonzero(np.diff(inside) < -20 * 60 * SECOND_US)
        close_us = 10 * 60 * SECOND_US
        follows = begin > 0 and 0 <= early[begin] - line.micros[begin - 1] <= close_us
        leads = end < len(early) and 0 <= early[end] - late[end - 1] <= close_us
        if len(back):
            turn = begin + int(back[0]) + 1
            line.micros[turn:end] = late[turn:end]
        elif leads and not follows:
            line.micros[begin:end] = late[begin:end]
        elif not follows:
            undecided += end - begin
    if undecided:
        line.notes.append(
            Note(
                "clock",
                "rows in the hour that the clock change repeats: which of the two is "
                "not known, taken as the first",
                int(undecided),
            )
        )


def _rebase_first_minute(line: Timeline) -> None:
    """A jump of over 30 days in the first minute: a clock was set; earlier rows count back."""
    t = line.micros
    jumps = np.flatnonzero(np.abs(np.diff(t)) > JUMP_US) + 1
    for at in jumps:
        stretch = t[:at]
        if abs(int(stretch[-1] - stretch[0])) > FIRST_MINUTE_US:
            break
        shift = int(t[at]) - int(t[at - 1]) - _row_us(t)
        t[:at] += shift
        line.notes.append(
            Note(
                "clock",
                "the clock was set while logging; earlier rows count back from there",
                int(at),
            )
        )


def _find_breaks(line: Timeline, restarts: tuple[int, ...]) -> None:
    """Rows where the time base starts anew."""
    step = np.diff(line.micros, prepend=line.micros[:1])
    again = np.zeros(len(step), dtype=bool)
    for at in restarts:  # files merged under one another
        if 0 < at < len(step):
            again[at] = step[at] < 0
    breaks = (step <= -RESTART_US) | (np.abs(step) > JUMP_US) | again
    line.breaks = [int(i) for i in np.flatnonzero(breaks)]
    back = int((step <= -RESTART_US).sum())
    if back > max(MOST_RESTARTS, 0.01 * len(step)):
        raise LogError(
            "The time runs back and forth: the rows are in no order",
            where="time column",
            value=f"{back} steps back of 10 s or more in {len(step)} rows",
            what_to_do="Use the logger's own file; sorting or merging may have mixed the rows.",
        )
    if back:
        line.notes.append(Note("clock", "steps back of 10 s or more; each begins a new part", back))


def _order_within(line: Timeline) -> None:
    """Small steps back within a part: rows keep their place and stamps are put in order.

    A few rows that are caught up at once were written out of order: each takes a stamp
    between its neighbours. A step that lasts is a clock set back: what follows is moved on,
    so that no stretch of the ride is squeezed into an instant. A clock is set back once or
    twice: where it would be again and again, moving on would invent time, and the log is
    refused.
    """
    t = line.micros
    moved = stepped = invented_us = 0
    for begin, end in _stretches(line):
        part = t[begin:end]
        if (np.diff(part) >= 0).all():
            continue
        row_us = _row_us(part)
        while True:
            highest = np.maximum.accumulate(part)
            behind = part < highest
            if not behind.any():
                break
            edges = np.flatnonzero(np.diff(np.concatenate(([False], behind, [False])).astype(int)))
            runs = list(zip(edges[::2], edges[1::2], strict=True))
            lasting = next(((a, b) for a, b in runs if b - a > JITTER_ROWS), None)
            if lasting is None:
                for a, b in runs:
                    _between(part, int(a), int(b), row_us)
                    moved += int(b - a)
                break
            a = int(lasting[0])
            ahead_us = int(highest[a - 1]) + row_us - int(part[a])
            part[a:] += ahead_us
            invented_us += ahead_us
            stepped += 1
            if stepped > MOST_SET_BACK and invented_us > MOST_INVENTED * (part[-1] - part[0]):
                raise _steps_back(stepped, invented_us)
    if moved:
        line.notes.append(
            Note(
                "clock",
                "rows out of order keep their place, stamps put between their neighbours",
                moved,
            )
        )
    if stepped:
        line.notes.append(
            Note(
                "clock",
                "the clock was set back by less than 10 s; what follows is moved on",
                stepped,
            )
        )


def _steps_back(times: int, invented_us: int) -> LogError:
    return LogError(
        "The time steps back again and again",
        where="time column",
        value=f"{times} times, {invented_us / 1e6:.3g} s in all",
        what_to_do="Correct format in [columns.time] of the layout, or use the logger's own file.",
    )


def _between(part: Micros, a: int, b: int, row_us: int) -> None:
    """Stamps of rows a..b-1 spread between the rows before and after."""
    low = int(part[a - 1])
    high = int(part[b]) if b < len(part) else low + row_us * (b - a + 1)
    share = np.arange(1, b - a + 1) / (b - a + 1)
    part[a:b] = low + np.rint((high - low) * share).astype(np.int64)


def _spread_repeats(line: Timeline) -> None:
    """Stamps that repeat are spread evenly to the next, as far as a stamp usually reaches."""
    t = line.micros
    marked = 0
    for begin, end in _stretches(line):
        part = t[begin:end]
        new = np.flatnonzero(np.diff(part, prepend=part[0] - 1) != 0)
        if len(new) == len(part):
            continue
        counts = np.diff(np.append(new, len(part)))
        reach = np.diff(part[new])
        usual = int(np.median(reach)) if len(reach) else SECOND_US
        reach = np.minimum(np.append(reach, usual), max(usual, 1))
        within = np.arange(len(part)) - np.repeat(new, counts)
        shift = np.repeat(reach, counts) * within / np.repeat(counts, counts)
        part += np.rint(shift).astype(np.int64)
        marked += int((counts[counts > 1]).sum())
    if marked:
        line.notes.append(
            Note("clock", "rows share a stamp; they were spread evenly to the next", marked)
        )


def _refuse_standing_clock(line: Timeline, stamps: Stamps) -> None:
    t = line.micros
    if len(t) > 20 and t.min() == t.max():
        raise LogError(
            "The time does not move",
            where="time column",
            value=f"{shown_cell(stamps.file_time.drop_nulls()[0])} in all {len(t)} rows",
            what_to_do="Use the logger's own file; a spreadsheet may have rounded the time.",
        )


def _refuse_odd_rate(line: Timeline, stamps: Stamps) -> None:
    """A thousandfold wrong unit shows in the distance between rows."""
    if stamps.kind not in {"elapsed", "instant"} or len(line.micros) < 20:
        return
    row_us = _row_us(line.micros)
    if row_us < 200 or row_us > 60 * SECOND_US:
        raise LogError(
            "The rows come out "
            + (f"{row_us / 1e3:g} ms" if row_us < SECOND_US else f"{row_us / 1e6:g} s")
            + " apart: the time's unit is not the layout's",
            where="time column",
            value=f"first stamp {shown_cell(stamps.file_time[0])}",
            what_to_do="Correct format in [columns.time] of the layout.",
        )


def _date(
    line: Timeline,
    stamps: Stamps,
    layout: "Layout",
    name: str,
    starts: tuple[tuple[int, str], ...],
    goes_on: Origin | None,
) -> None:
    """How each stretch is dated; elapsed values and times of day are added to their start."""
    stretches = list(_stretches(line))
    if stamps.kind in {"instant", "local"}:
        for begin, _ in stretches:
            known = line.micros[begin] >= YEAR_2000_US
            dated = Origin(0, "time", "column") if known else Origin(0, "none", "unknown")
            line.origins.append(dated)
            if not known:
                line.notes.append(
                    Note("clock", "clock wrong: dated before 2000, taken as undated", 1)
                )
        return
    for number, (begin, end) in enumerate(stretches):
        after = stretches[number - 1][0] if number else -1
        stated = [text for at, text in starts if after < at <= begin]
        if number == 0 and goes_on is not None:
            origin = goes_on
        else:
            origin = _origin(
                stamps, stated, layout, name, int(line.micros[begin]), first=number == 0
            )
        if origin.dating != "none":
            line.micros[begin:end] += origin.micros
            if line.micros[begin] < YEAR_2000_US:
                origin = Origin(0, "none", "unknown")
                line.notes.append(_BEFORE_2000)
        line.origins.append(origin)


def _origin(
    stamps: Stamps, stated: list[str], layout: "Layout", name: str, first_us: int, *, first: bool
) -> Origin:
    """The first found of: a start line, start_pattern, a date in the name, none.

    A counter that starts anew later in the file has no start line of its own as a rule:
    its day is known, its time is not. first_us: the stretch's first stamp.
    """
    zone = layout.file.time_zone
    day_only = stamps.kind == "time_of_day"
    if stated:
        instant = iso_instant(stated[-1], zone)
        if instant is not None and day_only:
            return Origin(_counted_from(instant, first_us, zone), "time", "preamble")
        if instant is not None:
            return Origin(instant, "time", "preamble")
    date, time = _start_of_name(layout, name)
    if day_only:
        if date is None:
            return Origin(0, "none", "unknown")
        if time is not None and first:
            return Origin(_counted_from(_local(date, time, zone), first_us, zone), "time", "name")
        return Origin(_local(date, "000000", zone), "time", "name_date")
    if date is not None and time is not None:
        if first:
            return Origin(_local(date, time, zone), "time", "name")
        return Origin(_day(date), "date", "name_date")
    if date is not None:
        return Origin(_day(date), "date", "name_date")
    return Origin(0, "none", "unknown")


def _counted_from(start_us: int, first_us: int, zone: str) -> int:
    """What HH:MM:SS is added to where a start is stated: its midnight, or itself.

    Stamps that begin when the start says are times of day; stamps that begin at nought are
    time since the start. Anything else is no reading of both, and is not guessed.
    """
    midnight_us = _midnight_before(start_us, zone)
    off_us = abs(first_us - (start_us - midnight_us))
    if min(off_us, DAY_US - off_us) <= NEAR_START_US:
        return midnight_us
    if 0 <= first_us <= FIRST_MINUTE_US:
        return start_us
    raise LogError(
        "The times of day do not begin at the start that is stated",
        where="time column",
        value=f"first {first_us / 1e6:.0f} s after midnight, start "
        f"{(start_us - midnight_us) / 1e6:.0f} s after it",
        what_to_do="Correct the start line, start_pattern or time_zone in the layout.",
    )


def iso_instant(text: str, zone: str) -> int | None:
    """An ISO time as microseconds since 1970; without a zone of its own it is local."""
    try:
        value = datetime.fromisoformat(text.strip().replace(",", ".").replace(" +", "+"))
    except ValueError:
        return None
    if value.tzinfo is not None:
        return round(value.astimezone(UTC).timestamp() * 1e6)
    return _local_micros(value, zone)


def _local_micros(value: datetime, zone: str) -> int:
    stamps = Timeline(
        keep=np.array([True]),
        micros=np.array([round(value.replace(tzinfo=UTC).timestamp() * 1e6)], dtype=np.int64),
    )
    _to_utc(stamps, zone)
    return int(stamps.micros[0])


def _midnight_before(instant: int, zone: str) -> int:
    local = pl.Series([instant]).cast(pl.Datetime("us", "UTC")).dt.convert_time_zone(zone)[0]
    return _local_micros(datetime(local.year, local.month, local.day), zone)


def _start_of_name(layout: "Layout", name: str) -> tuple[str | None, str | None]:
    """Date (YYYYMMDD) and time (HHMMSS) in a log's name, as far as they are there."""
    base = PurePosixPath(name.rpartition("!")[2]).name
    if layout.file.start_pattern:
        found = re.search(layout.file.start_pattern, base)
        if found:
            groups = found.groupdict()
            date = _valid_date(re.sub(r"\D", "", groups.get("date") or ""))
            time = re.sub(r"\D", "", groups.get("time") or "")
            if date is not None:
                return date, _valid_time(time)
    for found in _NAME_DATE.finditer(base):
        date = _valid_date(found.group(1) + found.group(3) + found.group(4))
        if date is not None:
            return date, None
    return None, None


def _valid_date(digits: str) -> str | None:
    try:
        datetime.strptime(digits, "%Y%m%d").replace(tzinfo=UTC)
    except ValueError:
        return None
    return digits


def _valid_time(digits: str) -> str | None:
    digits = digits.ljust(6, "0") if len(digits) == 4 else digits
    try:
        datetime.strptime(digits, "%H%M%S").replace(tzinfo=UTC)
    except ValueError:
        return None
    return digits


def _local(date: str, time: str, zone: str) -> int:
    value = datetime.strptime(date + time, "%Y%m%d%H%M%S")
    return _local_micros(value, zone)


def _day(date: str) -> int:
    return round(datetime.strptime(date, "%Y%m%d").replace(tzinfo=UTC).timestamp()) * SECOND_US


def _stretches(line: Timeline) -> list[tuple[int, int]]:
    edges = [0, *line.breaks, len(line.micros)]
    return [(a, b) for a, b in pairwise(edges) if b > a]


def _row_us(t: Micros) -> int:
    """Usual distance between rows; 0 where there is none."""
    steps = np.diff(t)
    steps = steps[steps > 0]
    return int(np.median(steps)) if len(steps) else 0
