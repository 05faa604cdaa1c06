"""Wheel speed, engine speed and gear where they show what no bike does: wrong readings that end
cruise as if they were true.
"""

from collections.abc import Iterator

import numpy as np

from ridecheck.core.model import Evidence, Span
from ridecheck.signals import brakes, drivetrain
from ridecheck.signals.cancels import what_acted_first
from ridecheck.signals.cancels.candidate import Case, seen
from ridecheck.signals.pulses import RATIO_FREED
from ridecheck.signals.ride import SHARP_S, Ride

FLICKER_S = 1.0
"""A gear shown for less than this, and the old one again, with the ratio unmoved."""

PARTS = 0.08
"""A jump of wheel or engine speed that the other does not follow to within this share."""

SPIKE_S = 0.35
"""Engine speed up and back within this, the ratio as before: no engine does that in gear."""

FAST_KMH = 30.0
"""In gear at this speed the wheel turns the engine: it cannot stand still."""

SHOWN_PULLS = 3
"""A clutch switch that shows so many pulls in a ride works: a flare with none is no pull."""


def gear_flickered(case: Case) -> Evidence | None:
    """Another gear, or neutral, for a moment, with engine and wheel locked all the while."""
    ride = case.ride
    if not ride.has("gear", "engine_speed", "wheel_speed"):
        return None
    refresh_s = max(ride.interval_s(n) for n in ("engine_speed", "wheel_speed"))
    for run in gear_flickers(ride, case.t_s):
        ratio = drivetrain.ratio(ride)[ride.slice(Span(run.start_s - refresh_s, run.end_s))]
        ratio = ratio[np.isfinite(ratio)]
        if len(ratio) > 1 and ratio.max() / ratio.min() - 1.0 < RATIO_FREED:
            return seen("gear_flickered", length_s=run.length_s)
    return None


def gear_flickers(ride: Ride, t_s: float) -> Iterator[Span]:
    """Stretches near an instant in which another gear shows for a moment, then the old one."""
    runs = ride.runs("gear")
    for i in range(1, len(runs) - 1):
        if abs(runs.start_s[i] - t_s) > 1.2 + ride.interval_s("gear"):
            continue
        sharp = runs.sharp_start[i] and runs.sharp_end[i]
        same = runs.value[i - 1] == runs.value[i + 1]
        if sharp and same and runs.end_s[i] - runs.start_s[i] < FLICKER_S:
            yield Span(float(runs.start_s[i]), float(runs.end_s[i]))


def _jump(
    ride: Ride, name: str, other: str, t_s: float, *, up: bool = False
) -> tuple[float, float, float, float] | None:
    """The sharpest change (up: rise) between two rows near t_s: from, to, the other channel's
    share, at.
    """
    rows = ride.slice(Span(t_s - 1.2, t_s + 0.2))
    at_s, v, w = ride.t_s[rows], ride.numbers(name)[rows], ride.numbers(other)[rows]
    known = np.isfinite(v) & np.isfinite(w) & (v >= 0) & (w > 0)
    at_s, v, w = at_s[known], v[known], w[known]
    if len(v) < 3:
        return None
    step = np.diff(v)
    i = int(np.argmax(step if up else np.abs(step)))
    return float(v[i]), float(v[i + 1]), float(w[i + 1] / w[i] - 1.0), float(at_s[i + 1])


def wheel_jumped(case: Case) -> Evidence | None:
    """Wheel speed steps and engine speed, in gear, does not go with it."""
    ride, t_s = case.ride, case.t_s
    if not ride.has("wheel_speed", "engine_speed") or drivetrain.clutched(ride, t_s):
        return None
    if what_acted_first.spun_kmh(ride, t_s) > 0.0:
        return None  # the gearbox ties engine and wheel: no wrong reading of one of them
    if brakes.any_on(ride, Span(t_s - 1.0, t_s + 0.1)):
        return None
    found = _jump(ride, "wheel_speed", "engine_speed", t_s)
    if found is None or found[0] < FAST_KMH:
        return None
    before, after, engine_share, _ = found
    change = after / before - 1.0
    if abs(change) < PARTS or abs(change - engine_share) < PARTS:
        return None
    return seen("wheel_jumped", from_kmh=before, to_kmh=after, engine_percent=100 * engine_share)


def engine_spiked(case: Case) -> Evidence | None:
    """Engine speed steps up and back, in gear, and wheel speed does not go with it."""
    return None if _may_be_pulled(case) else engine_spike(case.ride, case.t_s)


def engine_was_gone(case: Case) -> Evidence | None:
    """Engine speed far below idle just before or after, at speed in gear."""
    ride, t_s = case.ride, case.t_s
    if _may_be_pulled(case) or drivetrain.clutched(ride, t_s):
        return None
    found = _jump(ride, "engine_speed", "wheel_speed", t_s)
    fast_kmh = ride.at("wheel_speed", t_s)
    idle_rpm = ride.settings.drivetrain.idle_rpm
    if found is None or not min(found[:2]) < 0.5 * idle_rpm or not fast_kmh > FAST_KMH:
        return None
    return seen("engine_was_gone", from_rpm=found[0], to_rpm=found[1], speed_kmh=fast_kmh)


def _may_be_pulled(case: Case) -> bool:
    """Whether the clutch shows, or may hide, a pull; also where too little is logged."""
    ride = case.ride
    if not ride.has("wheel_speed", "engine_speed"):
        return True
    near = Span(case.t_s - 1.0, case.t_s + 0.1)
    return ride.has("clutch") and ride.runs("clutch").any_on(near) is not False


def engine_spike(ride: Ride, t_s: float, *, least_rpm: float = 0.0) -> Evidence | None:
    """Engine speed up at once, by so much, and back, the ratio as before."""
    found = _jump(ride, "engine_speed", "wheel_speed", t_s, up=True)
    if found is None or found[1] < max(found[0] * (1.0 + PARTS), found[0] + least_rpm):
        return None
    before, after, _, at_s = found
    ratio = drivetrain.ratio(ride)
    refresh_s = ride.interval_s("engine_speed")
    calm_span = Span(at_s - 0.4 - 3.0 * refresh_s, at_s - 0.5 * refresh_s)
    calm = ratio[ride.slice(calm_span)]
    later = ratio[ride.slice(Span(at_s, at_s + SPIKE_S + 2.0 * refresh_s))]
    if not np.isfinite(calm).any() or not np.isfinite(later).any():
        return None
    if not (np.abs(np.log(later / np.nanmedian(calm))) < RATIO_FREED).any():
        return None
    return seen("engine_spiked", from_rpm=before, to_rpm=after, within_s=SPIKE_S)


def clutch_at_rest(case: Case) -> Evidence | None:
    """Engine speed runs up in gear, and the clutch, whose switch works, is not pulled."""
    ride, t_s = case.ride, case.t_s
    if ride.interval_s("clutch") > SHARP_S:
        return None
    runs = ride.runs("clutch")
    pulled = runs.any_on(Span(t_s - 0.5, t_s + 0.3)) is not False
    return None if pulled or len(runs.on()) < SHOWN_PULLS else seen("clutch_at_rest")


def no_bike_does(case: Case) -> Evidence | None:
    """A speed that changes faster than any wheel or engine can, no brake on before it."""
    before = Span(case.t_s - 1.0, case.cause.at_s - 1e-3)
    braked = case.cause.impossible and brakes.any_on(case.ride, before)
    return seen("no_bike_does") if case.cause.impossible and not braked else None
