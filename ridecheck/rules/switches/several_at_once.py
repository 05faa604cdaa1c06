"""Several things that have nothing to do with one another change in the same row.

What it checks
    While riding: rows in which switches of at least three independent controls change
    together and are back soon, or two panel buttons close at once, or wheel speed or
    supply collapses in the very row in which a switch changes. It takes four of them.
Why it matters
    One cause moves them all: a harness, a connector, a supply or a ground, seldom the switches.
What else looks like this
    A slow logger, for which a whole manoeuvre is one row (not judged); brake and clutch
    pulled together in a fright, which do not come back at once; rows out of order.
Next step
    The connector or loom that these lines share: move it while watching them. The logger's
    own connector and splices first, they are the newest.
References
    Unrelated channels of one bundle change in the same sample (common practice).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Ride

CONTROLS: Mapping[str, tuple[str, ...]] = {
    "brakes": ("front_brake", "rear_brake", "brake_lamp"),
    "clutch": ("clutch",),
    "roll-off": ("roll_off",),
    "set": ("switch_set",),
    "resume": ("switch_resume",),
    "cancel": ("switch_cancel",),
    "main switch": ("switch_power", "cruise_armed"),
    "run switch": ("run_switch",),
    "side stand": ("side_stand",),
}
"""Independent controls and the channels each of them moves."""

BUTTONS = ("set", "resume", "cancel")
CHANNELS = tuple(c for group in CONTROLS.values() for c in group)


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    controls: float = threshold(3.0, "controls", "two hands and a foot work two at once at most")
    back_within_s: float = threshold(0.6, "s", "a control that is meant stays longer")
    times: float = threshold(4.0, "times", "fewer may be chance, or a row out of place")
    moving_kmh: float = threshold(15.0, "km/h", "standing and pulling away, all hands work at once")
    collapse: float = threshold(0.5, "", "of its value lost in one row: no brake does that")
    dip_v: float = threshold(1.5, "V", "in one row; loads take a few tenths")


@dataclass(frozen=True, slots=True)
class _Change:
    """One row in which something changed: which controls, and for how long at most."""

    t_s: float
    controls: tuple[str, ...]
    longest_s: float
    all_on: bool


@rule(
    needs=(CHANNELS,),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=0.1,
    convict_interval_s=0.1,
    asks="riding",
    raise_when=RaiseWhen(events=4),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Rows in which too much changes at once, where there are enough of them."""
    # Wheel speed is no need of this rule: where it is in doubt is where it may be hit too.
    speed = ride.numbers("wheel_speed")
    moving = motion.widened(ride, speed > limits.moving_kmh, 0.5)
    yield Exposure(seconds=ride.where(moving).seconds)
    collapses = {
        name: {float(ride.t_s[i]) for i in rows} for name, rows in _collapses(ride, limits)
    }
    found = []
    for change in _changes(ride):
        if not moving[min(ride.index(change.t_s), len(moving) - 1)]:
            continue
        with_it = tuple(name for name, at_s in collapses.items() if change.t_s in at_s)
        if _too_much(change, with_it, limits):
            found.append((change, (*change.controls, *with_it)))
    if len(found) < limits.times:
        return
    for change, names in found:
        yield Finding(
            span=Span(change.t_s, change.t_s + min(change.longest_s, limits.back_within_s)),
            message=f"{', '.join(names)} changed in the same row at "
            f"{ride.at('wheel_speed', change.t_s - 0.3):.0f} km/h; {len(found)} such rows",
            measured=float(len(names)),
            limit=limits.controls,
            unit="controls",
            channels=tuple(c for n in change.controls for c in CONTROLS[n] if ride.has(c)),
        )


def _too_much(change: _Change, with_it: tuple[str, ...], limits: Limits) -> bool:
    """Is it more than hands and feet do?"""
    if change.longest_s > limits.back_within_s:
        return False
    pressed = [c for c in change.controls if c in BUTTONS]
    meant_by_supply = set(change.controls) <= {"main switch"}
    return (
        len(change.controls) >= limits.controls
        or (len(pressed) >= 2 and change.all_on)
        or (bool(with_it) and not meant_by_supply)
    )


def _changes(ride: Ride) -> Iterator[_Change]:
    """Rows in which a run of some switch starts that ends in sight, in time order."""
    at: dict[float, dict[str, tuple[float, bool]]] = {}
    for control, names in CONTROLS.items():
        for name in (n for n in names if ride.has(n)):
            runs = ride.runs(name)
            for i in np.flatnonzero(runs.sharp_start & runs.sharp_end):
                run = runs[int(i)]
                before = at.setdefault(run.start_s, {}).get(control, (0.0, True))
                at[run.start_s][control] = (
                    max(before[0], run.length_s),
                    before[1] and run.value == 1,
                )
    for t_s in sorted(at):
        lengths = at[t_s].values()
        yield _Change(t_s, tuple(at[t_s]), max(s for s, _ in lengths), all(on for _, on in lengths))


def _collapses(ride: Ride, limits: Limits) -> Iterator[tuple[str, np.ndarray]]:
    """Rows in which wheel speed or the supply falls at once."""
    speed, volts = ride.numbers("wheel_speed"), ride.numbers("supply_voltage")
    lost = (speed[:-1] > 20.0) & (speed[1:] < limits.collapse * speed[:-1])
    dips = volts[:-1] - volts[1:] > limits.dip_v
    yield "wheel speed", np.flatnonzero(lost) + 1
    yield "supply", np.flatnonzero(dips) + 1
