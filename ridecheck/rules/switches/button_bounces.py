"""A panel button breaks its press into pieces.

What it checks
    In a use of set, resume, cancel or the main button (a press, or closings in a row),
    closings that are too short and follow too soon for a finger. It counts where many
    uses show them.
Why it matters
    A worn contact: it needs several presses to engage, and a tap may end the hold.
What else looks like this
    Quick taps for some units up or down, which a finger makes slower; water in the
    panel, which dries in hours and comes again with the rain.
Next step
    Feel and wear of the button; water and dirt in the panel; its connector.
References
    A finger makes no closing under 0.06 s and lifts for no less than a tenth of a
    second (common practice).
"""

from dataclasses import dataclass
from itertools import pairwise

from ridecheck.core.catalog import PANEL
from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import Run

BUTTONS = tuple(PANEL.values())


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    lifted_s: float = threshold(0.11, "s", "a finger lifts for longer between two taps")
    piece_s: float = threshold(0.11, "s", "a finger's tap is longer")
    apart_s: float = threshold(0.6, "s", "closings nearer than this belong to one use")
    presses: float = threshold(3.0, "presses", "one or two broken presses a ride are a glove's")
    share: float = threshold(0.25, "", "of the presses of that button; healthy ones break none")


@rule(
    needs=(BUTTONS,),
    severity=Severity.FAULT,
    clear_events=5,
    clear_interval_s=0.05,
    convict_interval_s=0.055,
    raise_when=RaiseWhen(events=3),
    asks="presses of panel buttons",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each broken press, on each button that often breaks them."""
    for button in BUTTONS:
        if not ride.has(button) or ride.channels[button].latched:
            continue
        presses = _presses(ride.runs(button).on(), limits)
        yield Exposure(events=len(presses))
        broken = [p for p in presses if _is_broken(p, limits)]
        if len(broken) < limits.presses or len(broken) < limits.share * len(presses):
            continue
        word = button.replace("switch_", "").replace("power", "main")
        for pieces in broken:
            span = Span(pieces[0].start_s, pieces[-1].end_s)
            yield Finding(
                span=span,
                message=f"{word} button broke one press into {len(pieces)} within "
                f"{span.length_s:.2f} s; so in {len(broken)} of {len(presses)} presses",
                measured=float(len(broken)),
                limit=limits.presses,
                unit="presses",
                channels=(button,),
            )


def _presses(runs: tuple[Run, ...], limits: Limits) -> list[list[Run]]:
    """On-runs gathered into uses of the button: a burst of closings is one."""
    presses: list[list[Run]] = []
    for run in runs:
        if presses and run.start_s - presses[-1][-1].end_s <= limits.apart_s:
            presses[-1].append(run)
        else:
            presses.append([run])
    return presses


def _is_broken(pieces: list[Run], limits: Limits) -> bool:
    """Does a piece follow another too soon, one of them too short for a finger?"""
    return any(
        after.start_s - before.end_s <= limits.lifted_s
        and min(before.length_s, after.length_s) <= limits.piece_s
        for before, after in pairwise(pieces)
    )
