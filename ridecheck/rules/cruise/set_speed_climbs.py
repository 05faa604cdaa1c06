"""The set speed climbs with no button pressed, and the bike speeds up with it.

What it checks
    While cruise holds and neither set nor resume has been pressed for some seconds, the
    set speed must not rise. It counts where the bike gains at least half of that rise. At
    20 Hz and faster one rise counts; slower, presses are missed between rows, so the rise
    must take more presses than chance hides.
Why it matters
    The bike takes up a speed that its rider did not ask for.
What else looks like this
    The last presses of a rider who taps up, shown late on the display; resume held to
    accelerate, which shows as a press; a cruise control that takes its speed from road
    signs; a button not mapped in the layout.
Next step
    Keep the bike in. Standing, engine off: press each button and feel for sticking;
    then the control unit's own test of its buttons, as the service manual describes it.
References
    A tap raises the set speed by one unit of the display or two (common practice). An
    action given when it is not called for: unsafe control action of the second kind
    (Leveson and Thomas, STPA Handbook, 2018; from memory).
"""

from dataclasses import dataclass

from ridecheck.core.model import Exposure, Finding, Severity, Span, Unjudged
from ridecheck.rules.base import Verdicts, rule, threshold
from ridecheck.signals import presses, set_speed
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    shown_s: float = threshold(
        2.5, "s", "a display polled twice a second shows a press no later", loosened_by="raising"
    )
    rise_kmh: float = threshold(
        3.0, "km/h", "one tap more than the log shows, and rounding", loosened_by="raising"
    )
    follows: float = threshold(
        0.5, "", "of the rise gained by the bike: a display alone moves nothing",
        loosened_by="raising",
    )  # fmt: skip
    follow_s: float = threshold(
        8.0, "s", "after the rise: a loaded bike needs so long to follow", loosened_by="lowering"
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


@rule(
    needs=("cruise_engaged", "cruise_set_speed", "wheel_speed", *set_speed.BUTTONS),
    severity=Severity.DANGER,
    clear_s=120.0,
    clear_interval_s=0.5,
    cruise_only=True,
    checks=("button-feel", "self-test-mode", "throttle-snaps-shut"),
    asks="holding with no button pressed",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each stretch of an engagement without presses: the set speed stays, or climbs."""
    tapped = sum(len(ride.runs(b).on()) for b in set_speed.BUTTONS)
    stretches = set_speed.unpressed(ride, limits.shown_s)
    yield Exposure(seconds=sum(span.length_s for span, _ in stretches))
    for move in set_speed.moves(ride, limits.shown_s, limits.rise_kmh):
        gained_kmh = set_speed.followed_kmh(ride, move, limits.follow_s)
        if move.change_kmh < 0 or not gained_kmh >= limits.follows * move.change_kmh:
            continue
        chance = presses.unseen_chance(
            ride,
            set_speed.BUTTONS,
            unseen=move.taps,
            seen=tapped,
            shortest_s=limits.shortest_press_s,
        )
        if chance < limits.chance:
            yield _finding(ride, move.span, move.change_kmh, gained_kmh, limits)
        else:
            yield Unjudged(move.span, "the set speed rose; presses may have been missed")


def _finding(ride: Ride, rise: Span, rise_kmh: float, gained_kmh: float, limits: Limits) -> Finding:
    from_kmh = ride.at("cruise_set_speed", rise.start_s)
    return Finding(
        span=rise,
        message=f"the set speed climbed from {from_kmh:.0f} to {from_kmh + rise_kmh:.0f} km/h "
        f"within {rise.length_s:.1f} s with neither set nor resume pressed, and the bike gained "
        f"{gained_kmh:.0f} km/h",
        measured=rise_kmh,
        limit=limits.rise_kmh,
        unit="km/h",
        channels=("cruise_set_speed", *set_speed.BUTTONS),
    )
