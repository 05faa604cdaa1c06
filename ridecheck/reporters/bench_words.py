"""A bench log and its plan in sentences."""

from collections.abc import Callable

from ridecheck.core.model import State
from ridecheck.reporters.wording import words
from ridecheck.trace.bench import ControlRead
from ridecheck.trace.bench.records import BenchReading, Fact, Step

CAUTIONS = (
    "Engine off, key on, unless a step says otherwise; an engine runs only outdoors or with "
    "exhaust extraction.",
    "The bike on its stand on firm ground, or held by a second person. Hands, sleeves and tools "
    "clear of chain, wheels, fan, cables and fork stops.",
    "Never bridge, tape or unplug a switch to get a reading that is then ridden with.",
    "The service manual, local law and licensed practice come before this list. A brake control "
    "that does not light the lamp keeps the bike in.",
)
"""Printed with every plan and every reading."""

CONTROLS = {
    "roll_off": "throttle-closed switch",
    "cruise_armed": "cruise main lamp",
    "switch_power": "main switch",
    "switch_set": "set button",
    "switch_resume": "resume button",
    "switch_cancel": "cancel button",
    "wheel_speed": "wheel turned by hand",
}

STATES = {
    State.OK: "ok",
    State.FAULT: "fault",
    State.NOT_ASSESSED: "not assessed",
    State.ERROR: "not assessed",
}


def control_words(channel: str) -> str:
    """A control as people call it."""
    return CONTROLS.get(channel, words(channel))


def fact_sentence(fact: Fact, at: str = "") -> str:
    """One thing seen of a control; at: its instant, as the fleet reads it."""
    text = _FACTS[fact.kind](fact)
    return f"{text} (first at {at})" if at and fact.fault else text


def _times(fact: Fact) -> str:
    return "once" if fact.times == 1 else f"{fact.times} times"


def _ms(fact: Fact) -> str:
    return f"{1000.0 * (fact.value or 0.0):.0f} ms"


_FACTS: dict[str, Callable[[Fact], str]] = {
    "bounces": lambda f: f"the contact bounces: up to {_ms(f)} to settle, in {_uses(f)}",
    "flickers": lambda f: f"closes with nobody working it, {_times(f)}, up to {_ms(f)}",
    "stuck_on": lambda f: f"stays on for {f.value or 0.0:.0f} s",
    "never_on": lambda _: "never seen on: not worked, not wired, or dead",
    "moves_with": lambda f: f"moves with the {control_words(f.other)}, {_times(f)}, never alone",
    "lamp_dark": lambda f: f"stays dark with the {control_words(f.other)} on, {_times(f)}",
    "lamp_late": lambda f: f"lit by the {control_words(f.other)} within {_ms(f)}",
    "lamp_alone": lambda f: f"lights with no brake on, {_times(f)}",
    "closes_at": lambda f: f"closes at {100.0 * (f.value or 0.0):.0f} % of the hardest pull",
    "too_slow_for_contact": lambda f: (
        f"logged every {_ms(f)}: a bounce or flicker looks like a press"
    ),
    "travel": lambda f: f"travel {f.value or 0.0:.0f} %",
    "snaps_shut": lambda f: f"shut again within {f.value or 0.0:.1f} s, {_times(f)}",
    "sticks": lambda f: f"stays {f.value or 0.0:.0f} % open after {_uses(f)}",
    "turned": lambda f: f"shows the wheel turned, up to {f.value or 0.0:.1f} km/h",
}


def _uses(fact: Fact) -> str:
    return "1 use" if fact.times == 1 else f"{fact.times} uses"


def uses_sentence(control: ControlRead) -> str:
    """How often and how long a control was worked."""
    if not control.uses:
        return "not worked"
    count = "1 use" if control.uses == 1 else f"{control.uses} uses"
    if control.shortest_s is None or control.median_s is None:
        return count
    return f"{count}, shortest {control.shortest_s:.2f} s, median {control.median_s:.2f} s"


def unseen_sentence(control: ControlRead) -> str:
    """What this log could not have shown of a control."""
    return f"a change shorter than {1000.0 * control.unseen_s:.0f} ms cannot be seen at this rate"


def left_out(reading: BenchReading) -> tuple[Step, ...]:
    """Steps that what moved does not show. A step in which nothing moves is never among them."""
    return tuple(s for s in reading.steps if s.channels and s.id not in reading.done)


def first_sentence(reading: BenchReading) -> str:
    """The result in one sentence."""
    faulty = [control_words(c.channel) for c in reading.controls if c.state is State.FAULT]
    sound = [c for c in reading.controls if c.state is State.OK]
    unknown = [c for c in reading.controls if c.state is State.NOT_ASSESSED]
    parts = [f"fault: {', '.join(faulty)}"] if faulty else []
    parts.append(f"{len(sound)} of {len(reading.controls)} logged controls ok")
    if unknown:
        parts.append(f"{len(unknown)} not assessed")
    return "; ".join(parts).capitalize() + "."


def moving_sentence(reading: BenchReading) -> str:
    """Said where the log looks like a ride; "" where it does not."""
    if reading.moving_s < 10.0:
        return ""
    return (
        f"This log shows {reading.moving_s:.0f} s faster than walking: it looks like a ride. It "
        "was read as a bench log because you said so."
    )
