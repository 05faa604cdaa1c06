"""Set or resume closes too shortly to be taken, and is pressed again until it is.

What it checks
    Cruise not engaged: closings of set or resume shorter than a finger makes, on which
    cruise does not engage and the same button is pressed again within seconds. It counts
    where a ride holds several and they are a good part of the uses of that button.
Why it matters
    A worn or dirty contact closes late and opens early: the rider presses again and again,
    eyes on the panel, and a tap may end the hold.
What else looks like this
    A gloved thumb that slips off, once or twice a ride; a press while a condition to engage
    is not met, which lasts as long as any other.
Next step
    Feel and wear of the button; water and dirt in the panel; its plug.
References
    Presses of set on a bike recorded standing lasted 0.21 to 0.35 s (measured on an open
    recording of its bus); a finger makes no closing under 0.06 s (common practice).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from ridecheck.core.catalog import PANEL
from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import Run

BUTTONS = (PANEL["set"], PANEL["resume"])


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    short_s: float = threshold(0.11, "s", "half of the shortest press a hand was seen to make")
    noticed_s: float = threshold(
        0.45, "s", "a rider waits so long for cruise; sooner, a contact bounces"
    )
    again_s: float = threshold(3.5, "s", "a rider who sees nothing come of it presses again")
    least: float = threshold(3.0, "presses", "once or twice a ride a glove slips off")
    share: float = threshold(0.25, "", "of the uses of that button; a good one loses none")


@rule(
    needs=("cruise_engaged", BUTTONS),
    severity=Severity.FAULT,
    clear_events=5,
    clear_interval_s=0.05,
    convict_interval_s=0.055,
    raise_when=RaiseWhen(events=3),
    cruise_only=True,
    asks="presses of set and resume",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each press not taken, on each button that often loses them."""
    for button in BUTTONS:
        if not ride.has(button) or ride.channels[button].latched:
            continue
        runs = ride.runs(button).on()
        lost = list(_lost(ride, runs, limits))
        yield Exposure(events=len(runs) - len(lost))
        if len(lost) < limits.least or len(lost) < limits.share * len(runs):
            continue
        word = button.removeprefix("switch_")
        for press in lost:
            yield Finding(
                span=press.span,
                message=f"{word} closed for {press.length_s:.2f} s, was not taken and was pressed "
                f"again; so {len(lost)} of {len(runs)} times",
                measured=press.length_s,
                limit=limits.short_s,
                unit="s",
                channels=(button,),
            )


def _lost(ride: Ride, runs: tuple[Run, ...], limits: Limits) -> Iterator[Run]:
    """Short closings with cruise off, followed by another of the same button."""
    for press, again in pairwise(runs):
        lifted_s = again.start_s - press.end_s
        if press.length_s > limits.short_s or not press.sharp_start:
            continue
        if not limits.noticed_s < lifted_s <= limits.again_s:
            continue
        if ride.runs("cruise_engaged").any_on(Span(press.start_s, again.start_s)) is False:
            yield press
