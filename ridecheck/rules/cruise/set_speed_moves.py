"""The set speed moves with no button pressed, and the bike does not speed up with it.

What it checks
    While cruise holds and neither set nor resume has been pressed for some seconds, the
    set speed must stay. A fall counts, and a rise that the bike does not follow; a rise
    that it follows is a danger, and another rule's matter.
Why it matters
    The bike slows, in traffic, with no brake lamp and nobody asking; or what the display
    shows is not what the unit holds.
What else looks like this
    Presses shown late on the display; a press between two rows of a slow logger; a
    cruise control that takes its speed from road signs.
Next step
    Feel of each button; then the control unit's own test of its buttons, as the service
    manual describes it; the panel's plug.
References
    A tap moves the set speed by one unit of the display or two (common practice).
"""

from dataclasses import dataclass

from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import presses, set_speed
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    shown_s: float = threshold(2.5, "s", "a display polled twice a second shows a press no later")
    moves_kmh: float = threshold(3.0, "km/h", "one tap more than the log shows, and rounding")
    follows: float = threshold(0.5, "", "of a rise: then it is the other rule's matter")
    follow_s: float = threshold(8.0, "s", "after the move: a loaded bike needs so long to follow")
    shortest_press_s: float = threshold(0.05, "s", "shortest press a system accepts")
    chance: float = threshold(
        0.01, "", "of so many presses missed by sampling alone, below which it is believed"
    )


@rule(
    needs=("cruise_engaged", "cruise_set_speed", "wheel_speed", *set_speed.BUTTONS),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=0.5,
    raise_when=RaiseWhen(events=2),
    cruise_only=True,
    asks="holding with no button pressed",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Falls, and rises that the bike does not follow."""
    tapped = sum(len(ride.runs(b).on()) for b in set_speed.BUTTONS)
    stretches = set_speed.unpressed(ride, limits.shown_s)
    yield Exposure(seconds=sum(span.length_s for span, _ in stretches))
    for move in set_speed.moves(ride, limits.shown_s, limits.moves_kmh):
        followed_kmh = set_speed.followed_kmh(ride, move, limits.follow_s)
        if followed_kmh >= limits.follows * move.change_kmh > 0:
            continue
        chance = presses.unseen_chance(
            ride,
            set_speed.BUTTONS,
            unseen=move.taps,
            seen=tapped,
            shortest_s=limits.shortest_press_s,
        )
        if chance >= limits.chance:
            continue
        from_kmh = ride.at("cruise_set_speed", move.span.start_s)
        yield Finding(
            span=move.span,
            message=f"the set speed went from {from_kmh:.0f} to "
            f"{from_kmh + move.change_kmh:.0f} km/h within {move.span.length_s:.1f} s with "
            "neither set nor resume pressed",
            measured=move.change_kmh,
            limit=limits.moves_kmh,
            unit="km/h",
            channels=("cruise_set_speed",),
        )
