"""Engine speed and the speeds: the ladder they lock in, their units, which is whose."""

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.catalog import channels
from ridecheck.core.units import KM_PER_MILE, to_channel_unit
from ridecheck.intake.normalise.facts import step_of
from ridecheck.setup.propose import relations as rel
from ridecheck.setup.propose.columns import Column
from ridecheck.setup.propose.words import unit_fits
from ridecheck.setup.propose.work import BOTH, NAME_ONLY, RELATION, Work, title, unit_key

Floats = NDArray[np.float64]

SPEED_UNITS = ("km/h", "mph", "m/s")
TOP_GEAR_RPM_PER_KMH = (22.0, 62.0)
"""What touring motorcycles turn in top gear (common practice): 2,200 to 6,200 rpm at 100 km/h."""
LOCKED = 0.6
"""Two columns lock if this share of the riding rows is on a rung."""


def speed_and_engine(work: Work) -> None:
    """The pair that locks in a ladder; else what names and units say."""
    varied = [c for c in work.columns.values() if c.varied and c.numbers is not None]
    xs = [c for c in varied if may_be(c, "wheel_speed") and not _is_held(c, work.t_s)]
    ys = [c for c in varied if may_be(c, "engine_speed")]
    best: tuple[float, Column, Column, rel.Ladder] | None = None
    for x in xs:
        for y in ys:
            if x is y or x.numbers is None or y.numbers is None:
                continue
            found = rel.ladder(x.numbers, y.numbers)
            if found is None or len(found.rungs) < 2 or found.rungs[-1] < 3:
                continue
            score = found.locked + 0.15 * found.idles
            score += 0.2 * _says(x, "wheel_speed", "gps_speed") + 0.2 * _says(y, "engine_speed")
            if best is None or score > best[0]:
                best = (score, x, y, found)
    if best is not None and best[3].locked >= LOCKED:
        _, work.speed, work.engine, work.ladder = best
    else:
        work.speed = _only([c for c in xs if _says(c, "wheel_speed", "gps_speed")])
        work.engine = _only([c for c in ys if _says(c, "engine_speed")])
    _engine_unit(work)
    _speed_unit(work)


def may_be(column: Column, channel: str) -> bool:
    """False where the column's unit or its name clearly says something else."""
    if column.unit and not unit_fits(column.unit, channel):
        return False
    stored = channels()[channel].unit
    return not column.suggested or any(channels()[s].unit == stored for s in column.suggested)


def _says(column: Column, *names: str) -> bool:
    """True where the column's name or its unit suggests one of these channels."""
    if any(n in column.suggested for n in names):
        return True
    return (
        bool(column.unit) and not column.suggested and any(unit_fits(column.unit, n) for n in names)
    )


def _only(found: list[Column]) -> Column | None:
    return found[0] if len(found) == 1 else None


def _is_held(column: Column, t_s: Floats) -> bool:
    """True for a value that stands for long and changes in jumps, as a set speed does."""
    values = column.numbers
    if values is None:
        return False
    known = np.isfinite(values)
    steady = values[known]
    if len(steady) < 50:
        return False
    changes = int((np.diff(steady) != 0).sum())
    seconds = len(steady) * float(np.median(np.diff(t_s[known]))) or 1.0  # pauses aside
    return changes / seconds < 0.12


def _engine_unit(work: Work) -> None:
    column = work.engine
    if column is None or column.numbers is None:
        return
    unit, why = column.unit, "the file states its unit"
    low = (
        float(np.nanpercentile(column.numbers[column.numbers > 0], 2))
        if (column.numbers > 0).any()
        else 0.0
    )
    top = float(np.nanmax(column.numbers))
    if not unit:
        if 500 <= low <= 3500 and 1800 <= top <= 15_000:
            unit, why = "rpm", f"runs from {low:.0f} to {top:.0f}"
        elif 8 <= low <= 58 and 30 <= top <= 250:
            unit, why = "Hz", f"runs from {low:.0f} to {top:.0f}"
        else:
            work.ask(column, f"engine speed, it seems, but in which unit ({low:g} to {top:g})?")
            return
    locks = f"locks to speed in {len(work.ladder.rungs)} ratios" if work.ladder else "by its name"
    sure = BOTH if work.ladder and _says(column, "engine_speed") else RELATION
    keys = unit_key(unit, "engine_speed")
    work.put("engine_speed", column, sure if work.ladder else NAME_ONLY, f"{locks}; {why}", **keys)


def _speed_unit(work: Work) -> None:
    """The unit of the main speed: stated, by other columns, or by what gears bikes have."""
    column = work.speed
    if column is None or column.numbers is None:
        return
    unit = column.unit
    if not unit:
        unit = (
            _unit_by_others(work, column) or _unit_by_step(column) or _unit_by_gears(work, column)
        )
    work.speed_unit = unit
    kmh = to_channel_unit(unit, "km/h")[0] if unit else 1.0
    work.move = rel.motion(work.t_s, column.numbers, kmh_per_unit=kmh)


def _unit_by_others(work: Work, column: Column) -> str:
    """From another speed whose unit is stated, by the factor between the two."""
    mine = column.numbers
    for other in work.columns.values():
        if other is column or not other.unit or other.numbers is None or not other.varied:
            continue
        if not unit_fits(other.unit, "wheel_speed") or mine is None:
            continue
        factor = _factor(mine, other.numbers)
        if factor is None:
            continue
        unit = _nearest_unit(to_channel_unit(other.unit, "km/h")[0] * factor)
        if unit:
            return unit
    return ""


def _nearest_unit(kmh_per_count: float) -> str:
    """The unit whose size in km/h is within an eighth of this; a speed may read that wrong."""
    for unit in SPEED_UNITS:
        if abs(kmh_per_count / to_channel_unit(unit, "km/h")[0] - 1) < 0.125:
            return unit
    return ""


def _factor(a: Floats, b: Floats) -> float | None:
    """b per a where the two move together, else None."""
    known = np.isfinite(a) & np.isfinite(b)
    if known.sum() < 100:
        return None
    x, y = a[known], b[known]
    if x.std() == 0 or y.std() == 0 or np.corrcoef(x, y)[0, 1] < 0.97:
        return None
    moving = x > 0.3 * np.percentile(x, 99)
    return float(np.median(y[moving] / x[moving])) if moving.sum() > 50 else None


def _unit_by_step(column: Column) -> str:
    """Whole mph turned into km/h, or whole km/h turned into mph, leave their own step."""
    values = column.numbers
    step = step_of(values) if values is not None else 0.0
    if abs(step / KM_PER_MILE - 1) < 0.004:
        return "km/h"
    if abs(step / 0.621371 - 1) < 0.004:
        return "mph"
    return ""


def _unit_by_gears(work: Work, column: Column) -> str:
    """The one unit in which the ladder is a motorcycle's and the speeds are a road's."""
    if work.ladder is None or "engine_speed" not in work.mapped or column.numbers is None:
        return ""
    rpm = to_channel_unit(str(work.mapped["engine_speed"].keys.get("unit", "rpm")), "rpm")[0]
    top_gear = work.ladder.rungs[0] * rpm
    top = float(np.nanpercentile(column.numbers, 99.8))
    possible = []
    for unit in SPEED_UNITS:
        kmh = to_channel_unit(unit, "km/h")[0]
        low, high = TOP_GEAR_RPM_PER_KMH
        if low <= top_gear / kmh <= high and 25 <= top * kmh <= 230:
            possible.append(unit)
    if len(possible) == 1:
        return possible[0]
    return ""


def other_speeds(work: Work) -> None:
    """Set speed, and which of several speeds is the bike's own, a front wheel's, GPS."""
    main = work.speed
    if main is None or main.numbers is None:
        return
    alike = [main]
    for column in work.free():
        if column is main or column.numbers is None or not _may_be_speed(column):
            continue
        if _is_set_speed(column, main, work.t_s):
            _put_speed(
                work, "cruise_set_speed", column, column.suggested == ("cruise_set_speed",), 1.0
            )
        elif column.varied and _factor(main.numbers, column.numbers) is not None:
            alike.append(column)
    named = {c.name: [s for s in c.suggested if channels()[s].unit == "km/h"] for c in alike}
    for column in list(alike):
        options = named[column.name]
        if len(options) == 1 and sum(options[0] in o for o in named.values()) == 1:
            if options[0] == "wheel_speed" and len(alike) == 1 and _jitters(column):
                continue
            _put_speed(work, options[0], column, True, _factor_to(main, column))
            alike.remove(column)
    _by_behaviour(work, alike, main)


def _factor_to(main: Column, column: Column) -> float:
    """column per main; 1 where it cannot be known."""
    if column is main or main.numbers is None or column.numbers is None:
        return 1.0
    return _factor(main.numbers, column.numbers) or 1.0


def _may_be_speed(column: Column) -> bool:
    if column.unit and not unit_fits(column.unit, "wheel_speed"):
        return False
    return not column.suggested or any(channels()[s].unit == "km/h" for s in column.suggested)


def _is_set_speed(column: Column, main: Column, t_s: Floats) -> bool:
    values, speed = column.numbers, main.numbers
    named = column.suggested == ("cruise_set_speed",)
    if values is None or speed is None:
        return False
    known = np.isfinite(values) & np.isfinite(speed) & (values > 0)
    if known.sum() < 50 or len(np.unique(values[known])) < 2:
        return named
    off = np.abs(values[known] / np.maximum(speed[known], 1e-9) - 1)
    if named:
        return bool((off < 0.25).mean() > 0.3)
    return _is_held(column, t_s) and bool((off < 0.05).mean() > 0.25)


def _put_speed(work: Work, channel: str, column: Column, named: bool, factor: float) -> None:
    """Map a speed whose unit is stated or follows from the main speed's."""
    unit = column.unit
    if not unit and work.speed_unit:
        unit = _nearest_unit(to_channel_unit(work.speed_unit, "km/h")[0] / factor)
    if not unit:
        work.ask(column, f"a speed ({title(channel)}), but in which unit: km/h, mph or m/s?")
        return
    why = "by its name" if named else "by how it goes with the other columns"
    why += "; the file states its unit" if column.unit else f"; in {unit} by its values"
    locked = work.ladder is not None and column is work.speed
    sure = BOTH if named and locked else NAME_ONLY if named else RELATION
    work.put(channel, column, sure, why, **unit_key(unit, channel))


def _jitters(column: Column) -> bool:
    """True for a speed that is never still: a receiver's noise at a standstill."""
    values = column.numbers
    if values is None:
        return False
    top = float(np.nanpercentile(values, 99.5))
    slow = values[np.isfinite(values) & (values < 0.03 * top)]
    return len(slow) > 30 and float((slow > 0).mean()) > 0.35 and len(np.unique(slow)) > 5


def _by_behaviour(work: Work, alike: list[Column], main: Column) -> None:
    """Speeds without telling names: one of them may be GPS by its noise and its blanks."""
    if not alike or main.numbers is None:
        return
    taken = set(work.mapped)
    noisy = [c for c in alike if _jitters(c)]
    quiet = [c for c in alike if c not in noisy]
    if len(noisy) == 1 and "gps_speed" not in taken and quiet:
        _put_speed(work, "gps_speed", noisy[0], False, _factor_to(main, noisy[0]))
        noisy = []
    if len(quiet) == 1 and not noisy and "wheel_speed" not in taken:
        _put_speed(work, "wheel_speed", quiet[0], False, _factor_to(main, quiet[0]))
        return
    for column in [*quiet, *noisy]:
        if column.name in {m.column for m in work.mapped.values()} | set(work.asked):
            continue
        left = [
            c for c in ("wheel_speed", "front_wheel_speed", "gps_speed") if c not in work.mapped
        ]
        work.ask(column, "a speed; is it " + " or ".join(map(title, left)) + "?")
