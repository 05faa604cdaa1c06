"""Gear, throttle, supply and the other numbers."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.units import KM_PER_MILE
from ridecheck.setup.propose import relations as rel
from ridecheck.setup.propose.columns import Column
from ridecheck.setup.propose.speeds import may_be
from ridecheck.setup.propose.words import unit_fits
from ridecheck.setup.propose.work import BOTH, NAME_ONLY, RELATION, Work, title, unit_key

Floats = NDArray[np.float64]


def gear(work: Work) -> None:
    """The column whose whole numbers show the ratio of engine speed to speed."""
    for column in work.free():
        values = _gear_numbers(column)
        named = column.suggested == ("gear",)
        if values is None:
            continue
        fit = 0.0
        if work.speed is not None and work.engine is not None:
            x, y = work.speed.numbers, work.engine.numbers
            fit = rel.gear_fit(values, x, y) if x is not None and y is not None else 0.0
        if fit > 0.75 or (named and fit > 0.5) or (named and work.ladder is None):
            keys: dict[str, object] = {}
            odd = [w for w in column.words if not _usual_gear(w)]
            if odd:
                work.ask(column, f"the gear; what do {', '.join(odd[:4])} mean? Set words.")
                return
            sure = BOTH if named and fit > 0.75 else RELATION if fit > 0.75 else NAME_ONLY
            work.put(
                "gear", column, sure, f"each number has its own ratio ({fit:.0%} of rows)", **keys
            )
            return
        if named:
            work.ask(column, "named like a gear, but its numbers do not go with the ratios")


def _gear_numbers(column: Column) -> Floats | None:
    """A column of small whole numbers and words for neutral or unknown."""
    if not column.words or len(column.words) > 14:
        return None
    values = column.numbers
    if values is None:
        return None
    known = values[np.isfinite(values)]
    small = (known == np.rint(known)) & (known >= 0)
    return (
        values
        if small.all() and len(np.unique(known)) >= 2 and np.sort(known)[len(known) // 2] <= 8
        else None
    )


def _usual_gear(word: str) -> bool:
    bare = word.strip().lower()
    if bare in {"", "n", "-", "--", "nan", "na", "null", "none", "neutral"}:
        return True
    try:
        return float(bare.replace(",", ".")) == int(float(bare.replace(",", ".")))
    except ValueError:
        return False


_PLAUSIBLE: Mapping[str, Mapping[str, tuple[float, float]]] = {
    # channel -> unit -> where its median lies on a ride
    "supply_voltage": {"V": (11.0, 15.5), "mV": (11_000.0, 15_500.0)},
    "coolant_temperature": {"degC": (25.0, 125.0), "degF": (150.0, 250.0), "K": (320.0, 395.0)},
    "air_temperature": {"degC": (-20.0, 45.0), "K": (250.0, 320.0)},
    "throttle": {"%": (0.0, 80.0)},
    "throttle_grip": {"%": (0.0, 80.0)},
    "altitude": {"m": (-100.0, 5000.0)},
    "lean_angle": {"degrees": (-10.0, 10.0)},
    "yaw_rate": {"degrees/s": (-10.0, 10.0)},
    "acceleration": {"m/s2": (-1.5, 1.5)},
    "vertical_acceleration": {"m/s2": (-2.0, 11.0)},
    "front_brake_pressure": {},
    "rear_brake_pressure": {},
    "odometer": {},
}


def other_numbers(work: Work) -> None:
    """Throttle, supply, odometer, acceleration by relation; others by name."""
    _odometer(work)
    _acceleration(work)
    _throttles(work)
    for column in work.free():
        if column.numbers is None or (column.switch is not None and not column.varied):
            continue
        fitting = [s for s in column.suggested if s in _PLAUSIBLE and s not in work.mapped]
        if len(fitting) == 1 and not any(
            fitting[0] in c.suggested for c in work.free() if c is not column
        ):
            _by_name(work, fitting[0], column)
        elif not column.suggested:
            _by_values(work, column)


def _by_name(work: Work, channel: str, column: Column) -> None:
    if column.unit:
        if unit_fits(column.unit, channel):
            keys = unit_key(column.unit, channel)
            work.put(channel, column, BOTH, "by its name; the file states its unit", **keys)
        return
    values = column.numbers
    median = float(np.nanmedian(values)) if values is not None else float("nan")
    units = [u for u, (low, high) in _PLAUSIBLE[channel].items() if low <= median <= high]
    if len(units) == 1:
        keys = unit_key(units[0], channel)
        work.put(
            channel, column, NAME_ONLY, f"by its name; about {median:g}, so in {units[0]}", **keys
        )
    else:
        work.ask(column, f"{title(channel)} by its name, but in which unit (about {median:g})?")


def _by_values(work: Work, column: Column) -> None:
    """A supply voltage is known by its values: no other channel stands at 12 to 15 so still."""
    values = column.numbers
    if values is None or not column.varied:
        return
    if column.unit:
        fitting = [c for c in _PLAUSIBLE if unit_fits(column.unit, c) and c not in work.mapped]
        if fitting == ["supply_voltage"] and _like_supply(values, column.unit):
            keys = unit_key(column.unit, "supply_voltage")
            work.put("supply_voltage", column, RELATION, "stands where a supply does", **keys)
        elif fitting and "%" not in column.unit:
            work.ask(
                column, "is it " + " or ".join(map(title, fitting[:3])) + ", or none of these?"
            )
        return
    for unit in ("V", "mV"):
        if _like_supply(values, unit) and "supply_voltage" not in work.mapped:
            keys = unit_key(unit, "supply_voltage")
            work.put("supply_voltage", column, RELATION, "stands where a supply does", **keys)
            return


def _like_supply(values: Floats, unit: str) -> bool:
    scale = 1.0 if unit == "V" else 1000.0
    low, middle, high = np.nanpercentile(values / scale, [1, 50, 99])
    small_steps = len(np.unique(values[np.isfinite(values)][::7])) >= 8
    return bool(low > 11.0 and high < 15.3 and 12.3 < middle < 14.9 and small_steps)


def _odometer(work: Work) -> None:
    """A column that grows by the way the speed makes."""
    if work.move is None or not work.speed_unit:
        return
    way_km = (
        np.concatenate(([0.0], np.cumsum(np.diff(work.t_s) * work.move.speed[:-1])))
        * work.move.per_ms2
        / 1000.0
    )
    if not np.isfinite(way_km[-1]) or way_km[-1] < 0.5:
        return
    for column in work.free():
        values = column.numbers
        if values is None or (column.switch is not None and not column.varied):
            continue
        known = np.isfinite(values)
        if known.sum() < 50 or (np.diff(values[known]) < 0).any():
            continue
        gained = float(values[known][-1] - values[known][0])
        if gained <= 0 or np.corrcoef(values[known], way_km[known])[0, 1] < 0.999:
            continue
        ratio = gained / float(way_km[known][-1] - way_km[known][0])
        for unit, per_km in (("km", 1.0), ("mi", 1 / KM_PER_MILE), ("m", 1000.0)):
            if abs(ratio / per_km - 1) < 0.15 and (not column.unit or unit == column.unit):
                keys = unit_key(unit, "odometer")
                work.put("odometer", column, BOTH, "grows as the speed says", **keys)
                return


def _acceleration(work: Work) -> None:
    """A column that is the slope of the speed."""
    if work.move is None or not work.speed_unit or "acceleration" in work.mapped:
        return
    for column in work.free():
        values = column.numbers
        if values is None or not column.varied or not may_be(column, "acceleration"):
            continue
        known = np.isfinite(values)
        if known.sum() < 200 or not (values[known] < 0).any():
            continue
        accel = work.move.accel[known]
        if accel.std() < 0.2 or np.corrcoef(values[known], accel)[0, 1] < 0.6:
            continue
        slope = float(np.polyfit(accel, values[known], 1)[0])
        for unit, scale in (("m/s2", 1.0), ("g", 1 / 9.80665)):
            if 0.7 < slope / scale < 1.4 and (
                not column.unit or unit_fits(column.unit, "acceleration")
            ):
                keys = unit_key(unit, "acceleration")
                work.put("acceleration", column, BOTH, "follows the slope of the speed", **keys)
                return


def _throttles(work: Work) -> None:
    """Openings: 0 to 100, wide to pull, shut to slow; the grip rests while cruise holds."""
    found = [c for c in work.free() if _like_throttle(c, work)]
    named = {c.name: [s for s in c.suggested if s.startswith("throttle")] for c in found}
    if len(found) == 1:
        column = found[0]
        channel = named[column.name][0] if named[column.name] == ["throttle_grip"] else "throttle"
        sure = BOTH if named[column.name] else RELATION
        work.put(channel, column, sure, "opens to pull, shuts to slow; 0 to 100")
        return
    if len(found) != 2:
        for column in found:
            work.ask(column, "an opening; is it throttle, throttle grip or neither?")
        return
    one, two = found
    a, b = one.numbers, two.numbers
    if a is None or b is None:
        return
    only_two = float(((a < 1.0) & (b > 3.0)).mean())
    only_one = float(((b < 1.0) & (a > 3.0)).mean())
    if max(only_two, only_one) > 0.03 and max(only_two, only_one) > 5 * min(only_two, only_one):
        grip, plate = (one, two) if only_two > only_one else (two, one)
        work.put("throttle", plate, RELATION, "open while the other is shut, as cruise does")
        work.put("throttle_grip", grip, RELATION, "shut while the plate is open, as under cruise")
        return
    said = {tuple(named[c.name]): c for c in found}
    if {("throttle",), ("throttle_grip",)} == set(said):
        work.put("throttle", said["throttle",], NAME_ONLY, "by its name")
        work.put("throttle_grip", said["throttle_grip",], NAME_ONLY, "by its name")
        return
    for column in found:
        work.ask(column, "an opening; is it the throttle plate or the grip?")


def _like_throttle(column: Column, work: Work) -> bool:
    values = column.numbers
    if values is None or not column.varied:
        return False
    if column.unit and column.unit not in {"%", "percent", "pct"}:
        return False
    if column.suggested and not any(s.startswith("throttle") for s in column.suggested):
        return False
    low, high = np.nanpercentile(values, [0.5, 99.8])
    if low < -6 or high > 106 or high < 8:
        return False
    if any(s.startswith("throttle") for s in column.suggested):
        return True
    if work.move is None or low > 3.0:
        return False
    accel, known = work.move.accel, np.isfinite(values)
    pull, slow = known & (accel > 0.7), known & (accel < -1.0)
    if pull.sum() < 30 or slow.sum() < 30:
        return False
    return bool(np.median(values[pull]) > 4 * max(np.median(values[slow]), 0.5))
