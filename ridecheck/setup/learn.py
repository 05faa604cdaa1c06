"""A draft model from a ride known to be good: what the log shows of the bike, and what not.

A log shows engine speed per wheel speed in each gear, never ratio and circumference
apart: one of the two must be known, or the draft says that it assumed one. The ladder is
read off the ride's steady stretches; engine speed's lag is taken out by regression (the
log of the ratio falls by lag times acceleration over speed). Medians throughout, so a
gear change or a slipping clutch here and there does not matter.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.errors import LogError
from ridecheck.core.model import Drivetrain
from ridecheck.signals import drivetrain, motion
from ridecheck.signals.ride import Ride

Floats = NDArray[np.float64]

ASSUMED_M = 2.0
"""Rolling circumference written where none is reported; the ratios are right for it alone."""

BIN = 0.002
"""Width of a bin of log ratios: well under the width of a rung."""

WITHIN = 0.02
"""Steady rows of one gear lie this near their median."""

USED_S = 8.0
"""Steady seconds on a rung before it is believed."""

LADDER_SHARE = 0.75
"""Share of the steady time that must lie on rungs, or the drive has no ladder."""

STEPS = (1.06, 1.9)
"""Neighbouring gears of a motorcycle lie this far apart (common practice: 1.08 to 1.7)."""

CORRELATED_S = 2.0
"""Rows nearer than this repeat one another; an uncertainty counts them once."""

SLIP_SHOWS, NO_SLIP, SLIP_CERTAIN = 0.002, 0.001, 0.005
"""Ratio under load above that on the overrun: from the first on the driven tyre's slip (1 to
2 % at full pull, common practice) seems to be in it, below the second not; from the third
on the draft says so without asking."""


@dataclass(frozen=True, slots=True)
class Rung:
    """One gear: rpm per km/h as logged, its relative uncertainty (two sigma), seconds seen.

    gear: what the log's own gear channel mostly said; None where it is not logged.
    """

    rpm_per_kmh: float
    uncertainty: float
    seconds: float
    gear: int | None = None


@dataclass(frozen=True, slots=True)
class Learned:
    """What a ride shows of its bike. None: this log cannot show.

    rungs: first gear seen to the highest. lag_s: engine speed behind wheel speed.
    reads_high: wheel speed over GPS speed, minus one; gps_lag_s its delay. under_load:
    log ratio with the throttle open less that on the overrun, engine speed's lag taken out.
    """

    rungs: tuple[Rung, ...]
    share: float
    lag_s: float
    step_kmh: float
    idle_rpm: float | None
    top_rpm: float
    reads_high: float | None
    gps_lag_s: float | None
    under_load: float | None

    def true_rpm_per_kmh(self, rung: Rung) -> float:
        """rpm per km/h over ground: the speed signal's error taken out where GPS shows it."""
        return rung.rpm_per_kmh * (1.0 + (self.reads_high or 0.0))

    def overall_ratios(self, circumference_m: float) -> tuple[float, ...]:
        """Engine turns per wheel turn in each gear, for a rolling circumference."""
        return tuple(self.true_rpm_per_kmh(r) * 0.06 * circumference_m for r in self.rungs)

    def circumference_m(self, known: Drivetrain) -> float | None:
        """Rolling circumference of a bike whose ratios are known; None without GPS.

        Each rung takes the known gear that agrees best over all rungs at once.
        """
        if self.reads_high is None:
            return None
        seen = np.array([self.true_rpm_per_kmh(r) for r in self.rungs])
        best: tuple[float, float] | None = None
        for first in range(len(known.overall_ratios) - len(seen) + 1):
            ratios = np.array(known.overall_ratios[first : first + len(seen)])
            each_m = ratios / (0.06 * seen)
            spread = float(np.ptp(each_m) / np.median(each_m))
            if best is None or spread < best[0]:
                best = (spread, float(np.median(each_m)))
        return best[1] if best and best[0] < WITHIN else None


def learn(ride: Ride) -> Learned:
    """Learn from one ride. Raises LogError where it shows no ladder of gears."""
    if not ride.has("wheel_speed", "engine_speed"):
        raise _nothing(ride, "wheel speed and engine speed must both be logged")
    usable = drivetrain.locked(ride)
    raw = np.log(drivetrain.ratio(ride))
    seconds = motion.row_seconds(ride)
    middles, share = _rungs(raw[usable], seconds[usable])
    if not len(middles):
        raise _nothing(
            ride, f"{share:.0%} of the steady time lies on rungs, {LADDER_SHARE:.0%} needed"
        )
    lag_s = _lag_s(ride, raw, middles)
    without_lag = raw + lag_s * _pull(ride)
    gear = ride.numbers("gear")[usable]
    rungs = _measured(without_lag[usable], seconds[usable], gear, middles)
    reads_high, gps_lag_s = _against_gps(ride)
    return Learned(
        rungs=rungs,
        share=share,
        lag_s=lag_s,
        step_kmh=ride.channels["wheel_speed"].step,
        idle_rpm=_idle_rpm(ride),
        top_rpm=float(np.nanpercentile(ride.numbers("engine_speed"), 99.9)),
        reads_high=reads_high,
        gps_lag_s=gps_lag_s,
        under_load=_under_load(ride, without_lag, middles),
    )


def _nothing(ride: Ride, why: str) -> LogError:
    return LogError(
        "no gears can be learned from this ride",
        where=ride.parts[0].log,
        value=why,
        what_to_do="take a longer ride with steady stretches in every gear; a drive with a "
        "torque converter or a belt has no gears to learn",
    )


def _rungs(log_ratio: Floats, seconds: Floats) -> tuple[Floats, float]:
    """Middles of the rungs, lowest ratio (top gear) last, and the share of time on them."""
    if not len(log_ratio):
        return np.empty(0), 0.0
    low = math.floor(log_ratio.min() / BIN) - 10
    bins = np.round(log_ratio / BIN).astype(np.int64) - low
    held_s = np.bincount(bins, weights=seconds, minlength=int(bins.max()) + 11)
    reach = np.arange(-8, 9) * BIN
    smooth = np.convolve(held_s, np.exp(-0.5 * (reach / 0.006) ** 2), mode="same")
    middles: list[float] = []
    for i in np.argsort(smooth)[::-1]:
        if smooth[i] <= 0:
            break
        near = np.abs(log_ratio - (i + low) * BIN) <= WITHIN
        if seconds[near].sum() < USED_S:
            continue
        if all(abs((i + low) * BIN - m) > math.log(STEPS[0]) for m in middles):
            middles.append(float(np.median(log_ratio[near])))
    ladder = np.sort(np.array(middles))[::-1]
    off = np.abs(log_ratio[:, None] - ladder[None, :]).min(axis=1) if len(ladder) else np.inf
    share = float(seconds[off <= WITHIN].sum() / seconds.sum()) if len(ladder) else 0.0
    steps = np.exp(-np.diff(ladder))
    is_ladder = len(ladder) >= 2 and share >= LADDER_SHARE and bool((steps <= STEPS[1]).all())
    return (ladder if is_ladder else np.empty(0)), share


def _pull(ride: Ride) -> Floats:
    """Relative growth of wheel speed, 1/s, (n,): what a lag multiplies into the ratio."""
    speed = ride.numbers("wheel_speed")
    with np.errstate(invalid="ignore", divide="ignore"):
        return motion.acceleration(ride) * motion.KMH_PER_MS / np.where(speed > 0, speed, np.nan)


def _lag_s(ride: Ride, log_ratio: Floats, middles: Floats) -> float:
    """Engine speed's lag, from rows in gear that speed up or slow down; 0 if they are few."""
    pull = _pull(ride)
    off = log_ratio[:, None] - middles[None, :]
    off = np.take_along_axis(off, np.nan_to_num(np.abs(off), nan=9.9).argmin(1)[:, None], 1)[:, 0]
    rows = drivetrain.calm(ride) & (np.abs(off) < 0.06) & (np.abs(pull) > 0.01)
    if rows.sum() < 50:
        return 0.0
    x, y = pull[rows], off[rows]
    slope = 0.0
    for _ in range(3):
        left = y - slope * x
        keep = np.abs(left - np.median(left)) <= 3 * 1.4826 * _mad(left) + 1e-6
        slope = float(np.polyfit(x[keep], y[keep], 1)[0])
    return min(max(-slope, 0.0), 2.0)


def _measured(
    log_ratio: Floats, seconds: Floats, gear: Floats, middles: Floats
) -> tuple[Rung, ...]:
    rungs = []
    for middle in middles:
        near = np.abs(log_ratio - middle) <= 1.5 * WITHIN
        values, held_s = log_ratio[near], float(seconds[near].sum())
        spread = 1.4826 * _mad(values) / math.sqrt(max(held_s / CORRELATED_S, 1.0))
        said = gear[near & (gear > 0)]
        mostly = int(np.median(said)) if len(said) else None
        rungs.append(Rung(float(np.exp(np.median(values))), 2.0 * spread, held_s, mostly))
    return tuple(rungs)


def _mad(values: Floats) -> float:
    return float(np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


def _idle_rpm(ride: Ride) -> float | None:
    """Engine speed at standstill in the second half of the ride; None under ten seconds of it."""
    standing = (ride.numbers("wheel_speed") < 2.0) & (ride.numbers("engine_speed") > 300.0)
    standing &= ride.t_s >= ride.duration_s / 2
    if motion.row_seconds(ride)[standing].sum() < 10.0:
        return None
    return float(np.median(ride.numbers("engine_speed")[standing]))


def _against_gps(ride: Ride) -> tuple[float | None, float | None]:
    """Wheel speed over GPS speed minus one, on steady rows, and how late GPS speed is."""
    if not ride.has("gps_speed"):
        return None, None
    wheel, gps = ride.numbers("wheel_speed"), ride.numbers("gps_speed")
    steady = (np.abs(motion.acceleration(ride)) < 0.3) & (wheel > 30.0) & (gps > 30.0)
    if ride.has("lean_angle"):
        steady &= np.abs(ride.numbers("lean_angle")) < 10.0
    if motion.row_seconds(ride)[steady].sum() < 60.0:
        return None, None
    return float(np.median(wheel[steady] / gps[steady]) - 1.0), _gps_lag_s(ride, wheel, gps)


def _gps_lag_s(ride: Ride, wheel: Floats, gps: Floats) -> float | None:
    """Delay at which GPS speed follows wheel speed best, to 0.1 s; None if speed hardly varies."""
    known = ~np.isnan(wheel) & ~np.isnan(gps) & (wheel > 20.0)
    if known.sum() < 100 or float(np.std(wheel[known])) < 3.0:
        return None
    t_s = ride.t_s
    tries = np.arange(-0.5, 3.01, 0.1)
    errors = []
    for late_s in tries:
        was = np.interp(t_s - late_s, t_s[~np.isnan(wheel)], wheel[~np.isnan(wheel)])
        off = gps[known] / np.maximum(was[known], 1.0)
        errors.append(_mad(off))
    return float(tries[int(np.argmin(errors))])


def _under_load(ride: Ride, log_ratio: Floats, middles: Floats) -> float | None:
    """How much higher the ratio is under load than on the overrun; None if seen too little."""
    if not ride.has("throttle"):
        return None
    throttle = ride.numbers("throttle")
    closed, opened = np.nanpercentile(throttle, (5, 90))
    rest = log_ratio[:, None] - middles[None, :]
    off = np.take_along_axis(rest, np.nan_to_num(np.abs(rest), nan=9.9).argmin(1)[:, None], 1)[:, 0]
    rows = drivetrain.locked(ride) & (np.abs(off) < WITHIN)
    pulling = rows & (throttle >= (closed + opened) / 2)
    coasting = rows & (throttle <= closed + 2.0)
    seconds = motion.row_seconds(ride)
    if seconds[pulling].sum() < 30.0 or seconds[coasting].sum() < 15.0:
        return None
    return float(np.median(off[pulling]) - np.median(off[coasting]))


def draft(
    learned: Learned, *, log: str, circumference_m: float | None = None, tyre: str = ""
) -> tuple[str, tuple[str, ...]]:
    """The draft as a commented model file, and the questions it leaves to a person.

    circumference_m: said, or worked out from a tyre size (then also name the tyre).
    """
    questions: list[str] = []
    size_m = circumference_m or ASSUMED_M
    if circumference_m is None:
        questions.append(
            "Which tyre? A log shows ratio and circumference only together. The ratios are "
            f"right for an assumed {ASSUMED_M:g} m; give --tyre or --circumference."
        )
    questions += _missing_gears(learned)
    lines = [f"# Draft learned from {log}. Read each line before you keep it.", "", "[drivetrain]"]
    lines += _ratio_lines(learned, size_m)
    assumed = "" if circumference_m else "  # assumed: see the question"
    lines.append(
        f'driven_tyre = "{tyre}"' if tyre else f"rolling_circumference_m = {size_m:.4g}{assumed}"
    )
    lines.append(
        f"idle_rpm = {round(learned.idle_rpm / 10) * 10:g}"
        if learned.idle_rpm
        else "# idle_rpm = 1000  # not seen: under 10 s of standstill late in the ride"
    )
    lines.append(f"# redline_rpm = 9000  # highest seen {learned.top_rpm:.0f}; the manual says")
    lines += ["", "[speed_signal]", *_speed_lines(learned, questions)]
    lines += ["", f"# Engine speed follows wheel speed {learned.lag_s:.2f} s late."]
    return "\n".join(lines) + "\n", tuple(questions)


def _missing_gears(learned: Learned) -> Sequence[str]:
    """What is asked about gears the ride may not have shown."""
    said = [r.gear for r in learned.rungs]
    if None in said:
        return (
            f"Has the gearbox {len(said)} gears? So many were held for {USED_S:g} s or more, and "
            "no gear is logged.",
        )
    missing = sorted(set(range(1, max(g for g in said if g) + 1)) - set(said))
    if not missing:
        return (f"Is {said[-1]} the top gear? A higher one was not held for {USED_S:g} s.",)
    names = ", ".join(map(str, missing))
    return (
        f"What is the ratio of gear {names}? It was not held for {USED_S:g} s, so it is missing "
        "from overall_ratios: ride it steadily and learn again.",
    )


def _ratio_lines(learned: Learned, circumference_m: float) -> Sequence[str]:
    lines = ["# Engine turns per wheel turn, with what the ride leaves open (two sigma):"]
    ratios = learned.overall_ratios(circumference_m)
    for place, (rung, ratio) in enumerate(zip(learned.rungs, ratios, strict=True), 1):
        lines.append(
            f"#   gear {rung.gear or place}: {ratio:.3f} +- {rung.uncertainty:.2%}, "
            f"{rung.rpm_per_kmh:.2f} rpm per km/h as logged, {rung.seconds:.0f} s"
        )
    lines.append(f"overall_ratios = [{', '.join(f'{r:.4f}' for r in ratios)}]")
    return lines


def _speed_lines(learned: Learned, questions: list[str]) -> Sequence[str]:
    lines = []
    if learned.reads_high is None:
        lines.append("# reads_high_percent = 0.0  # not known: no GPS speed, or too little of it")
    else:
        late = "" if learned.gps_lag_s is None else f", which comes {learned.gps_lag_s:.1f} s late"
        lines.append(
            f"reads_high_percent = {100 * learned.reads_high:.1f}  # against GPS speed{late}"
        )
    if learned.step_kmh:
        lines.append(f"resolution_kmh = {learned.step_kmh:.3g}")
    return [_taken_from(learned, questions), *lines]


def _taken_from(learned: Learned, questions: list[str]) -> str:
    """Slip of the driven tyre is in the ratio only where speed comes from another wheel."""
    load = learned.under_load
    if load is not None and load >= SLIP_CERTAIN:
        return (
            f'taken_from = "front_wheel"  # the ratio is {load:.1%} higher under load than on '
            "the overrun: the driven tyre's slip is in it"
        )
    if load is None:
        why = "too little was seen under load and on the overrun to say"
    elif load >= SLIP_SHOWS:
        why = f"the ratio is {load:.1%} higher under load, as with front_wheel"
    elif load <= NO_SLIP:
        why = "the ratio does not move with load, as with driven_wheel and gearbox_output"
    else:
        why = f"the ratio is {load:.1%} higher under load, which shows nothing"
    questions.append(f"Where is speed taken from? The manual says; in this log {why}.")
    return f'# taken_from = "unknown"  # {why}'
