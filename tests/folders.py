"""Fleet folders with real logs, built from the pieces of tests/rides.py."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
from rides import part_from

from ridecheck.batch.run import ScreenOutcome, screen_fleet
from ridecheck.core.catalog import channels as catalog

MONDAY = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
NOW = datetime(2026, 6, 1, 3, 0, tzinfo=UTC)

CLEAN = [
    "stand 3 s",
    "speed to 90 at 2 m/s2",
    "cruise 90 km/h, gear 5, 20 s",
    "brake 3.0 m/s2 to 30",
    "speed to 90 at 2 m/s2",
    "cruise 90 km/h, gear 5, 20 s",
    "rear brake 3.0 m/s2 to 30",
    "speed to 90 at 2 m/s2",
    "brake 3.0 m/s2 to 20",
]
"""A ride in which both danger rules that must be assessed have what they need."""
HELD_ON: Mapping[str, Any] = {"on": {"cruise_engaged": [[36.0, 41.0]]}}
"""Cruise stays on while the front brake of CLEAN's first braking is on."""

FLEET = 'name = "Hollow Hill Tours"\n'
MODEL = """\
[drivetrain]
primary_ratio = 1.62
gear_ratios = [2.55, 1.78, 1.36, 1.09, 0.91]
final_ratio = 2.45
rolling_circumference_m = 1.98
[speed_signal]
taken_from = "driven_wheel"
"""


def layout(channels: list[str], *, unit: str = "km/h") -> str:
    """A layout that maps columns named as the channels."""
    text = '[file]\nkind = "csv"\n[columns.time]\ncolumn = "time"\nformat = "iso8601"\n'
    for name in channels:
        text += f'[columns.{name}]\ncolumn = "{name}"\n'
        if name == "wheel_speed":
            text += f'unit = "{unit}"\n'
    return text


def rows_of(pieces: list[str] = CLEAN, **plan: Any) -> pl.DataFrame:
    """A ride's rows; time is counted from the first."""
    samples = part_from({"pieces": pieces, "rate_hz": 20, **plan}).samples
    return samples.drop("row", "file_time")


_CLEAN = rows_of()
CHANNELS = [c for c in _CLEAN.columns if c != "time"]


def log_text(rows: pl.DataFrame, start: datetime) -> str:
    """Rows as CSV, moved so that they begin at an instant."""
    moved = rows.with_columns(
        (pl.col("time") - pl.col("time").min() + start).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
        *(pl.col(c).cast(pl.UInt8) for c in CHANNELS if catalog()[c].kind == "switch"),
    )
    return moved.write_csv()


class Folder:
    """A fleet folder of a few bikes, and what is dropped into its inbox."""

    def __init__(self, root: Path, bikes: tuple[str, ...] = ("T01",)) -> None:
        self.root = root
        for name in ("models", "bikes", "layouts", "inbox"):
            (root / name).mkdir(parents=True)
        self.write("fleet.toml", FLEET)
        self.write("models/tourer.toml", MODEL)
        self.write("layouts/bench.toml", layout(CHANNELS))
        for bike in bikes:
            self.write(f"bikes/{bike}.toml", f'bike = "{bike}"\nmodel = "tourer"\n')

    def write(self, name: str, text: str) -> Path:
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    def add(self, name: str, text: str) -> None:
        """Lines more at the end of a file."""
        path = self.root / name
        path.write_text(path.read_text() + text)

    def ride(self, start: datetime, bike: str = "T01", *, name: str = "", **plan: Any) -> Path:
        """Drop a log of one ride into the inbox."""
        rows = rows_of(**plan) if plan else _CLEAN
        name = name or f"{bike}_{start:%Y%m%d-%H%M}.csv"
        return self.write(f"inbox/{name}", log_text(rows, start))

    def screen(self, **options: Any) -> ScreenOutcome:
        return screen_fleet(self.root, **{"now": NOW, "workers": 1, **options})

    def report(self) -> str:
        """report.json without the line that tells when it was made."""
        lines = (self.root / "reports" / "report.json").read_text().splitlines()
        return "\n".join(line for line in lines if '"generated_at"' not in line)


def day(number: float) -> datetime:
    """Days from Monday's ride."""
    return MONDAY + timedelta(days=number)


def verdicts(outcome: ScreenOutcome) -> dict[str, str]:
    return {b.bike: b.verdict.value for b in outcome.report.bikes}
