"""A hand switch closes for a moment, uncommanded.

What it checks
    Pulses of up to 0.2 s on the brake, clutch and throttle-closed switches while riding, cruise
    on or off, with no effect: the bike did not slow, the ratio stayed, the grip was not
    shut. They count where a ride holds three of them on one switch, or where
    one ended cruise, and only if they clearly outnumber longer touches with no effect.
Why it matters
    One of them ends cruise, and the same contact may one day not close at all.
What else looks like this
    Fingers on the lever or a boot on the pedal, which make longer touches as well; a
    quick flick of the grip past closed, of which engine braking comes.
Next step
    Free play and adjustment of that control; its connector and cable while tapping and
    sweeping the steering; dirt and water in the switch.
References
    No hand makes a pulse under 0.06 s, and few under 0.2 s (common practice). A healthy
    bump that cancels cruise and flickers the lamp: rear switch set too early (service
    text). A lamp must burn steadily (FMVSS 108, S5.5.10).
"""

from dataclasses import dataclass

from ridecheck.core.durations import spoken
from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cancels, pulses
from ridecheck.signals.pulses import MOVING_KMH, Touch, touches
from ridecheck.signals.ride import Ride

SWITCHES = ("front_brake", "rear_brake", "brake_lamp", "clutch", "roll_off")
WORDS = {"brake_lamp": "brake lamp line", "roll_off": "throttle-closed switch"}


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    pulses: float = threshold(
        3.0, "pulses", "one or two a ride may be a glove or a stone, on any bike"
    )
    outnumber: float = threshold(
        2.0, "", "times the longer touches with no effect: hands make more long ones than short"
    )
    before_cancel_s: float = threshold(
        0.3, "s", "switch, unit and flag together take no longer from pulse to cancel"
    )


@rule(
    needs=("wheel_speed", SWITCHES),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=0.05,
    convict_interval_s=0.1,
    raise_when=RaiseWhen(events=3),
    asks="riding",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each uncommanded pulse, on each switch where they are no habit of a hand."""
    moving = ride.numbers("wheel_speed") > MOVING_KMH
    yield Exposure(seconds=ride.where(moving).seconds)
    cancels_s = [c.t_s for c in cancels.cancels(ride) if c.cause != "log_end"]
    for channel in _counted(ride):
        if ride.interval_s(channel) > 0.105:
            continue
        idle = [t for t in touches(ride, channel) if not t.effect]
        pulses = [t for t in idle if t.short]
        if len(pulses) < limits.outnumber * (len(idle) - len(pulses)):
            continue
        slack_s = limits.before_cancel_s + ride.interval_s("cruise_engaged")
        ended = [p for p in pulses if _before_one(p.span, cancels_s, slack_s)]
        shown = pulses if len(pulses) >= limits.pulses else ended
        for pulse in shown:
            yield _finding(ride, channel, pulse, len(pulses), len(ended))


def _counted(ride: Ride) -> list[str]:
    """Switches to count: the lamp line only where neither brake has its own channel."""
    both = ride.has("front_brake") or ride.has("rear_brake")
    return [c for c in SWITCHES if ride.has(c) and not (c == "brake_lamp" and both)]


def _before_one(pulse: Span, cancels_s: list[float], slack_s: float) -> bool:
    return any(-1e-6 <= t_s - pulse.start_s <= slack_s for t_s in cancels_s)


def _finding(ride: Ride, channel: str, pulse: Touch, of: int, ended: int) -> Finding:
    word = WORDS.get(channel, channel.replace("_", " "))
    burst = f" in {pulse.runs} pulses" if pulse.runs > 1 else ""
    nothing = "no effect" if channel == "clutch" else "no slowing"
    return Finding(
        span=pulse.span,
        message=f"{word} on for {pulse.longest_s:.2f} s{burst} at "
        f"{ride.at('wheel_speed', pulse.span.start_s):.0f} km/h, {nothing} followed; "
        f"{of} such pulses in {spoken(ride.duration_s)}, {ended} of them ended cruise",
        measured=pulse.longest_s,
        limit=pulses.SHORT_PULSE_S,
        unit="s",
        channels=(channel,),
    )
