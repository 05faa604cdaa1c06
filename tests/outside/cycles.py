"""Regulated driving cycles as logs: the published speed, and an engine speed made from ratios.

The ratios are those of a published worked example, so that a cycle with prescribed gears
has one right answer at every second.
"""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DATA = Path(__file__).resolve().parents[1] / "data"

PRIMARY, SECONDARY, FINAL = 1.708, 0.973, 2.833
GEARS = (2.571, 1.667, 1.250, 1.000, 0.800)
TYRE = "150/90-15"
"""A touring motorcycle with two reductions before the gearbox: "Reading Gear Ratios", tip 94
of msgroup.org. It prints 340 rpm at the rear wheel for 2000 rpm in third gear."""

IDLE_RPM = 950.0
LAG_S = 0.5
STEP_RPM = 50.0
NOISE = 0.02


@dataclass(frozen=True, slots=True)
class Cycle:
    """A driving cycle at 1 Hz. gear: 0 neutral, 1 to 5, NaN while changing.

    in_gear: the clutch is engaged in a prescribed gear. Without prescribed gears all
    seconds are out of it and gear is NaN.
    """

    name: str
    t_s: Floats
    speed_kmh: Floats
    gear: Floats
    in_gear: NDArray[np.bool_]


def nedc() -> Cycle:
    """Four ECE-15 cycles and the EUDC, with the gears UN Regulation No. 83 prescribes."""
    rows = _rows("nedc_1hz_speed_gear.csv")
    return Cycle(
        "NEDC",
        _column(rows, "t_s"),
        _column(rows, "v_kmh"),
        _column(rows, "gear"),
        np.array([r["state"] == "engaged" for r in rows]),
    )


def without_gears() -> tuple[Cycle, ...]:
    """WMTC parts 1 to 3 (UN GTR No. 2) and UDDS (40 CFR 86, Appendix I): speed alone."""
    files = [(f"WMTC part {n}", f"wmtc_part{n}_1hz.csv", "v_kmh") for n in (1, 2, 3)]
    files.append(("UDDS", "udds_1hz.csv", "v_kmh_x1.6"))
    cycles = []
    for name, file, column in files:
        rows = _rows(file)
        speed_kmh = _column(rows, column)
        unknown = np.full(len(rows), np.nan)
        cycles.append(
            Cycle(name, _column(rows, "t_s"), speed_kmh, unknown, np.zeros(len(rows), dtype=bool))
        )
    return tuple(cycles)


def rpm_per_kmh(gear: int, *, rolling_circumference_m: float) -> float:
    """Crankshaft rpm for each km/h, from the worked example's ratios."""
    overall = PRIMARY * SECONDARY * GEARS[gear - 1] * FINAL
    return overall * 1000.0 / 60.0 / rolling_circumference_m


def shifted(cycle: Cycle, *, rolling_circumference_m: float) -> Cycle:
    """The cycle with gears put to it: the highest that keeps the engine at 1800 rpm.

    A gear once taken is kept until the engine leaves 1500 to 3200 rpm; the second in which
    it changes has the clutch pulled. These rules are ours; only the speed is the regulation's.
    """
    gear_now, gear, in_gear = 0, [], []
    ratios = [rpm_per_kmh(g, rolling_circumference_m=rolling_circumference_m) for g in range(1, 6)]
    for speed_kmh in cycle.speed_kmh:
        before = gear_now
        if speed_kmh * ratios[0] < IDLE_RPM:
            gear_now = 0
        elif gear_now == 0 or not 1500 <= speed_kmh * ratios[gear_now - 1] <= 3200:
            gear_now = max([1] + [g for g in range(1, 6) if speed_kmh * ratios[g - 1] >= 1800])
        gear.append(float(gear_now) if gear_now == before else np.nan)
        in_gear.append(gear_now > 0 and gear_now == before)
    return Cycle(cycle.name, cycle.t_s, cycle.speed_kmh, np.array(gear), np.array(in_gear))


def engine_speed(cycle: Cycle, *, rolling_circumference_m: float, seed: int) -> Floats:
    """Engine speed at 1 Hz as a tachometer line would log it.

    In gear it is tied to the wheel, with a first-order lag of 0.5 s, 2 % noise (standard
    deviation) and steps of 50 rpm; never below idle. While a gear is changed the engine is
    free and goes evenly from the one gear's speed to the other's; with the clutch pulled to
    a stop, and in neutral, it idles.
    """
    fine_s = np.arange(cycle.t_s[0], cycle.t_s[-1] + 0.05, 0.1)
    speed_kmh = np.interp(fine_s, cycle.t_s, cycle.speed_kmh)
    second = np.minimum((fine_s + 1e-9).astype(int), len(cycle.t_s) - 1)
    tied = np.full(len(fine_s), IDLE_RPM)
    for gear in range(1, len(GEARS) + 1):
        here = cycle.in_gear[second] & (cycle.gear[second] == gear)
        ratio = rpm_per_kmh(gear, rolling_circumference_m=rolling_circumference_m)
        tied[here] = speed_kmh[here] * ratio
    changing = np.isnan(cycle.gear)[second]
    tied[changing] = np.interp(fine_s[changing], fine_s[~changing], tied[~changing])
    tied = np.maximum(tied, IDLE_RPM)
    lagged = np.empty_like(tied)
    lagged[0] = tied[0]
    for i in range(1, len(tied)):
        lagged[i] = lagged[i - 1] + (tied[i] - lagged[i - 1]) * (1 - np.exp(-0.1 / LAG_S))
    at_1hz = np.interp(cycle.t_s, fine_s, lagged)
    noisy = at_1hz * (1 + NOISE * np.random.default_rng(seed).standard_normal(len(at_1hz)))
    return np.round(noisy / STEP_RPM) * STEP_RPM


def above_idle(cycle: Cycle, *, rolling_circumference_m: float) -> NDArray[np.bool_]:
    """Seconds in gear in which the wheel alone would turn the engine faster than idle.

    Below that no engine runs with the clutch fully home, so the two are not tied.
    """
    known = np.nan_to_num(cycle.gear).astype(int)
    ratio = np.array(
        [0.0]
        + [rpm_per_kmh(g, rolling_circumference_m=rolling_circumference_m) for g in range(1, 6)]
    )
    return cycle.in_gear & (cycle.speed_kmh * ratio[known] > IDLE_RPM)


def _rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _column(rows: list[dict[str, str]], name: str) -> Floats:
    return np.array([float(r[name]) if r[name] else np.nan for r in rows])
