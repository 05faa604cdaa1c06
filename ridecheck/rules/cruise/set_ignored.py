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
    Supply at the unit's connector (the lamp may be lit straight from the switch); the clutch
    switch; the lamp load of the brake line after a lamp conversion.
References
    Conditions to engage and their order: common practice of the trade.
"""

from dataclasses import dataclass

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import permission
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import Run


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    press_s: float = threshold(0.1, "s", "shorter presses may not be taken")
    inside_kmh: float = threshold(
        5.0, "km/h", "from the limits, which units read off their own speed"
    )
    least: float = threshold(3.0, "tries", "once or twice a rider presses wrongly")
    share: float = threshold(0.6, "", "of the tries; a worn thumb misses fewer")
    rest_s: float = threshold(0.3, "s", "before the press: rows and lamps are this late at most")


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
    tries = [
        r
        for r in permission.presses(ride, "switch_set", least_s=limits.press_s)
        if _may(ride, r, limits)
    ]
    ignored = [r for r in tries if permission.engages(ride, r) is False]
    yield Exposure(events=len(tries) - len(ignored))
    if len(ignored) < limits.least or len(ignored) < limits.share * len(tries):
        return
    answers_s = permission.answers_within_s(ride)
    for press in ignored:
        yield Finding(
            span=Span(press.start_s, press.end_s + answers_s),
            message=f"set pressed at {ride.at('wheel_speed', press.start_s):.0f} km/h with cruise "
            f"armed and every logged control at rest, and cruise did not engage within "
            f"{answers_s:.1f} s; so in {len(ignored)} of {len(tries)} tries",
            measured=float(len(ignored)),
            limit=limits.least,
            unit="tries",
            channels=("switch_set",),
        )


def _may(ride: Ride, press: Run, limits: Limits) -> bool:
    """Armed from before the press, and everything else logged allows cruise to engage."""
    armed = Span(press.start_s - limits.rest_s, press.end_s + permission.answers_within_s(ride))
    if any(r.value != 1 for r in ride.runs("cruise_armed").overlapping(armed)):
        return False
    return permission.allowed(ride, press, inside_kmh=limits.inside_kmh, rest_s=limits.rest_s)
