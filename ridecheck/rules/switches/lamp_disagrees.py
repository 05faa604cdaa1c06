"""Brake lamp line and brake switches disagree.

What it checks
    The lamp line must follow the front or the rear switch, with the delay of a filament
    and of both channels' refresh. A switch on with no lamp, and a lamp on with neither
    switch, count where they last longer.
Why it matters
    No lamp behind a pulled brake is a danger in traffic. A lamp that comes on uncommanded is a
    wire, a third switch, or what is spliced into the line; cruise may take it for a brake.
What else looks like this
    A channel that is late by more than its refresh; a lamp line fed by a box that
    lights it longer, or pulses it; only one of the two switches logged.
Next step
    Standing: each control alone must light the lamp, at once and steadily. Bulb, its
    socket, the line, and anything fitted into it.
References
    A filament lights some 0.2 s after a light-emitting diode (technical note on stop
    lamps, from memory); lamps must burn steadily (FMVSS 108, S5.5.10).
"""

from collections.abc import Iterator
from dataclasses import dataclass

from ridecheck.core.catalog import channel_name
from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Ride

SWITCHES = ("front_brake", "rear_brake")


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    filament_s: float = threshold(
        0.25, "s", "a filament lights in 0.2 s, and goes out as slowly; plus one late row"
    )


@rule(
    needs=("brake_lamp", SWITCHES),
    severity=Severity.FAULT,
    clear_events=5,
    clear_interval_s=0.2,
    convict_interval_s=0.5,
    asks="uses of a brake with the lamp logged",
    raise_when=RaiseWhen(events=3),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Switches without lamp, and lamps without a switch."""
    slack_s = limits.filament_s + sum(
        ride.interval_s(n) + ride.channels[n].skew_s
        for n in ("brake_lamp", *SWITCHES)
        if ride.has(n)
    )
    for name in filter(ride.has, SWITCHES):
        for span in ride.when(name).longer_than(slack_s):
            answer = ride.runs("brake_lamp").any_on(span)
            yield Exposure(events=int(answer is True))
            if answer is False:
                yield _unlit(ride, name, span)
    if ride.has(*SWITCHES):
        yield from _unasked(ride, slack_s)


def _unlit(ride: Ride, name: str, span: Span) -> Finding:
    at = f" at {ride.at('wheel_speed', span.start_s):.0f} km/h" if ride.has("wheel_speed") else ""
    return Finding(
        span=span,
        message=f"{channel_name(name)} switch on for {span.length_s:.2f} s{at} and the brake "
        "lamp line stayed off",
        measured=span.length_s,
        unit="s",
        channels=(name,),
    )


def _unasked(ride: Ride, slack_s: float) -> Iterator[Finding]:
    """Lamp on while both switches are known to be off, and were for longer than the slack."""
    front, rear = (ride.numbers(n) for n in SWITCHES)
    both_off = (front == 0) & (rear == 0)
    lamp = ride.numbers("brake_lamp") == 1
    alone = ride.where(lamp & ~motion.widened(ride, ~both_off, slack_s), bridge_s=slack_s)
    # A single row may be a row out of place.
    for span in alone.at_least(1.5 * ride.interval_s("brake_lamp")):
        yield Finding(
            span=span,
            message=f"brake lamp line on for {span.length_s:.2f} s with neither brake switch on",
            measured=span.length_s,
            unit="s",
            channels=("brake_lamp",),
        )
