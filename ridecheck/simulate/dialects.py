"""How loggers write: a frame of channels to the bytes of a file, and the layout that reads it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import polars as pl

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.units import KM_PER_MILE
from ridecheck.simulate.spec import LoggerSpec

TimeStyle = Literal["seconds", "local", "epoch_ms", "timestamp", "milliseconds", "iso"]


@dataclass(frozen=True, slots=True)
class Dialect:
    """One way of writing. names: channel -> column; units: channel -> (unit, factor, decimals).

    on, off: how switches are written; a pair of numbers with on_above makes them volts.
    inverted: switches written the other way round (0 is operated).
    """

    name: str
    kind: Literal["csv", "parquet"] = "csv"
    separator: str = ","
    decimal: str = "."
    time: TimeStyle = "seconds"
    zone: str = "UTC"
    on: str = "1"
    off: str = "0"
    on_above: float | None = None
    names: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, tuple[str, float, float, int]] = field(default_factory=dict)
    neutral: str = "0"
    blank: str = ""
    units_row: bool = False
    line_end: str = "\n"
    inverted: tuple[str, ...] = ()
    time_name: str = ""

    @property
    def suffix(self) -> str:
        """End of the file's name."""
        return "parquet" if self.kind == "parquet" else "csv" if self.separator != "\t" else "txt"

    def column(self, channel: str) -> str:
        """The column a channel is written under."""
        return self.names.get(channel, channel)


DECIMALS = {
    "engine_speed": 0, "throttle": 1, "throttle_grip": 1, "cruise_set_speed": 0, "odometer": 1,
    "supply_voltage": 2, "coolant_temperature": 0, "air_temperature": 0, "altitude": 0,
    "front_brake_pressure": 0, "rear_brake_pressure": 0, "lean_angle": 1, "yaw_rate": 1,
    "acceleration": 2, "vertical_acceleration": 2, "gps_speed": 1,
}  # fmt: skip

_SHORT = {
    "wheel_speed": "VSS", "front_wheel_speed": "VFW", "gps_speed": "GSPD", "engine_speed": "RPM",
    "gear": "GEAR", "neutral_switch": "NTRL", "throttle": "TPS", "throttle_grip": "GRIP",
    "front_brake": "FB", "rear_brake": "RB", "brake_lamp": "LAMP", "clutch": "CL",
    "roll_off": "ROFF", "cruise_armed": "ARM", "cruise_engaged": "ENG",
    "cruise_set_speed": "VSET", "switch_power": "PB", "switch_set": "SB", "switch_resume": "RSB",
    "switch_cancel": "CB", "supply_voltage": "UB", "coolant_temperature": "TW",
    "air_temperature": "TA", "odometer": "ODO", "altitude": "ALT", "acceleration": "AX",
    "vertical_acceleration": "AZ", "lean_angle": "LEAN", "marker": "MRK", "run_switch": "RUN",
    "side_stand": "STND",
}  # fmt: skip
_LONG = {
    "wheel_speed": "Road speed (km/h)", "front_wheel_speed": "Front wheel (km/h)",
    "gps_speed": "Ground speed (km/h)", "engine_speed": "Engine (rpm)", "gear": "Gear",
    "neutral_switch": "Neutral", "throttle": "Throttle (%)", "throttle_grip": "Grip (%)",
    "front_brake": "Front brake", "rear_brake": "Rear brake", "brake_lamp": "Stop lamp",
    "clutch": "Clutch", "roll_off": "Roll-off", "cruise_armed": "Cruise lamp",
    "cruise_engaged": "Cruise holding", "cruise_set_speed": "Set speed (km/h)",
    "switch_power": "Main button", "switch_set": "Set button", "switch_resume": "Resume button",
    "switch_cancel": "Cancel button", "supply_voltage": "Supply (V)",
    "coolant_temperature": "Coolant (C)",
}  # fmt: skip
_VOLTS = {
    "wheel_speed": "speed_mph", "gps_speed": "gps_mph", "engine_speed": "rpm", "gear": "gear",
    "throttle": "tp", "front_brake": "fbrk_v", "rear_brake": "rbrk_v", "brake_lamp": "stop_v",
    "clutch": "clutch_v", "roll_off": "shutoff_v", "cruise_armed": "cc_on_v",
    "cruise_engaged": "cc_set_v", "cruise_set_speed": "cc_mph", "switch_power": "cc_main_v",
    "switch_set": "cc_dec_v", "switch_resume": "cc_acc_v", "switch_cancel": "cc_can_v",
    "supply_voltage": "batt", "coolant_temperature": "ect_f",
}  # fmt: skip
_MPH = dict.fromkeys(("wheel_speed", "gps_speed"), ("mph", 1.0 / KM_PER_MILE, 0.0, 2))

_PLAIN = {
    "wheel_speed": "v_rear [m/s]", "front_wheel_speed": "v_front [m/s]", "gps_speed": "v_sat [m/s]",
    "engine_speed": "n [rev/s]", "gear": "g", "throttle": "plate", "throttle_grip": "hand",
    "front_brake": "brake F", "rear_brake": "brake R", "brake_lamp": "stop", "clutch": "lever L",
    "roll_off": "shut", "cruise_armed": "auto on", "cruise_engaged": "auto hold",
    "cruise_set_speed": "auto [m/s]", "switch_power": "key 1", "switch_set": "key 2",
    "switch_resume": "key 3", "switch_cancel": "key 4", "supply_voltage": "u [mV]",
}  # fmt: skip
_SPEEDS = ("wheel_speed", "front_wheel_speed", "gps_speed", "cruise_set_speed")
_METRES = {
    **dict.fromkeys(_SPEEDS, ("m/s", 1.0 / 3.6, 0.0, 3)),
    "engine_speed": ("Hz", 1.0 / 60.0, 0.0, 2),
    "supply_voltage": ("mV", 1000.0, 0.0, 0),
}

DIALECTS: dict[str, Dialect] = {
    d.name: d
    for d in (
        Dialect("comma", names=_SHORT),
        Dialect(
            "semicolon",
            separator=";",
            decimal=",",
            time="local",
            zone="Europe/Lisbon",
            on="pressed",
            off="free",
            names=_LONG,
            neutral="N",
            units_row=False,
            line_end="\r\n",
        ),
        Dialect(
            "tab",
            separator="\t",
            time="epoch_ms",
            on="12.4",
            off="0.1",
            on_above=6.0,
            names=_VOLTS,
            neutral="0",
            blank="NA",
            units=_MPH
            | {
                "cruise_set_speed": ("mph", 1.0 / KM_PER_MILE, 0.0, 1),
                "coolant_temperature": ("degF", 1.8, 32.0, 0),
            },
        ),
        Dialect("parquet", kind="parquet", time="timestamp"),
        Dialect("pipe", separator="|", time="milliseconds", on="true", off="false", blank="-"),
        Dialect(
            "metres",
            separator=";",
            time="iso",
            on="1",
            off="0",
            names=_PLAIN,
            units=_METRES,
            inverted=("front_brake", "rear_brake", "clutch"),
            time_name="utc",
        ),
        Dialect("table", kind="parquet", time="timestamp", names=_SHORT, time_name="at"),
    )
}


def write_log(frame: pl.DataFrame, dialect: Dialect, path: Path) -> None:
    """Write a ride's samples (catalogue units, ``time``) as one log file of a dialect."""
    if dialect.kind == "parquet":
        _parquet(frame, dialect).write_parquet(
            path, compression="zstd", statistics=False, row_group_size=1_000_000
        )
        return
    path.write_bytes(csv_bytes(frame, dialect))


def csv_bytes(frame: pl.DataFrame, dialect: Dialect) -> bytes:
    """The bytes of a text log: preamble, header, rows."""
    channels = [c for c in frame.columns if c != "time"]
    head = [*_time_columns(dialect), *(dialect.column(c) for c in channels)]
    cells = [*_time_cells(frame, dialect), *(_cell(frame[c], dialect) for c in channels)]
    rows = pl.select(pl.concat_str(cells, separator=dialect.separator)).to_series().to_list()
    lines = [*_preamble(frame, dialect), dialect.separator.join(head), *rows]
    return (dialect.line_end.join(lines) + dialect.line_end).encode("utf-8")


def _preamble(frame: pl.DataFrame, dialect: Dialect) -> list[str]:
    if dialect.time not in ("seconds", "milliseconds"):
        return []
    start: datetime = frame["time"][0]
    stamp = start.strftime("%Y-%m-%dT%H:%M:%S.") + f"{start.microsecond // 1000:03d}Z"
    return ["# bench recorder, wired channels", f"# start {stamp}"]


def _time_columns(dialect: Dialect) -> list[str]:
    if dialect.time_name:
        return [dialect.time_name]
    return {
        "seconds": ["t"],
        "milliseconds": ["ms"],
        "local": ["Date", "Time"],
        "epoch_ms": ["stamp"],
        "timestamp": ["time"],
        "iso": ["time"],
    }[dialect.time]


def _time_cells(frame: pl.DataFrame, dialect: Dialect) -> list[pl.Series]:
    time = frame["time"]
    if dialect.time == "epoch_ms":
        return [time.dt.epoch("ms").cast(pl.String)]
    if dialect.time == "iso":
        return [time.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")]
    if dialect.time == "local":
        local = time.dt.convert_time_zone(str(ZoneInfo(dialect.zone)))
        return [local.dt.strftime("%d.%m.%Y"), local.dt.strftime("%H:%M:%S%.3f")]
    elapsed_ms = time.dt.epoch("ms") - time.dt.epoch("ms")[0]
    if dialect.time == "milliseconds":
        return [elapsed_ms.cast(pl.String)]
    return [_fixed(elapsed_ms.cast(pl.Float64) / 1000.0, 3)]


def _fixed(values: pl.Series, decimals: int) -> pl.Series:
    """Numbers as text with a fixed number of decimals; null stays null."""
    scaled = (values * 10**decimals).round().cast(pl.Int64)
    if not decimals:
        whole_text: pl.Series = scaled.cast(pl.String)
        return whole_text
    base = 10**decimals
    whole = (scaled.abs() // base).cast(pl.String)
    rest = (scaled.abs() % base).cast(pl.String).str.zfill(decimals)
    sign = pl.select(pl.when(scaled < 0).then(pl.lit("-")).otherwise(pl.lit(""))).to_series()
    text: pl.Series = pl.select(pl.concat_str([sign, whole, pl.lit("."), rest])).to_series()
    return text


def _cell(values: pl.Series, dialect: Dialect) -> pl.Series:
    name = values.name
    kind = catalog()[name].kind
    if kind == "switch":
        if name in dialect.inverted:
            values = ~values
        text = pl.select(
            pl.when(values).then(pl.lit(dialect.on)).otherwise(pl.lit(dialect.off))
        ).to_series()
        text = text.set(values.is_null(), None)
    elif kind == "integer":
        text = values.cast(pl.String)
        if dialect.neutral != "0":
            text = text.replace("0", dialect.neutral)
    else:
        _, factor, offset, decimals = dialect.units.get(name, ("", 1.0, 0.0, -1))
        decimals = decimals if decimals >= 0 else DECIMALS.get(name, 1)
        text = _fixed(values * factor + offset, decimals)
        if dialect.decimal != ".":
            text = text.str.replace(".", dialect.decimal, literal=True)
    return text.fill_null(dialect.blank).alias(name)


def _parquet(frame: pl.DataFrame, dialect: Dialect) -> pl.DataFrame:
    numbers = [c for c in frame.columns if frame[c].dtype == pl.Float64]
    tidy = frame.with_columns(
        *(pl.col(c).round(DECIMALS.get(c, 1)).cast(pl.Float32) for c in numbers)
    )
    names = {c: dialect.column(c) for c in frame.columns if c != "time"}
    return tidy.rename(names | {"time": _time_columns(dialect)[0]})


def layout_toml(logger: LoggerSpec) -> str:
    """The layout file that reads what a logger writes."""
    dialect = DIALECTS[logger.dialect]
    lines = [f"# How the logger set-up {logger.name} writes: {logger.rate_hz:g} rows a second.", ""]
    lines += ["[file]", f'kind = "{dialect.kind}"']
    if dialect.kind == "csv":
        mark = dialect.separator.replace("\t", "\\t")
        lines += [f'separator = "{mark}"', f'decimal = "{dialect.decimal}"']
    if dialect.zone != "UTC":
        lines += [f'time_zone = "{dialect.zone}"']
    lines += ["", "[columns.time]", *_time_layout(dialect)]
    for channel in logger.channels:
        lines += ["", f"[columns.{channel}]", f'column = "{dialect.column(channel)}"']
        lines += _column_layout(channel, logger, dialect)
    return "\n".join(lines) + "\n"


def _time_layout(dialect: Dialect) -> list[str]:
    columns = _time_columns(dialect)
    column = f'"{columns[0]}"' if len(columns) == 1 else '["Date", "Time"]'
    form = {
        "seconds": "seconds",
        "milliseconds": "milliseconds",
        "local": "%d.%m.%Y %H:%M:%S%.f",
        "epoch_ms": "epoch_milliseconds",
        "timestamp": "",
        "iso": "iso8601",
    }[dialect.time]
    return [f"column = {column}"] + ([f'format = "{form}"'] if form else [])


def _column_layout(channel: str, logger: LoggerSpec, dialect: Dialect) -> list[str]:
    kind = catalog()[channel].kind
    lines: list[str] = []
    if kind == "number" and channel in dialect.units:
        lines.append(f'unit = "{dialect.units[channel][0]}"')
    if kind == "switch" and dialect.kind == "csv":
        if dialect.on_above is not None:
            lines.append(f"on_above = {dialect.on_above}")
        else:
            lines += [f'on = ["{dialect.on}"]', f'off = ["{dialect.off}"]']
        if channel in dialect.inverted:
            lines.append("inverted = true")
    if channel in logger.latched:
        lines.append("latched = true")
    if kind == "switch" and logger.refresh_s.get(channel):
        lines.append(f"refresh_s = {logger.refresh_s[channel]:g}")
    if logger.skew_s.get(channel):
        lines.append(f"skew_s = {logger.skew_s[channel]:g}")
    return lines
