"""Rides for tests, built from pieces so that ratio, slowing and switches agree by themselves.

Pieces, in order:

    stand 5 s                          at rest in neutral
    speed to 80 at 1.5 m/s2            rider's throttle (or closed throttle if slower)
    80 km/h, gear 5, 30 s              steady, rider's throttle
    cruise 100 km/h, gear 5, 60 s      armed, set pressed, engaged from the piece's start
    drift 0.2 m/s2 to 84               still engaged, away from the set speed
    brake 2.5 m/s2 to 20               front brake and lamp ("rear brake", "unlit brake")
    coast 0.7 m/s2 to 60               grip closed
    roll off 0.7 m/s2 to 60            grip past closed for 0.4 s, then coast
    cancel 0.7 m/s2 to 60              cancel button for 0.3 s, then coast
    clutch 0.7 m/s2 to 60              clutch pulled and held, engine to idle

Any piece may add ", gear 4"; else the gear follows the speed. Cruise stays engaged
LATENCY_S into the piece that follows it. Overlays are laid over the finished ride; all
times are in seconds from its start:

    on.X, off.X = [[a, b], ...]        a switch on or off on rows a <= t < b; a brake lights
                                       the lamp unless off.brake_lamp says otherwise
    set.X, add.X, times.X = [[a, b, value], ...]
    ripple.X = [[a, b, share, order], ...]   a wave of so much of it, so often per wheel turn
    ramp.X = [[a, b, from, to], ...]   added, growing from one value to the other
    blank.X, freeze.X = [[a, b], ...]
    repeat = [[a, b, from], ...]       rows a <= t < b hold again what stands from "from" on
    gaps = [[a, b], ...]               rows missing
    clock = [[a, b, s], ...]           time cells wrong by s; clock_as: how written
    refresh.X = 0.9                    the channel shows a new value only this often
    step.X = 1.0                       quantised to this
    channels, drop, only = [...]       channels beside, without, or instead of the usual
    rate_hz, seed, lag_s, notes, out_of_range, skew.X, latched = [...]
    model.cruise, model.speed_signal, model.other_models; thresholds."rule".name = value
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import (
    ChannelFacts,
    Cruise,
    Drivetrain,
    Note,
    Override,
    Part,
    PartInfo,
    Settings,
    SpeedSignal,
)
from ridecheck.signals.ride import Ride

START = datetime(2026, 5, 1, 8, 0, tzinfo=UTC)
LATENCY_S = 0.15
SHIFT_S = 0.5
DRIVETRAIN = Drivetrain(
    overall_ratios=tuple(1.62 * 2.45 * g for g in (2.55, 1.78, 1.36, 1.09, 0.91)),
    circumference_m=1.98,
    idle_rpm=1000.0,
    redline_rpm=8500.0,
)
CHANGE_UP_KMH = (25.0, 45.0, 62.0, 78.0)
USUAL = [
    "wheel_speed",
    "engine_speed",
    "gear",
    "throttle",
    "throttle_grip",
    "front_brake",
    "rear_brake",
    "brake_lamp",
    "clutch",
    "roll_off",
    "cruise_armed",
    "cruise_engaged",
    "cruise_set_speed",
    "switch_power",
    "switch_set",
    "switch_resume",
    "switch_cancel",
]
STEPS = {"wheel_speed": 0.1, "engine_speed": 10.0, "throttle": 0.5, "throttle_grip": 0.5}
PIECE = re.compile(
    r"(?:(?P<verb>stand|speed|cruise|drift|(?:rear |unlit )?brake|coast|roll off|cancel|clutch) ?)?"
    r"(?:at |to )?(?:(?P<hold_kmh>[\d.]+) km/h)?"
    r"(?:(?P<rate>[\d.]+) m/s2 to (?P<to_kmh>[\d.]+))?"
    r"(?:(?P<to2_kmh>[\d.]+) at (?P<rate2>[\d.]+) m/s2)?"
    r"(?:, gear (?P<gear>\d))?(?:,? ?(?P<seconds>[\d.]+) s)?"
)


@dataclass(frozen=True)
class Piece:
    """One piece as understood: where it starts and ends, in time and speed."""

    verb: str
    start_s: float
    end_s: float
    from_kmh: float
    to_kmh: float
    gear: int | None


def pieces_of(texts: list[str]) -> list[Piece]:
    """Read pieces one after the other; speed carries on."""
    found: list[Piece] = []
    t_s, v = 0.0, 0.0
    for text in texts:
        match = PIECE.fullmatch(text)
        if match is None:
            raise ValueError(f"not a piece: {text!r}")
        verb = match["verb"] or "steady"
        if match["hold_kmh"] or verb == "stand":
            v = v_end = float(match["hold_kmh"] or 0.0)
            length_s = float(match["seconds"])
        else:
            v_end = float(match["to_kmh"] or match["to2_kmh"])
            length_s = abs(v_end - v) / 3.6 / float(match["rate"] or match["rate2"])
        gear = int(match["gear"]) if match["gear"] else None
        found.append(Piece(verb, t_s, t_s + length_s, v, v_end, gear))
        t_s, v = t_s + length_s, v_end
    return found


def merged(base: Mapping[str, Any], case: Mapping[str, Any]) -> dict[str, Any]:
    """A case laid over the ride every case of its file starts from, table by table."""
    result = dict(base)
    for key, value in case.items():
        both_tables = isinstance(value, Mapping) and isinstance(result.get(key), Mapping)
        result[key] = merged(result[key], value) if both_tables else value
    return result


def ride_from(base: Mapping[str, Any], case: Mapping[str, Any] | None = None) -> Ride:
    """The ride of a case."""
    plan = merged(base, case or {})
    part = part_from(plan)
    return Ride("T01-20260501T080000Z", "T01", (part,), settings_from(plan))


def settings_from(plan: Mapping[str, Any]) -> Settings:
    """The bike's settings: the usual test model, changed where the plan says so."""
    model = plan.get("model", {})
    cruise = {k: tuple(v) if isinstance(v, list) else v for k, v in model.get("cruise", {}).items()}
    others = {
        name: Drivetrain(tuple(table["overall_ratios"]), table["circumference_m"])
        for name, table in model.get("other_models", {}).items()
    }
    others_high = {
        name: float(table.get("reads_high_percent", 0.0))
        for name, table in model.get("other_models", {}).items()
    }
    ratios = model.get("overall_ratios")
    drivetrain = replace(DRIVETRAIN, overall_ratios=tuple(ratios)) if ratios else DRIVETRAIN
    thresholds = {
        rule: {name: Override(float(v), "fleet") for name, v in table.items()}
        for rule, table in plan.get("thresholds", {}).items()
    }
    return Settings(
        model="test-five",
        drivetrain=drivetrain,
        speed_signal=SpeedSignal(**{"taken_from": "driven_wheel", **model.get("speed_signal", {})}),
        cruise=Cruise(**cruise),
        thresholds=thresholds,
        other_models=others,
        other_reads_high=others_high,
    )


def part_from(plan: Mapping[str, Any]) -> Part:
    """The part of a plan, with the facts a reader would have measured."""
    rate_hz = float(plan.get("rate_hz", 20))
    rng = np.random.default_rng(plan.get("seed", 1))
    pieces = pieces_of(plan["pieces"])
    t_s = np.arange(0.0, pieces[-1].end_s - 1e-9, 1.0 / rate_hz)
    if jitter := plan.get("jitter_s"):
        t_s = np.sort(t_s + rng.uniform(-jitter / 2, jitter / 2, len(t_s)))
        t_s -= t_s[0]
    columns = _overlaid(plan, t_s, _channels(pieces, t_s, plan, rng))
    columns = {n: v for n, v in columns.items() if n in _wanted(plan, columns)}
    columns = {n: _as_logged(n, v, t_s, plan) for n, v in columns.items()}
    for a, b, source_s in plan.get("repeat", []):
        rows = np.flatnonzero((t_s >= a - 1e-9) & (t_s < b - 1e-9))
        first = int(np.searchsorted(t_s, source_s - 1e-9))
        for values in columns.values():
            values[rows] = values[first : first + len(rows)]
    kept = np.ones(len(t_s), dtype=bool)
    for a, b in plan.get("gaps", []):
        kept &= ~((t_s >= a - 1e-9) & (t_s < b - 1e-9))
    t_s = t_s[kept]
    samples = pl.DataFrame(
        {
            "time": [START + timedelta(seconds=round(float(t), 6)) for t in t_s],
            "row": pl.Series(np.flatnonzero(kept) + 2, dtype=pl.UInt32),
            "file_time": _file_time(plan, t_s),
        }
    ).with_columns(
        pl.col("time").cast(pl.Datetime("us", "UTC")),
        *(_column(name, values[kept]) for name, values in columns.items()),
    )
    return Part(_info(plan, t_s, samples, columns, kept, 1.0 / rate_hz), samples)


def _file_time(plan: Mapping[str, Any], t_s: np.ndarray) -> list[str]:
    shown = t_s.copy()
    for a, b, value in plan.get("clock", []):
        shown[(t_s >= a - 1e-9) & (t_s < b - 1e-9)] += value
    if pattern := plan.get("clock_as"):
        stamps = pl.Series([START + timedelta(seconds=round(float(t), 6)) for t in shown])
        return stamps.dt.strftime(pattern).to_list()
    return [f"{t:.3f}" for t in shown]


def _info(
    plan: Mapping[str, Any],
    t_s: np.ndarray,
    samples: pl.DataFrame,
    columns: Mapping[str, np.ndarray],
    kept: np.ndarray,
    row_interval_s: float,
) -> PartInfo:
    facts = {
        name: ChannelFacts(
            interval_s=max(plan.get("refresh", {}).get(name, 0.0), row_interval_s),
            present=float((~np.isnan(values[kept])).mean()) if kept.any() else 0.0,
            step=_step(name, plan) if catalog()[name].kind == "number" else 0.0,
            skew_s=plan.get("skew", {}).get(name, 0.0),
            latched=name in plan.get("latched", []),
        )
        for name, values in columns.items()
    }
    return PartInfo(
        stem="0123456789ab-1",
        bike="T01",
        log="T01_2026-05-01.csv",
        sha256="0" * 64,
        rows_sha256="0" * 64,
        read_key="0" * 64,
        layout="test",
        start=START,
        end=START + timedelta(seconds=float(t_s[-1])),
        dating="time",
        start_from="column",
        rows=len(samples),
        row_interval_s=row_interval_s,
        channels=facts,
        notes=tuple(Note(*note) for note in plan.get("notes", [])),
        out_of_range=plan.get("out_of_range", {}),
    )


def _wanted(plan: Mapping[str, Any], columns: Mapping[str, np.ndarray]) -> set[str]:
    usual = set(plan.get("only", USUAL)) | set(plan.get("channels", []))
    return (usual & set(columns)) - set(plan.get("drop", []))


def _channels(
    pieces: list[Piece], t_s: np.ndarray, plan: Mapping[str, Any], rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """Every channel, before overlays: floats, switches 0.0 and 1.0."""
    at = np.searchsorted([p.start_s for p in pieces], t_s + 1e-9, side="right") - 1
    v = np.interp(t_s, *_breakpoints(pieces))
    verbs = np.array([p.verb for p in pieces])[at]
    rate = np.array(
        [(p.to_kmh - p.from_kmh) / 3.6 / max(p.end_s - p.start_s, 1e-9) for p in pieces]
    )
    a = rate[at]
    forced = np.array([p.gear or 0 for p in pieces])[at]
    gear = np.where(forced > 0, forced, 1 + np.searchsorted(CHANGE_UP_KMH, v))
    gear = np.where((verbs == "stand") & (v < 1), 0, gear)
    clutch = _clutch(t_s, gear, v, verbs)
    columns = _switches(pieces, t_s)
    columns |= {"gear": gear.astype(float), "clutch": clutch}
    columns |= _speeds(v, rng)
    columns["engine_speed"] = _engine_speed(t_s, v, gear, clutch, plan, rng)
    columns |= _throttles(v, a, verbs, columns["cruise_engaged"])
    columns["neutral_switch"] = (gear == 0).astype(float)
    columns["run_switch"] = np.ones(len(t_s))
    columns["supply_voltage"] = 14.1 + 0.05 * rng.standard_normal(len(t_s))
    columns["odometer"] = 12000.0 + np.cumsum(v * np.diff(t_s, prepend=0.0)) / 3600.0
    columns["altitude"] = np.full(len(t_s), 200.0)
    columns["acceleration"] = a + 0.05 * rng.standard_normal(len(t_s))
    columns["lean_angle"] = np.zeros(len(t_s))
    columns["coolant_temperature"] = np.full(len(t_s), 88.0)
    for name in ("side_stand", "fault_lamp", "abs_active", "traction_active", "marker"):
        columns[name] = np.zeros(len(t_s))
    for control in ("front_brake", "rear_brake"):
        columns[f"{control}_pressure"] = 20.0 + 800.0 * columns[control]
    return columns


def _breakpoints(pieces: list[Piece]) -> tuple[list[float], list[float]]:
    times, speeds = [], []
    for p in pieces:
        times += [p.start_s, p.end_s]
        speeds += [p.from_kmh, p.to_kmh]
    return times, speeds


def _clutch(t_s: np.ndarray, gear: np.ndarray, v: np.ndarray, verbs: np.ndarray) -> np.ndarray:
    """Pulled at each gear change, at walking speed in gear, and where a piece says so."""
    clutch = ((gear > 0) & (v < 9.0)) | (verbs == "clutch")
    for i in np.flatnonzero(np.diff(gear) != 0):
        clutch |= (t_s >= t_s[i + 1] - 1e-9) & (t_s < t_s[i + 1] + SHIFT_S)
    return clutch.astype(float)


def _engine_speed(
    t_s: np.ndarray,
    v: np.ndarray,
    gear: np.ndarray,
    clutch: np.ndarray,
    plan: Mapping[str, Any],
    rng: np.random.Generator,
) -> np.ndarray:
    """Locked to the wheel in gear, towards idle with the clutch in, then the needle's lag."""
    made = replace(
        DRIVETRAIN, overall_ratios=tuple(plan.get("made_with", DRIVETRAIN.overall_ratios))
    )
    per_kmh = np.array([0.0, *(made.rpm_per_kmh(g) for g in range(1, 6))])
    target = np.maximum(v * per_kmh[gear], DRIVETRAIN.idle_rpm)
    free = (clutch == 1) | (gear == 0)
    long_free = free & np.concatenate((free[5:], np.ones(min(5, len(free)), dtype=bool)))
    target = np.where(long_free & (v > 9), np.maximum(DRIVETRAIN.idle_rpm, 0.7 * target), target)
    target *= 1 + 0.002 * rng.standard_normal(len(t_s))
    lag_s, rpm = plan.get("lag_s", 0.1), target.copy()
    step_s = np.diff(t_s, prepend=t_s[0])
    for i in range(1, len(rpm)):
        rpm[i] = rpm[i - 1] + (target[i] - rpm[i - 1]) * (1 - np.exp(-step_s[i] / lag_s))
    return rpm


def _speeds(v: np.ndarray, rng: np.random.Generator) -> dict[str, np.ndarray]:
    moving = v > 0.5
    return {
        name: np.where(moving, np.maximum(v + noise * rng.standard_normal(len(v)), 0.0), 0.0)
        for name, noise in (("wheel_speed", 0.05), ("front_wheel_speed", 0.05), ("gps_speed", 0.2))
    }


def _throttles(
    v: np.ndarray, a: np.ndarray, verbs: np.ndarray, engaged: np.ndarray
) -> dict[str, np.ndarray]:
    """Plate: road load and acceleration; grip: the same, but closed while cruise works."""
    closed = np.isin(
        verbs, ["coast", "brake", "rear brake", "unlit brake", "roll off", "cancel", "clutch"]
    )
    plate = np.clip(2.0 + 0.0018 * v**2 + 12.0 * a, 0.0, 100.0) * (v > 1)
    plate = np.where(closed & (engaged == 0), 0.0, plate)
    return {"throttle": plate, "throttle_grip": np.where(closed | (engaged == 1), 0.0, plate)}


def _switches(pieces: list[Piece], t_s: np.ndarray) -> dict[str, np.ndarray]:
    names = [
        "front_brake",
        "rear_brake",
        "brake_lamp",
        "roll_off",
        "cruise_armed",
        "cruise_engaged",
        "switch_power",
        "switch_set",
        "switch_resume",
        "switch_cancel",
    ]
    columns = {name: np.zeros(len(t_s)) for name in names}

    def on(name: str, start_s: float, end_s: float) -> None:
        columns[name][(t_s >= start_s - 1e-9) & (t_s < end_s - 1e-9)] = 1.0

    set_kmh = np.full(len(t_s), np.nan)
    for piece, before in zip(pieces, [None, *pieces], strict=False):
        engaged_until_s = piece.start_s + LATENCY_S
        if piece.verb in ("brake", "rear brake"):
            control = "rear_brake" if piece.verb == "rear brake" else "front_brake"
            on(control, piece.start_s, piece.end_s)
            on("brake_lamp", piece.start_s, piece.end_s)
        elif piece.verb == "roll off":
            on("roll_off", piece.start_s, piece.start_s + 0.4)
        elif piece.verb == "cancel":
            on("switch_cancel", piece.start_s, piece.start_s + 0.3)
        elif piece.verb == "drift":
            on("cruise_engaged", piece.start_s, piece.end_s)
        elif piece.verb == "cruise":
            on("cruise_engaged", piece.start_s, piece.end_s)
            on("switch_set", piece.start_s - 0.3, piece.start_s)
            set_kmh[t_s >= piece.start_s - 1e-9] = piece.to_kmh
        if (
            before is not None
            and before.verb in ("cruise", "drift")
            and piece.verb not in ("cruise", "drift")
        ):
            on("cruise_engaged", piece.start_s, engaged_until_s)
    cruising = [p.start_s for p in pieces if p.verb == "cruise"]
    if cruising:
        on("cruise_armed", max(min(cruising) - 5.0, 0.0), np.inf)
        on("switch_power", min(cruising) - 5.0, min(cruising) - 4.7)
    return columns | {"cruise_set_speed": set_kmh}


def _overlaid(
    plan: Mapping[str, Any], t_s: np.ndarray, columns: dict[str, np.ndarray]
) -> dict[str, np.ndarray]:
    """The overlays, in the order: on, off, set, times, ripple, add, ramp, freeze, blank."""
    steps_s = np.diff(t_s, prepend=t_s[:1])
    turned = np.cumsum(columns["wheel_speed"] * steps_s) / 3.6 / DRIVETRAIN.circumference_m

    def rows(a: float, b: float) -> np.ndarray:
        return (t_s >= a - 1e-9) & (t_s < b - 1e-9)

    for kind in ("on", "off", "set", "times", "ripple", "add", "ramp", "freeze", "blank"):
        for name, spans in plan.get(kind, {}).items():
            values = columns[name]
            for a, b, *value in spans:
                at = rows(a, b)
                match kind:
                    case "on":
                        values[at] = 1.0
                        if name in ("front_brake", "rear_brake"):
                            columns["brake_lamp"][at] = 1.0
                    case "off":
                        values[at] = 0.0
                    case "set":
                        values[at] = value[0]
                    case "times":
                        values[at] *= value[0]
                    case "ripple":
                        values[at] *= 1.0 + value[0] * np.sin(2 * np.pi * value[1] * turned[at])
                    case "add":
                        values[at] += value[0]
                    case "ramp":
                        values[at] += np.interp(t_s[at], [a, b], value)
                    case "freeze":
                        values[at] = values[np.flatnonzero(at)[0]]
                    case "blank":
                        values[at] = np.nan
    return columns


def _as_logged(
    name: str, values: np.ndarray, t_s: np.ndarray, plan: Mapping[str, Any]
) -> np.ndarray:
    """What the logger writes: refreshed so often, in such steps."""
    refresh_s = plan.get("refresh", {}).get(name)
    if refresh_s:
        turn = np.floor(t_s / refresh_s + 1e-9)
        first = np.searchsorted(turn, turn)
        values = values[first]
    step = _step(name, plan)
    if catalog()[name].kind == "number" and step:
        values = np.round(values / step) * step
    return values


def _step(name: str, plan: Mapping[str, Any]) -> float:
    return float(plan.get("step", {}).get(name, STEPS.get(name, 0.0)))


def _column(name: str, values: np.ndarray) -> pl.Series:
    if catalog()[name].kind == "number":
        return pl.Series(name, values).fill_nan(None)
    if catalog()[name].kind == "integer":
        return pl.Series(name, values).fill_nan(None).cast(pl.Int16)
    return pl.Series(name, values).fill_nan(None).cast(pl.UInt8).cast(pl.Boolean)
