"""Simulated logs in many dialects under names nobody told the proposer, and how it does."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from ridecheck.core.catalog import channels
from ridecheck.core.units import to_channel_unit
from ridecheck.fleet import Layout
from ridecheck.intake.readers.unpack import Member, content_of
from ridecheck.setup.propose import Proposal, propose_member
from ridecheck.simulate.library import MODELS, PLANS, RIDERS
from ridecheck.simulate.ride import SimulatedRide, simulate_ride
from ridecheck.simulate.spec import FULL_CHANNELS, BikeSpec, LoggerSpec, RidePlan

NAMES: Mapping[str, list[str]] = tomllib.loads(
    Path(__file__).with_name("names.toml").read_text("utf-8")
)
EXTRAS = ("switch_cancel", "gps_speed", "coolant_temperature", "odometer", "throttle_grip")


@dataclass(frozen=True, slots=True)
class Style:
    """How one logger writes: marks, time, units, words, what stands around the table."""

    separator: str = ","
    decimal: str = "."
    time: str = "seconds"
    zone: str = ""
    speed: str = "km/h"
    said: str = "header"  # units in the header, in a units row, or nowhere
    on: str = "1"
    off: str = "0"
    neutral: str = "0"
    blank: str = ""
    encoding: str = "utf-8"
    end: str = "\n"
    preamble: tuple[str, ...] = ()
    quotes: bool = False
    thousands: str = ""


STYLES = (
    Style(),
    Style(";", ",", "local dotted", on="ein", off="aus", encoding="cp1252", end="\r\n"),
    Style("\t", time="epoch_ms", speed="mph", on="12.3", off="0.1", said="row"),
    Style("|", time="milliseconds", on="true", off="false", neutral="N", blank="-"),
    Style(time="iso", zone="Z", said="nowhere", blank="NA"),
    Style(";", time="iso", on="ON", off="OFF", encoding="utf-16-le", said="row"),
    Style(time="clock", speed="m/s", on="Y", off="N", preamble=("device,seven", "firmware,2.1")),
    Style("\t", ",", "day and clock", said="row", on="oui", off="non", neutral="N"),
    Style(time="epoch_s", speed="mph", said="header", quotes=True, on="yes", off="no"),
    Style(";", time="slashed", on="255", off="0", said="header", preamble=("# logger", "")),
    Style(time="day_number", said="nowhere", on="pressed", off="free", end="\r\n"),
    Style("|", ",", "seconds", said="row", on="active", off="inactive", encoding="utf-16-be"),
    Style("spaces", time="seconds", said="nowhere", blank="-", neutral="N"),
    Style(time="epoch_us", speed="km/h", said="header", on="0", off="1"),
)


@dataclass(frozen=True, slots=True)
class Trial:
    """One log with the truth about it."""

    member: Member
    columns: Mapping[str, str]
    units: Mapping[str, str]
    on: Mapping[str, str]
    style: Style


@cache
def ride(seed: int) -> SimulatedRide:
    """A healthy ride of one of the models; the seed chooses model, rider, route, rate."""
    rng = np.random.default_rng(seed)
    extras = [c for c in EXTRAS if rng.random() < 0.5]
    brakes = ("front_brake", "rear_brake") if rng.random() < 0.8 else ("brake_lamp",)
    wanted = [c for c in FULL_CHANNELS if c not in {"front_brake", "rear_brake"}]
    logger = LoggerSpec("trial", "comma", float(rng.choice([10, 20])), (*wanted, *brakes, *extras))
    bike = BikeSpec("T07", MODELS[str(rng.choice(list(MODELS)))], logger)
    legs = PLANS[str(rng.choice(["proving-loop", "valley", "day-out", "transfer"]))]
    rider = RIDERS[str(rng.choice(list(RIDERS)))]
    plan = RidePlan(datetime(2026, 5, 17, 9, 12, tzinfo=UTC), legs, rider)
    return simulate_ride(bike, plan, seed)


def trial(seed: int, *, style: int | None = None, nameless: bool = False) -> Trial:
    """A log: a ride, a style and names, all by the seed."""
    rng = np.random.default_rng((seed, 7))
    how = STYLES[seed % len(STYLES) if style is None else style]
    frame = ride(seed).samples
    units = {"wheel_speed": how.speed, "cruise_set_speed": how.speed, "gps_speed": how.speed}
    columns: dict[str, str] = {}
    cells: list[pl.Series] = []
    said: list[str] = []
    present = [c for c in frame.columns if c != "time"]
    for channel in rng.permutation(present):
        unit = units.get(channel, channels()[channel].unit)
        shown = f" [{unit}]" if unit and how.said == "header" else ""
        known = [n for n in NAMES[channel] if _can_write(n, how.encoding)]
        name = str(rng.choice(known)).replace("{u}", shown)
        if nameless:
            name = f"ch{len(cells) + 1:02d}{shown}"
        if how.separator == "spaces":
            name = name.replace(" ", "_")
        columns[str(channel)] = name
        said.append(unit)
        cells.append(_cells(frame[channel], how, unit).alias(name))
    stamp_names, stamps = _stamps(frame["time"], how)
    names = [*stamp_names, *(c.name for c in cells)]
    mark = "  " if how.separator == "spaces" else how.separator
    quote = '"' if how.quotes else ""
    rows = pl.select(pl.concat_str([*stamps, *cells], separator=mark)).to_series().to_list()
    lines = [*how.preamble]
    if how.time in {"seconds", "milliseconds"}:
        lines.append("# start 2026-05-17T09:12:00Z")
    lines.append(mark.join(f"{quote}{n}{quote}" for n in names))
    if how.said == "row":
        lines.append(mark.join(["s", *([""] * (len(stamps) - 1)), *said]))
    text = how.end.join([*lines, *rows]) + how.end
    data = text.encode(how.encoding, "replace")
    mark_bytes = {"utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff"}.get(how.encoding, b"")
    kinds = channels()
    return Trial(
        member=Member("T07_2026-05-17.csv", content_of(mark_bytes + data)),
        columns=columns,
        units={c: units.get(c, kinds[c].unit) for c in columns if kinds[c].kind == "number"},
        on={c: how.on for c in columns if kinds[c].kind == "switch"},
        style=how,
    )


def _can_write(text: str, encoding: str) -> bool:
    return text.encode(encoding, "ignore").decode(encoding) == text


def _number(values: pl.Series, decimals: int, how: Style) -> pl.Series:
    text = pl.Series([None if v is None else f"{v:.{decimals}f}" for v in values.to_list()])
    return text.cast(pl.String).str.replace(".", how.decimal, literal=True).fill_null(how.blank)


def _cells(values: pl.Series, how: Style, unit: str) -> pl.Series:
    channel = channels()[values.name]
    if channel.kind == "switch":
        words = {True: how.on, False: how.off, None: how.blank}
        return pl.Series([words[v] for v in values.to_list()])
    if channel.kind == "integer":
        words = {0: how.neutral, None: how.blank}
        return pl.Series([words.get(v, str(v)) for v in values.to_list()])
    factor = 1.0 if unit == channel.unit else 1.0 / to_channel_unit(unit, channel.unit)[0]
    fine = {"engine_speed": 0, "coolant_temperature": 0, "supply_voltage": 2}
    decimals = fine.get(values.name, 2 if factor != 1.0 else 1)
    return _number(values * factor, decimals, how)


def _stamps(time: pl.Series, how: Style) -> tuple[list[str], list[pl.Series]]:
    us = time.dt.epoch("us")
    elapsed = us - us[0]
    point = how.decimal
    berlin = time.dt.convert_time_zone("Europe/Berlin")
    if how.time == "seconds":
        return ["Zeit"], [_number(elapsed / 1e6, 3, how)]
    if how.time == "milliseconds":
        return ["ms"], [(elapsed // 1000).cast(pl.String)]
    if how.time == "epoch_ms":
        return ["stamp"], [(us // 1000).cast(pl.String)]
    if how.time == "epoch_us":
        return ["ts"], [us.cast(pl.String)]
    if how.time == "epoch_s":
        return ["unix"], [_number(us / 1e6, 3, how)]
    if how.time == "iso":
        return ["Timestamp"], [time.dt.strftime(f"%Y-%m-%dT%H:%M:%S%.3f{how.zone}")]
    if how.time == "clock":
        return ["clock"], [time.dt.strftime("%H:%M:%S%.3f")]
    if how.time == "local dotted":
        return ["Zeitstempel"], [berlin.dt.strftime("%d.%m.%Y %H:%M:%S%.3f")]
    if how.time == "slashed":
        return ["when"], [time.dt.strftime("%d/%m/%Y %H:%M:%S%.3f")]
    if how.time == "day and clock":
        day, clock = berlin.dt.strftime("%d.%m.%Y"), berlin.dt.strftime("%H:%M:%S%.3f")
        return ["Date", "Heure"], [day, clock.str.replace(".", point, literal=True)]
    days = us / 86_400e6 + 25_569
    return ["t"], [_number(days, 8, how)]


@dataclass(frozen=True, slots=True)
class Judged:
    """wrong: channels that are mapped wrongly without being asked about."""

    wrong: tuple[str, ...]
    missing: tuple[str, ...]
    asked: tuple[str, ...]
    loads: bool

    @property
    def wholly_right(self) -> bool:
        """Everything mapped rightly, nothing left to ask."""
        return self.loads and not (self.wrong or self.missing)


def judged(case: Trial, proposal: Proposal) -> Judged:
    """The draft against the truth: columns, units, polarity, and whether it loads."""
    import tomllib

    table = tomllib.loads(proposal.toml)
    try:
        Layout.model_validate(table)
        loads = True
    except ValueError:
        loads = False
    drafted = {k: v for k, v in table["columns"].items() if k != "time"}
    wrong = [c for c in drafted if not _right(case, c, drafted[c])]
    missing = [c for c in case.columns if c not in drafted]
    return Judged(tuple(wrong), tuple(missing), proposal.questions, loads)


def _right(case: Trial, channel: str, entry: Mapping[str, Any]) -> bool:
    if case.columns.get(channel) != entry["column"]:
        return False
    if channel in case.units:
        stored = channels()[channel].unit
        stated = str(entry.get("unit", stored))
        return not stored or to_channel_unit(stated, stored) == to_channel_unit(
            case.units[channel], stored
        )
    if channel in case.on:
        word = case.on[channel]
        if "on_above" in entry:
            high = float(word) > float(str(entry["on_above"]))
            return high != bool(entry.get("inverted", False))
        return word.lower() in [str(w).lower() for w in entry["on"]]
    return True


def try_out(
    seed: int, *, style: int | None = None, nameless: bool = False
) -> tuple[Trial, Proposal, Judged]:
    """One trial, judged. nameless: columns are called ch01, ch02 and so on."""
    case = trial(seed, style=style, nameless=nameless)
    proposal = propose_member(case.member)
    return case, proposal, judged(case, proposal)
