"""Standing logs with known faults: somebody works each control in turn, the bike on its stand.

Contacts are drawn in continuous time, as stretches in which they are closed; the logger then looks
at its own instants. What a fault does is said in seconds and volts, and a fault is visible where
the logged rows differ from those of the sound bike that is worked by the same hand.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from numpy.random import Generator

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import ChannelFacts, Part, PartInfo

Closed = list[tuple[float, float]]
"""Stretches in seconds in which a contact is closed."""

HAND_CONTROLS = ("front_brake", "rear_brake", "clutch", "roll_off")
BUTTONS = ("switch_power", "switch_set", "switch_resume", "switch_cancel")
SOUND_S = 0.0062
"""The slowest of the sound contacts measured had settled by then ("A guide to debouncing",
J. Ganssle, 2004; figure from memory)."""
CONTACT_FAULTS = ("worn-contact", "wire-chafed-at-the-bars")
SHORTEST_HAND_S = 0.06
"""No hand presses for less (common practice)."""
START = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Standing:
    """What happened: contacts by channel, openings of the grip, and where the bars were swept."""

    closed: Mapping[str, Closed]
    grip: Sequence[tuple[float, float, float]]
    swept: tuple[float, float]
    end_s: float


@dataclass(frozen=True, slots=True)
class StandingLog:
    """A standing log and its truth. channel "": no fault. visible: some logged row shows it."""

    part: Part
    fault: str
    channel: str
    visible: bool


def standing_log(
    *, rate_hz: float, seed: tuple[int, ...], fault: str = "", blank: str = ""
) -> StandingLog:
    """One session at the bench. fault: a name of STANDING_FAULTS, "" for a sound bike."""
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    sound = _session(rng)
    broken, channel = STANDING_FAULTS[fault](sound, rng) if fault else (sound, "")
    t_s = np.arange(0.0, sound.end_s, 1.0 / rate_hz) + float(rng.uniform(0.0, 1.0 / rate_hz))
    columns = _columns(
        broken,
        t_s,
        dark=channel if fault == "lamp-ignores-a-brake" else "",
        sticks=float(rng.uniform(4.0, 25.0)) if fault == "grip-sticks" else 0.0,
    )
    before = _columns(sound, t_s)
    visible = bool(fault) and _shows(fault, columns, before, rate_hz)
    if blank:
        columns = {n: v for n, v in columns.items() if n != blank}
    return StandingLog(_part(columns, t_s, rate_hz), fault, channel, visible)


def _shows(
    fault: str, columns: Mapping[str, np.ndarray], before: Mapping[str, np.ndarray], rate_hz: float
) -> bool:
    """Whether the rows show it: an edge more than the sound bike has, at a rate at which it
    cannot be a hand's; a grip that rests higher; else any difference.
    """
    if fault in CONTACT_FAULTS:
        edges = (_edges(columns), _edges(before))
        return 2.0 / rate_hz <= SHORTEST_HAND_S and edges[0] != edges[1]
    return any((columns[n] != before[n]).any() for n in columns)


def _edges(columns: Mapping[str, np.ndarray]) -> dict[str, int]:
    return {n: int(np.count_nonzero(np.diff(v))) for n, v in columns.items() if v.dtype == bool}


def _session(rng: Generator) -> Standing:
    """Each control worked three or four times, alone; then the bars from lock to lock."""
    at_s = float(rng.uniform(5.0, 12.0))
    closed: dict[str, Closed] = {}
    for name in HAND_CONTROLS:
        closed[name], at_s = _worked(rng, at_s, (0.35, 2.5))
    grip = []
    for _ in range(3):
        open_s = float(rng.uniform(0.3, 1.2))
        grip.append((at_s, at_s + open_s, float(rng.uniform(60.0, 100.0))))
        at_s += open_s + float(rng.uniform(1.5, 3.0))
    for name in BUTTONS:
        closed[name], at_s = _worked(rng, at_s, (0.15, 0.6))
    lit = [
        (a + float(rng.uniform(0.0, 0.2)), b + float(rng.uniform(0.0, 0.15)))
        for a, b in sorted(closed["front_brake"] + closed["rear_brake"])
    ]
    closed["brake_lamp"] = lit
    closed["cruise_armed"] = [
        (on[0], off[0])
        for on, off in zip(closed["switch_power"][::2], closed["switch_power"][1::2], strict=False)
    ]
    for name in (*HAND_CONTROLS, *BUTTONS):
        closed[name] = _settling(closed[name], rng)
    swept = (at_s, at_s + float(rng.uniform(8.0, 15.0)))
    return Standing(closed, grip, swept, swept[1] + 5.0)


def _worked(rng: Generator, at_s: float, lengths_s: tuple[float, float]) -> tuple[Closed, float]:
    found = []
    for _ in range(int(rng.integers(3, 5))):
        length_s = float(rng.uniform(*lengths_s))
        found.append((at_s, at_s + length_s))
        at_s += length_s + float(rng.uniform(0.4, 1.6))
    return found, at_s + float(rng.uniform(1.2, 3.0))


def _settling(closed: Closed, rng: Generator) -> Closed:
    """A sound contact opens once as it closes, and has settled within SOUND_S."""
    found: Closed = []
    for a, b in closed:
        first, again = sorted(rng.uniform(0.0, SOUND_S, 2).tolist())
        found += [(a, a + first), (a + again, b)]
    return found


# ------------------------------------------------------------------ faults


def _any_switch(rng: Generator) -> str:
    return str(rng.choice([*HAND_CONTROLS, *BUTTONS]))


def _with(sound: Standing, channel: str, closed: Closed) -> Standing:
    merged: Closed = []
    for a, b in sorted(closed):
        if merged and a <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(b, merged[-1][1]))
        else:
            merged.append((a, b))
    return Standing({**sound.closed, channel: merged}, sound.grip, sound.swept, sound.end_s)


def _worn_contact(sound: Standing, rng: Generator) -> tuple[Standing, str]:
    """The contact opens and closes for tens of milliseconds at each edge."""
    channel = _any_switch(rng)
    found: Closed = []
    for a, b in sound.closed[channel]:
        for edge in (a, b):
            at = edge
            for _ in range(int(rng.integers(1, 4))):
                gap_s, on_s = np.exp(rng.uniform(np.log(0.004), np.log(0.05), 2))
                found.append((at, at + float(on_s)))
                at += float(on_s + gap_s)
            if edge == a:
                a = at
        found.append((a, b)) if a < b else None
    return _with(sound, channel, found), channel


def _chafed_wire(sound: Standing, rng: Generator) -> tuple[Standing, str]:
    """Short pulses while the bars are swept."""
    channel = _any_switch(rng)
    starts = rng.uniform(*sound.swept, int(rng.integers(3, 9)))
    lengths = np.exp(rng.uniform(np.log(0.003), np.log(0.1), len(starts)))
    pulses = [(float(s), float(s + n)) for s, n in zip(starts, lengths, strict=True)]
    return _with(sound, channel, [*sound.closed[channel], *pulses]), channel


def _stuck(sound: Standing, rng: Generator) -> tuple[Standing, str]:
    """From its second use on the switch stays closed."""
    channel = str(rng.choice(HAND_CONTROLS[:3]))
    first = sound.closed[channel][3][0]
    return _with(sound, channel, [*sound.closed[channel], (first, sound.end_s)]), channel


def _lamp_ignores(sound: Standing, rng: Generator) -> tuple[Standing, str]:
    """One brake does not light the lamp."""
    return sound, str(rng.choice(HAND_CONTROLS[:2]))


def _bridged(sound: Standing, rng: Generator) -> tuple[Standing, str]:
    """Water joins two buttons: one closes whenever the other is pressed."""
    pressed, other = (str(n) for n in rng.choice(BUTTONS[1:], 2, replace=False))
    return _with(sound, other, list(sound.closed[pressed])), other


def _grip_sticks(sound: Standing, _: Generator) -> tuple[Standing, str]:
    """After one opening the grip stays a little open until it is turned again."""
    return sound, "throttle_grip"


STANDING_FAULTS: Mapping[str, Callable[[Standing, Generator], tuple[Standing, str]]] = {
    "worn-contact": _worn_contact,
    "wire-chafed-at-the-bars": _chafed_wire,
    "stuck-on": _stuck,
    "lamp-ignores-a-brake": _lamp_ignores,
    "buttons-bridged": _bridged,
    "grip-sticks": _grip_sticks,
}


# ------------------------------------------------------------------ the logger


def _columns(
    standing: Standing, t_s: np.ndarray, *, dark: str = "", sticks: float = 0.0
) -> dict[str, np.ndarray]:
    """Channels at the logger's instants."""
    columns = {n: _is_closed(c, t_s) for n, c in standing.closed.items()}
    if dark:
        lit = [s for s in standing.closed["brake_lamp"] if not _of(s, standing.closed[dark])]
        columns["brake_lamp"] = _is_closed(lit, t_s)
    grip = np.zeros(len(t_s))
    for number, (a, b, open_percent) in enumerate(standing.grip):
        rise = np.clip((t_s - a) / 0.25, 0.0, 1.0) * np.clip((b + 0.2 - t_s) / 0.2, 0.0, 1.0)
        grip = np.maximum(grip, open_percent * rise)
        if sticks and number == 1:
            held = (t_s > b) & (t_s < standing.grip[number + 1][0] + 0.25)
            grip = np.where(held, np.maximum(grip, sticks), grip)
    columns["throttle_grip"] = np.round(grip, 1)
    columns["wheel_speed"] = np.zeros(len(t_s))
    return columns


def _of(lit: tuple[float, float], pressed: Closed) -> bool:
    return any(lit[0] < b and a < lit[1] for a, b in pressed)


def _is_closed(closed: Closed, t_s: np.ndarray) -> np.ndarray:
    found = np.zeros(len(t_s), dtype=bool)
    for a, b in closed:
        found |= (t_s >= a) & (t_s < b)
    return found


def _part(columns: Mapping[str, np.ndarray], t_s: np.ndarray, rate_hz: float) -> Part:
    kinds = catalog()
    times = [START + timedelta(microseconds=round(1e6 * t)) for t in t_s.tolist()]
    samples = pl.DataFrame(
        {
            "time": pl.Series(times, dtype=pl.Datetime("us", "UTC")),
            "row": pl.Series(range(2, len(t_s) + 2), dtype=pl.UInt32),
            "file_time": [f"{t:.3f}" for t in t_s.tolist()],
            **{
                n: pl.Series(
                    v.tolist(), dtype=pl.Boolean if kinds[n].kind == "switch" else pl.Float64
                )
                for n, v in columns.items()
            },
        }
    )
    facts = {n: ChannelFacts(interval_s=1.0 / rate_hz, present=1.0) for n in columns}
    info = PartInfo(
        stem="0" * 12 + "-1", bike="B00", log="bench.csv", sha256="0" * 64, rows_sha256="",
        read_key="", layout="bench", start=times[0], end=times[-1], dating="time",
        start_from="column", rows=len(t_s), row_interval_s=1.0 / rate_hz, channels=facts,
    )  # fmt: skip
    return Part(info=info, samples=samples)
