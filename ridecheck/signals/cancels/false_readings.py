"""Wheel speed, engine speed and gear where they show what no bike does: wrong readings that end
cruise as if they were true.
"""

from collections.abc import Callable, Iterator

import numpy as np

from ridecheck.core.model import Span
from ridecheck.signals import brakes, drivetrain
from ridecheck.signals.cancels import what_acted_first
from ridecheck.signals.pulses import RATIO_FREED
from ridecheck.signals.ride import Ride

FLICKER_S = 1.0
"""A gear shown for less than this, and the old one again, with the ratio unmoved."""

PARTS = 0.08
"""A jump of wheel or engine speed that the other does not follow to within this share."""

SPIKE_S = 0.35
"""Engine speed up and back within this, the ratio as before: no engine does that in gear."""

FAST_KMH = 30.0
"""In gear at this speed the wheel turns the engine."""


def _rows(ride: Ride, t_s: float, before_s: float, after_s: float) -> slice:
    return ride.slice(Span(t_s - before_s, t_s + after_s))


def _gear_shown_false(ride: Ride, t_s: float) -> str:
    """Another gear, or neutral, for a moment, with engine and wheel locked all the while."""
    if not ride.has("gear", "engine_speed", "wheel_speed"):
        return ""
    if spike := _engine_jumps(ride, t_s):
        return spike  # many loggers work the gear out from the two speeds
    refresh_s = max(ride.interval_s(n) for n in ("engine_speed", "wheel_speed"))
    for run in gear_flickers(ride, t_s):
        ratio = drivetrain.ratio(ride)[ride.slice(Span(run.start_s - refresh_s, run.end_s))]
        ratio = ratio[np.isfinite(ratio)]
        if len(ratio) > 1 and ratio.max() / ratio.min() - 1.0 < RATIO_FREED:
            return f"the gear was shown for {run.length_s:.2f} s, engine and wheel locked as before"
    return ""


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
    rows = _rows(ride, t_s, 1.2, 0.2)
    at_s, v, w = ride.t_s[rows], ride.numbers(name)[rows], ride.numbers(other)[rows]
    known = np.isfinite(v) & np.isfinite(w) & (v >= 0) & (w > 0)
    at_s, v, w = at_s[known], v[known], w[known]
    if len(v) < 3:
        return None
    step = np.diff(v)
    i = int(np.argmax(step if up else np.abs(step)))
    return float(v[i]), float(v[i + 1]), float(w[i + 1] / w[i] - 1.0), float(at_s[i + 1])


def _speed_jumps(ride: Ride, t_s: float) -> str:
    """Wheel speed steps and engine speed, in gear, does not go with it."""
    if not ride.has("wheel_speed", "engine_speed") or drivetrain.clutched(ride, t_s):
        return ""
    if what_acted_first.spun_kmh(ride, t_s) > 0.0:
        return ""  # the gearbox ties engine and wheel: no wrong reading of one of them
    if brakes.any_on(ride, Span(t_s - 1.0, t_s + 0.1)):
        return ""
    found = _jump(ride, "wheel_speed", "engine_speed", t_s)
    if found is None or found[0] < FAST_KMH:
        return ""
    before, after, other, _ = found
    change = after / before - 1.0
    if abs(change) < PARTS or abs(change - other) < PARTS:
        return ""
    return (
        f"wheel speed went from {before:.0f} to {after:.0f} km/h between two rows, engine speed in "
        f"gear by {100 * other:+.0f} %"
    )


def _engine_jumps(ride: Ride, t_s: float) -> str:
    """Engine speed steps, in gear, and wheel speed does not go with it; or it was not there."""
    if not ride.has("wheel_speed", "engine_speed"):
        return ""
    if ride.has("clutch") and ride.runs("clutch").any_on(Span(t_s - 1.0, t_s + 0.1)) is not False:
        return ""
    return engine_spike(ride, t_s) or (
        "" if drivetrain.clutched(ride, t_s) else _engine_was_gone(ride, t_s)
    )


def _engine_was_gone(ride: Ride, t_s: float) -> str:
    """Engine speed far below idle just before or after, at speed in gear."""
    found = _jump(ride, "engine_speed", "wheel_speed", t_s)
    fast = ride.at("wheel_speed", t_s)
    idle_rpm = ride.settings.drivetrain.idle_rpm
    if found is None or not min(found[:2]) < 0.5 * idle_rpm or not fast > FAST_KMH:
        return ""
    return (
        f"engine speed went from {found[0]:.0f} to {found[1]:.0f} rpm between two rows at "
        f"{fast:.0f} km/h in gear"
    )


def engine_spike(ride: Ride, t_s: float, *, least_rpm: float = 0.0) -> str:
    """Engine speed up at once, by so much, and back, the ratio as before."""
    found = _jump(ride, "engine_speed", "wheel_speed", t_s, up=True)
    if found is None or found[1] < max(found[0] * (1.0 + PARTS), found[0] + least_rpm):
        return ""
    before, after, _, at_s = found
    ratio = drivetrain.ratio(ride)
    refresh_s = ride.interval_s("engine_speed")
    calm = ratio[_rows(ride, at_s, 0.4 + 3.0 * refresh_s, -0.5 * refresh_s)]
    later = ratio[ride.slice(Span(at_s, at_s + SPIKE_S + 2.0 * refresh_s))]
    if not np.isfinite(calm).any() or not np.isfinite(later).any():
        return ""
    if not (np.abs(np.log(later / np.nanmedian(calm))) < RATIO_FREED).any():
        return ""
    return (
        f"engine speed went from {before:.0f} to {after:.0f} rpm and back within "
        f"{SPIKE_S:.2f} s, engine and wheel locked as before"
    )


NOT_RIDERS: dict[str, Callable[[Ride, float], str]] = {
    "gear_change": _gear_shown_false,
    "speed_jump": _speed_jumps,
    "engine_flare": _engine_jumps,
    "engine_off": _engine_jumps,
}
"""Causes that are no rider's action, and what makes each of them a fault's."""
