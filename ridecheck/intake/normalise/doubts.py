"""Does the layout still fit? Units the file states, and switches that work the wrong way round.

A logger that was set up anew keeps its column names and changes what stands under them.
What the file itself contradicts is refused and named; it is never misread.
"""

import re
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.errors import LogError
from ridecheck.core.model import Note
from ridecheck.core.units import UnitError, to_channel_unit
from ridecheck.intake.normalise.facts import SPEEDS
from ridecheck.intake.readers.table import RawTable, plain_name

if TYPE_CHECKING:
    from ridecheck.fleet import Layout, NumberColumn

Floats = NDArray[np.float64]

CONTROLS = ("front_brake", "rear_brake", "brake_lamp")
MOVING_KMH = 20.0
SLOWING_MS2 = 1.5
MOSTLY = 0.8
"""A control on for more than this share of the riding, and off in this share of the slowing."""
FEWEST_SLOWINGS = 4
_BRACKETED = re.compile(r"[\[(]([^\[\]()]+)[\])]\s*$")


def refuse_other_units(raw: RawTable, layout: "Layout", *, where: str) -> None:
    """LogError where the units row, or the column's own name, states another unit."""
    for name, column in layout.channels.items():
        if catalog()[name].kind != "number":
            continue
        number: NumberColumn = column  # type: ignore[assignment]
        plain = plain_name(number.column)
        if number.scale != 1.0 or number.offset != 0.0:
            continue
        stated = raw.units.get(plain, "")
        source = "the units row"
        if not stated and not number.unit_stated:
            found = _BRACKETED.search(plain)
            stated, source = (found.group(1), "the column's name") if found else ("", "")
        if stated and _differ(stated, number):
            raise LogError(
                f'The column "{plain}" is in another unit than the layout says',
                where=f"{where}, {source}",
                value=f'"{stated[:20]}" in the file, "{number.unit}" in the layout',
                what_to_do=f"Correct unit in [columns.{name}], or make a layout for this set-up.",
            )


def _differ(stated: str, column: "NumberColumn") -> bool:
    """True for a unit that is known, fits the channel, and is not the layout's."""
    try:
        return to_channel_unit(stated, column.stored_unit) != to_channel_unit(
            column.unit, column.stored_unit
        )
    except UnitError:
        return False


def blank_reversed_brakes(samples: pl.DataFrame) -> tuple[pl.DataFrame, list[Note]]:
    """Blank a brake that is on all the way and off to slow down, and say so.

    A switch that sticks is on while slowing too, and one that is dead is never on; only a
    switch read the wrong way round is off just when the bike slows. Whether the logger or
    the wiring turned it is not known here, so it is no evidence of anything; the other
    channels of the log still are. ``time`` is Int64.
    """
    speed = next((samples[n].to_numpy() for n in SPEEDS if n in samples.columns), None)
    controls = [n for n in CONTROLS if n in samples.columns and _often_on(samples[n])]
    if speed is None or not controls:
        return samples, []
    slowing, riding = _slowing_and_riding(samples["time"].to_numpy() / 1e6, speed)
    begins = int((np.diff(slowing.astype(int)) == 1).sum())
    if begins < FEWEST_SLOWINGS or riding.sum() < 100:
        return samples, []
    notes: list[Note] = []
    for name in controls:
        on = samples[name].cast(pl.Float64).to_numpy()
        riding_on, slowing_on = on[riding & ~np.isnan(on)], on[slowing & ~np.isnan(on)]
        if not len(riding_on) or not len(slowing_on):
            continue
        if riding_on.mean() > MOSTLY and slowing_on.mean() < 1 - MOSTLY:
            blank = pl.lit(None, dtype=pl.Boolean).alias(name)
            samples = samples.with_columns(blank)
            notes.append(
                Note(
                    "values",
                    f"{name} is on in {riding_on.mean():.0%} of the riding and off in "
                    f"{1 - slowing_on.mean():.0%} of the slowing: read the wrong way round, it "
                    "seems, and left blank; swap on and off in the layout, or check its wiring",
                    len(samples),
                )
            )
    return samples, notes


def _often_on(switch: pl.Series) -> bool:
    """A switch that is seldom on is not read the wrong way round."""
    return float(switch.mean() or 0.0) > 1 - MOSTLY  # type: ignore[arg-type]


def _slowing_and_riding(t_s: Floats, speed: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Rows in which the bike slows hard, and rows in which it rides on, by half-second steps."""
    known = ~np.isnan(speed)
    slowing, riding = np.zeros(len(speed), dtype=bool), np.zeros(len(speed), dtype=bool)
    at = np.flatnonzero(known)
    if len(at) < 10:
        return slowing, riding
    t, v = t_s[at], speed[at]
    ahead = np.minimum(np.searchsorted(t, t + 0.5), len(t) - 1)
    behind = np.maximum(np.searchsorted(t, t - 0.5) - 1, 0)
    span_s = np.maximum(t[ahead] - t[behind], 1e-3)
    gain_ms2 = (v[ahead] - v[behind]) / 3.6 / span_s
    near = span_s < 5.0
    moving = v > MOVING_KMH
    slowing[at] = near & moving & (gain_ms2 < -SLOWING_MS2)
    riding[at] = near & moving & (gain_ms2 > -0.5)
    return slowing, riding
