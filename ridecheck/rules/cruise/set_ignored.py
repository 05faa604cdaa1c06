"""Set is pressed, everything logged allows it, and cruise does not engage.

What it checks
    Each press of set with cruise armed, not engaged, within the model's speed limits, in
    gear and with brakes, clutch and roll-off at rest: cruise must engage shortly after.
    It counts where most tries of a ride are ignored.
Why it matters
    The unit has no supply, a permission is missing that is not logged, or the button is
    worn.
What else looks like this
    A rider who presses too shortly, or in a gear or at an engine speed the model does
    not allow; the first minute after start on some systems.
Next step
    Supply at the unit's plug (the lamp may be lit straight from the switch); the clutch
    switch; the lamp load of the brake line after a lamp conversion.
References
    Conditions to engage and their order: common practice of the trade.
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import brakes
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import Run


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    within_s: float = threshold(2.5, "s", "a vacuum system takes up to 2 s")
    press_s: float = threshold(0.1, "s", "shorter presses may not be taken")
    inside_kmh: float = threshold(
        5.0, "km/h", "from the limits, which units read off their own speed"
    )
    least: float = threshold(3.0, "tries", "once or twice a rider presses wrongly")
    share: float = threshold(0.6, "", "of the tries; a worn thumb misses fewer")
    rest_s: float = threshold(1.0, "s", "before the press with all controls at rest")
    lowest_gear: float = threshold(3.0, "gear", "many systems refuse first and second")


@rule(
    needs=("switch_set", "cruise_armed", "cruise_engaged", "wheel_speed"),
    severity=Severity.FAULT,
    clear_events=2,
    clear_interval_s=0.2,
    convict_interval_s=0.2,
    raise_when=RaiseWhen(events=3),
    cruise_only=True,
    asks="presses of set that engage cruise",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each ignored try, where most of them are."""
    tries = [r.start_s for r in _tries(ride, limits)]
    taken = [t_s for t_s in tries if _engages(ride, t_s, limits)]
    ignored = [t_s for t_s in tries if t_s not in taken]
    yield Exposure(events=len(taken))
    if len(ignored) < limits.least or len(ignored) < limits.share * len(tries):
        return
    for t_s in ignored:
        yield Finding(
            span=Span(t_s, t_s + limits.within_s),
            message=f"set pressed at {ride.at('wheel_speed', t_s):.0f} km/h with cruise armed and "
            f"every logged control at rest, and cruise did not engage within "
            f"{limits.within_s:.1f} s; so in {len(ignored)} of {len(tries)} tries",
            measured=float(len(ignored)),
            limit=limits.least,
            unit="tries",
            channels=("switch_set",),
        )


def _tries(ride: Ride, limits: Limits) -> list[Run]:
    """Presses of set that should engage cruise; presses close together are one try."""
    found = []
    busy_until_s = -np.inf
    for run in ride.runs("switch_set").on():
        fresh = run.start_s > busy_until_s
        busy_until_s = run.end_s + limits.within_s
        if (
            fresh
            and run.sharp_start
            and run.length_s >= limits.press_s
            and _allowed(ride, run, limits)
        ):
            found.append(run)
    return found


def _allowed(ride: Ride, run: Run, limits: Limits) -> bool:
    """Does everything logged allow cruise to engage, from before the press to the end?"""
    model = ride.settings.cruise
    around = Span(run.start_s - limits.rest_s, run.end_s + limits.within_s)
    at = ride.slice(around)
    speed = ride.numbers("wheel_speed")[at]
    if not np.isfinite(speed).all() or around.end_s > ride.duration_s or around.start_s < 0:
        return False
    if speed.min() < model.minimum_kmh + limits.inside_kmh:
        return False
    if speed.max() > model.maximum_kmh - limits.inside_kmh:
        return False
    before = Span(around.start_s, run.start_s)
    if ride.runs("cruise_armed").any_on(before) is not True or _off_within(
        ride, "cruise_armed", around
    ):
        return False
    # "Engaged" up to the press: then set is the coast button.
    if ride.runs("cruise_engaged").any_on(before) is not False:
        return False
    gear = ride.numbers("gear")[at]
    known = gear[np.isfinite(gear)]
    if len(known) and (known.min() < limits.lowest_gear or known.min() != known.max()):
        return False
    others = ("clutch", "roll_off", "switch_cancel", "abs_active", "traction_active")
    resting = [ride.runs(c).any_on(around) is False for c in others if ride.has(c)]
    return all(resting) and brakes.any_on(ride, around) is False


def _off_within(ride: Ride, channel: str, span: Span) -> bool:
    return any(r.value != 1 for r in ride.runs(channel).overlapping(span))


def _engages(ride: Ride, t_s: float, limits: Limits) -> bool:
    run_s = limits.within_s + ride.interval_s("cruise_engaged") + 1.0
    return ride.runs("cruise_engaged").any_on(Span(t_s, t_s + run_s)) is not False
