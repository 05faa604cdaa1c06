"""Cruise engages and nobody pressed set or resume.

What it checks
    Whenever cruise engages, set or resume must have been pressed shortly before. At
    20 Hz and faster one engagement without a press counts; slower, presses are missed
    between rows, so only more engagements without a press than chance allows count. How
    often this rider's presses are missed is known from those that show in a single row.
Why it matters
    The bike holds or takes up speed that its rider did not ask for.
What else looks like this
    A short press that fell between two rows; a button not mapped in the layout; a gap
    or blank just before.
Next step
    Keep the bike in. Standing, engine off: press each button and feel for sticking;
    then the control unit's own test of its buttons, as the service manual describes it.
References
    Shortest press 0.05 s: common practice of the trade. Chance that a row catches a
    pulse of length w at interval T: min(1, w / T).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span, Unjudged
from ridecheck.rules.base import Verdicts, rule, threshold
from ridecheck.signals import cruise, motion, presses
from ridecheck.signals.ride import Ride

BUTTONS = ("switch_set", "switch_resume")


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    press_within_s: float = threshold(
        2.0, "s", "slowest systems take up to 2 s from press to flag", loosened_by="raising"
    )
    shortest_press_s: float = threshold(
        0.05, "s", "shortest press a system accepts", loosened_by="lowering"
    )
    chance: float = threshold(
        0.001,
        "",
        "chance of so many missed presses by sampling alone, below which it is believed",
        loosened_by="lowering",
    )
    moving_kmh: float = threshold(
        5.0, "km/h", "at standstill a self test can light the flag", loosened_by="raising"
    )


@rule(
    needs=("cruise_engaged", *BUTTONS),
    severity=Severity.DANGER,
    clear_events=1,
    clear_interval_s=0.05,
    cruise_only=True,
    checks=("button-feel", "self-test-mode", "throttle-snaps-shut"),
    asks="engagements that follow a press of set or resume",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each engagement: pressed, not pressed, or undetermined."""
    within_s = limits.press_within_s + _refresh_s(ride) + 0.5 + _skew_s(ride)
    pressed, pressless = 0, []
    for engagement in cruise.engagements(ride):
        start_s = engagement.span.start_s
        if not engagement.sharp_start or not motion.moves(
            ride, Span(start_s, start_s + 1.0), limits.moving_kmh
        ):
            continue
        answer = cruise.pressed_before(ride, start_s, within_s=within_s)
        if answer is None:
            span = Span(max(start_s - within_s, 0.0), start_s)
            yield Unjudged(span, "the buttons are blank, or the log begins, before it engages")
        elif answer:
            pressed += 1
        else:
            pressless.append(engagement.span)
    yield Exposure(events=pressed)
    if not pressless:
        return
    chance = presses.unseen_chance(
        ride, BUTTONS, unseen=len(pressless), seen=pressed, shortest_s=limits.shortest_press_s
    )
    for span in pressless:
        if chance < limits.chance:
            yield _finding(ride, span, within_s, len(pressless), pressed)
        else:
            yield Unjudged(
                Span(span.start_s - within_s, span.start_s),
                f"engaged with no press on record; at one row every {_refresh_s(ride):.2g} s "
                "a press may have been missed",
            )


def _finding(ride: Ride, span: Span, within_s: float, missing: int, pressed: int) -> Finding:
    speed_kmh = ride.at("wheel_speed", span.start_s)
    at = "" if np.isnan(speed_kmh) else f" at {speed_kmh:.0f} km/h"
    start_s = span.start_s
    return Finding(
        span=Span(start_s, min(span.end_s, start_s + 5.0)),
        message=f"cruise engaged{at} with neither set nor resume pressed in the {within_s:.1f} s "
        f"before ({missing} of {missing + pressed} engagements of this ride)",
        measured=float(missing),
        limit=0.0,
        unit="engagements",
        channels=("cruise_engaged", *BUTTONS),
    )


def _refresh_s(ride: Ride) -> float:
    return max(ride.interval_s(b) for b in BUTTONS)


def _skew_s(ride: Ride) -> float:
    return max(ride.channels[c].skew_s for c in ("cruise_engaged", *BUTTONS))
