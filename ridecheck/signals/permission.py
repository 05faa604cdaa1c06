"""Cruise asked for: presses of set and resume, whether all allowed it, and whether it came.

One judgement for every rule that asks whether cruise may engage now.
"""

from collections.abc import Iterator

import numpy as np

from ridecheck.core.model import Span
from ridecheck.signals import brakes, cruise
from ridecheck.signals.ride import Ride, once
from ridecheck.signals.switches import Run

CONTROLS = ("clutch", "roll_off", "switch_cancel", "abs_active", "traction_active")
"""What must be at rest beside the brakes."""

BUTTONS = ("switch_set", "switch_resume")

SLOWEST_S = 2.5
"""A vacuum system takes up to 2 s (trade texts); the flag a little more."""

SLACK_S = 0.3
"""Rows and lamps are this late at most (common practice)."""

LEAST_SEEN = 2
"""One quick engagement may be luck; time from press to flag is constant for a bike."""

LOWEST_GEAR = 3
"""Many systems refuse first and second."""


@once
def answers_within_s(ride: Ride) -> float:
    """How long after a press ends this bike's cruise may take to engage, in seconds.

    Learned from its own engagements of the ride, half as long again as the slowest; the
    slowest any system takes where there are too few.
    """
    taken_s = []
    for engagement in cruise.engagements(ride):
        start_s = engagement.span.start_s
        presses = [
            run
            for button in BUTTONS
            for run in ride.runs(button).on()
            if run.start_s <= start_s + 1e-6 and start_s - run.end_s <= SLOWEST_S
        ]
        if engagement.sharp_start and presses:
            last = max(presses, key=lambda run: run.start_s)
            taken_s.append(max(0.0, start_s - last.end_s))
    if len(taken_s) < LEAST_SEEN:
        return SLOWEST_S
    slack_s = SLACK_S + 2.0 * ride.interval_s("cruise_engaged")
    return min(SLOWEST_S, 1.5 * max(taken_s) + slack_s)


def presses(ride: Ride, button: str, *, least_s: float) -> Iterator[Run]:
    """Presses of a button in order, those soon after another left out: they are one try."""
    busy_until_s = -np.inf
    for run in ride.runs(button).on():
        fresh = run.start_s > busy_until_s
        busy_until_s = run.end_s + SLOWEST_S
        if fresh and run.sharp_start and run.length_s >= least_s:
            yield run


def allowed(ride: Ride, press: Run, *, inside_kmh: float, rest_s: float) -> bool:
    """Does everything logged allow cruise to engage on a press?

    All controls at rest, speed within the model's limits by inside_kmh, and one gear that
    is high enough, from rest_s before the press until cruise would have answered; not
    engaged before it. What is blank allows nothing.
    """
    end_s = press.end_s + answers_within_s(ride)
    around = Span(press.start_s - rest_s, end_s)
    if around.start_s < 0 or end_s > ride.duration_s:
        return False
    limits = ride.settings.cruise
    at = ride.slice(around)
    speed, gear = ride.numbers("wheel_speed")[at], ride.numbers("gear")[at]
    low, high = limits.minimum_kmh + inside_kmh, limits.maximum_kmh - inside_kmh
    if not np.isfinite(speed).all() or speed.min() < low or speed.max() > high:
        return False
    gear = gear[np.isfinite(gear)]
    if len(gear) and (gear.min() != gear.max() or gear.min() < lowest_gear(ride)):
        return False
    if ride.runs("cruise_engaged").any_on(Span(around.start_s, press.start_s)) is not False:
        return False
    others = [*CONTROLS, *(b for b in BUTTONS if press not in ride.runs(b).on())]
    resting = all(ride.runs(c).any_on(around) is False for c in others if ride.has(c))
    return resting and brakes.any_on(ride, around) is False


@once
def lowest_gear(ride: Ride) -> float:
    """The lowest gear cruise engaged in on this ride; LOWEST_GEAR where it shows none lower."""
    held = [ride.at("gear", e.span.start_s + 0.5) for e in cruise.engagements(ride)]
    return float(np.nanmin([LOWEST_GEAR, *held]))


def engages(ride: Ride, press: Run) -> bool | None:
    """Does cruise engage on a press? None where the flag is blank."""
    end_s = press.end_s + answers_within_s(ride) + ride.interval_s("cruise_engaged")
    return ride.runs("cruise_engaged").any_on(Span(press.start_s, end_s))
