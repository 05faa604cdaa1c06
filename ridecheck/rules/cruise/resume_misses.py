"""Resume does not take the bike back to the stored speed.

What it checks
    Presses of resume while a speed is stored and everything logged allows cruise to
    engage: cruise must engage, and with the stored speed. And presses while engaged,
    which must not end cruise. It counts where half of the presses of a ride miss.
Why it matters
    The stored speed is lost, or the panel's signal is read as another button: then a
    press may one day do what nobody meant.
What else looks like this
    A press too short, or in a gear or at a speed the model does not allow; a speed
    stored so long ago that the system has dropped it.
Next step
    The control unit's own test of its buttons, as the service manual describes it;
    resistance of each button on a one-wire panel; the unit's permanent supply.
References
    Resume returns to the stored speed within 2 km/h (common practice of the trade).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cancels, cruise, permission
from ridecheck.signals.cruise import Engagement
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import Run


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    press_s: float = threshold(0.1, "s", "shorter presses may not be taken")
    inside_kmh: float = threshold(
        5.0, "km/h", "from the limits, which units read off their own speed"
    )
    least: float = threshold(2.0, "presses", "once a rider presses wrongly")
    share: float = threshold(0.5, "", "of the presses; a worn thumb misses fewer")
    rest_s: float = threshold(0.3, "s", "before the press: rows and lamps are this late at most")
    lets_go_s: float = threshold(0.6, "s", "unit and flag take no longer from press to cancel")
    differs_kmh: float = threshold(2.0, "km/h", "one unit of the display and its rounding")


@rule(
    needs=("switch_resume", "cruise_armed", "cruise_engaged", "wheel_speed"),
    severity=Severity.FAULT,
    clear_events=2,
    clear_interval_s=0.2,
    convict_interval_s=0.2,
    asks="presses of resume that take up the stored speed",
    raise_when=RaiseWhen(events=3),
    cruise_only=True,
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each press that missed, where many do."""
    presses = [(run, said) for run, said in _presses(ride, limits) if said is not None]
    missed = [(run, said) for run, said in presses if said]
    yield Exposure(events=len(presses) - len(missed))
    if len(missed) < max(limits.least, limits.share * len(presses)):
        return
    for run, said in missed:
        yield Finding(
            span=Span(run.start_s, run.end_s + permission.answers_within_s(ride)),
            message=f"resume pressed for {run.length_s:.2f} s at "
            f"{ride.at('wheel_speed', run.start_s):.0f} km/h and {said} ({len(missed)} of "
            f"{len(presses)} presses)",
            measured=float(len(missed)),
            limit=limits.least,
            unit="presses",
            channels=("switch_resume",),
        )


def _presses(ride: Ride, limits: Limits) -> Iterator[tuple[Run, str | None]]:
    """Presses of resume, with "" for right, words for wrong, None for undetermined."""
    engagements = cruise.engagements(ride)
    for run in permission.presses(ride, "switch_resume", least_s=limits.press_s):
        during = next((e for e in engagements if _holds(e, run.start_s)), None)
        if during is not None:
            yield run, _while_engaged(ride, during, run, limits)
        else:
            yield run, _while_suspended(ride, engagements, run, limits)


def _holds(engagement: Engagement, t_s: float) -> bool:
    return engagement.span.start_s < t_s - 1.0 and t_s <= engagement.span.end_s - 1e-6


def _while_engaged(ride: Ride, during: Engagement, run: Run, limits: Limits) -> str | None:
    """Pressed while engaged: one step up, or accelerate, and no cancel."""
    end_s = during.span.end_s
    window_s = limits.lets_go_s + ride.interval_s("cruise_engaged")
    if during.log_end or not during.sharp_end or end_s - run.start_s > window_s:
        return ""
    cancel = next((c for c in cancels.cancels(ride) if abs(c.t_s - end_s) < 1e-6), None)
    if cancel is None or cancel.cause != "unexplained":
        return None
    return f"cruise disengaged {end_s - run.start_s:.2f} s after it"


def _while_suspended(
    ride: Ride, engagements: tuple[Engagement, ...], run: Run, limits: Limits
) -> str | None:
    earlier = [e for e in engagements if e.span.end_s <= run.start_s and e.sharp_end]
    if not earlier or not _stored(ride, earlier[-1].span.end_s, run):
        return None
    if not permission.allowed(ride, run, inside_kmh=limits.inside_kmh, rest_s=limits.rest_s):
        return None
    answers_s = permission.answers_within_s(ride)
    until_s = run.end_s + answers_s + ride.interval_s("cruise_engaged")
    following = [e for e in engagements if run.start_s <= e.span.start_s <= until_s]
    if not following:
        return f"cruise did not engage within {answers_s:.1f} s, every logged control at rest"
    stored_kmh = ride.at("cruise_set_speed", earlier[-1].span.end_s - 0.5)
    start_s = following[0].span.start_s
    taken_kmh = ride.at("cruise_set_speed", start_s + 1.0 + ride.interval_s("cruise_set_speed"))
    ended = following[0].span.end_s < start_s + 1.0 + ride.interval_s("cruise_set_speed")
    if np.isnan(stored_kmh) or np.isnan(taken_kmh) or ended:
        return ""
    allowed_kmh = limits.differs_kmh + ride.channels["cruise_set_speed"].step
    if abs(taken_kmh - stored_kmh) <= allowed_kmh or run.length_s > 0.6:
        return ""
    return f"cruise took up {taken_kmh:.0f} km/h where {stored_kmh:.0f} km/h was stored"


def _stored(ride: Ride, since_s: float, run: Run) -> bool:
    """Was cruise armed all along since the last engagement, so that a speed is stored?"""
    armed = Span(since_s, run.end_s + permission.answers_within_s(ride))
    return all(r.value == 1 for r in ride.runs("cruise_armed").overlapping(armed))
