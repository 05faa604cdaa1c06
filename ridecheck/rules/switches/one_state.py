"""A control shows one state for a whole ride in which it must have shown the other.

What it checks
    Over minutes of a ride: a clutch or throttle-closed switch that is on in every row while
    the bike pulls away and gains speed; a panel button, ABS or traction lamp that never goes
    off while the bike rides; a neutral switch that never comes on while the gear shows
    neutral again and again; a main switch shown off in every row while cruise engages.
Why it matters
    A control that is stuck for the control unit keeps cruise from engaging, or hides that
    it must end; one that is stuck in the log alone hides everything that is judged by it.
What else looks like this
    A channel mapped the wrong way round; a line that the logger does not reach.
Next step
    Compare the channel with the control, standing, used and at rest; then switch, plug and
    cable; the layout's polarity.
References
    A control that is used shows both of its states (common practice).
"""

from dataclasses import dataclass

from ridecheck.core.catalog import PANEL
from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import Verdicts, rule, threshold
from ridecheck.signals import cruise, motion
from ridecheck.signals.ride import Ride

RELEASED_TO_PULL = ("clutch", "roll_off")
MOMENTARY = (*PANEL.values(), "abs_active", "traction_active")


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    moving_kmh: float = threshold(20.0, "km/h", "slower, a clutch may be slipped for long")
    gains_ms2: float = threshold(0.5, "m/s2", "an engine that pulls: clutch out, grip open")
    gains_s: float = threshold(1.5, "s", "longer than a quick-shifter's or a blip's push")
    times: float = threshold(5.0, "times", "so often the other state was due")
    engagements: float = threshold(2.0, "engagements", "under a main switch that is never on")
    riding_s: float = threshold(120.0, "s", "nobody holds a button, or a wheel slips, so long")


@rule(
    needs=("wheel_speed", (*RELEASED_TO_PULL, *MOMENTARY, "neutral_switch", "cruise_armed")),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=1.0,
    asks="riding",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding a control that never changed."""
    riding = ride.where(ride.numbers("wheel_speed") > limits.moving_kmh)
    yield Exposure(seconds=riding.seconds)
    gaining = motion.acceleration(ride) > limits.gains_ms2
    pulls = (riding & ride.where(gaining, bridge_s=0.3)).at_least(limits.gains_s)
    for name in RELEASED_TO_PULL:
        if _always(ride, name, on=True) and len(pulls) >= limits.times:
            yield _finding(ride, name, "on", f"{len(pulls)} times the bike gained speed")
    if riding.seconds >= limits.riding_s:
        for name in MOMENTARY:
            if _always(ride, name, on=True):
                yield _finding(ride, name, "on", f"{riding.seconds:.0f} s of riding")
    neutrals = _neutrals(ride)
    if _always(ride, "neutral_switch", on=False) and len(neutrals) >= limits.times:
        yield _finding(ride, "neutral_switch", "off", f"neutral shown {len(neutrals)} times")
    engaged = cruise.engagements(ride)
    if _always(ride, "cruise_armed", on=False) and len(engaged) >= limits.engagements:
        yield _finding(ride, "cruise_armed", "off", f"{len(engaged)} engagements")


def _always(ride: Ride, name: str, *, on: bool) -> bool:
    """Whether every known row of a switch has one value, and rows are known."""
    values = {run.value for run in ride.runs(name)} if ride.has(name) else set()
    return values - {-1} == {int(on)}


def _neutrals(ride: Ride) -> tuple[Span, ...]:
    """Stretches of a second and more in which the gear channel shows neutral."""
    return tuple(run.span for run in ride.runs("gear").of(0) if run.length_s >= 1.0)


def _finding(ride: Ride, name: str, state: str, over: str) -> Finding:
    word = name.replace("switch_", "").replace("_", " ")
    return Finding(
        span=Span(0.0, ride.duration_s),
        message=f"{word} shown {state} in every row of {ride.duration_s:.0f} s, over {over}",
        measured=ride.duration_s,
        unit="s",
        channels=(name,),
    )
