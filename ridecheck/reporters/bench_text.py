"""A bench plan and a bench reading for the terminal."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from zoneinfo import ZoneInfo

from ridecheck.reporters.bench_words import (
    CAUTIONS,
    STATES,
    control_words,
    fact_sentence,
    first_sentence,
    left_out,
    moving_sentence,
    unseen_sentence,
    uses_sentence,
)
from ridecheck.reporters.terminal import in_ascii, wrapped
from ridecheck.reporters.wording import words
from ridecheck.trace.bench.records import BenchReading, ControlRead, Step


def plan_text(steps: Sequence[Step], bike: str, *, ascii_only: bool = False) -> str:
    """The sequence to work through, numbered, with its cautions first."""
    minutes = sum(s.minutes for s in steps)
    lines = [f"Bench sequence{f' for {bike}' if bike else ''}, about {minutes:.0f} min", ""]
    for sentence in CAUTIONS:
        lines += wrapped(sentence, first="- ", rest="  ")
    lines.append("")
    for number, step in enumerate(steps, 1):
        lines += _step_lines(number, step)
    lines += ["", *wrapped("Start the logger, work the steps with a pause of two seconds between "
              "them, stop the logger, then: ridecheck bench LOG")]  # fmt: skip
    return "\n".join(in_ascii(lines) if ascii_only else lines) + "\n"


def _step_lines(number: int, step: Step) -> Iterator[str]:
    often = "" if step.times == 1 else f", {step.times} times"
    why = f" (suspect: {words(step.suspect)})" if step.suspect else ""
    yield f"{number:>2}  {step.title}{often}{why}"
    yield from wrapped(step.do, first="    ", rest="    ")
    yield from wrapped(f"Must show: {step.must}.", first="    ", rest="    ")


def reading_text(reading: BenchReading, *, zone: str = "UTC", ascii_only: bool = False) -> str:
    """What the log shows of each control, faults first."""
    lines = [*wrapped(first_sentence(reading))]
    if said := moving_sentence(reading):
        lines += wrapped(said)
    lines.append("")
    ordered = sorted(reading.controls, key=lambda c: ("fault", "ok", "not assessed").index(
        STATES[c.state]))  # fmt: skip
    for control in ordered:
        lines += _control_lines(reading, control, zone)
    missing = left_out(reading)
    if missing:
        names = ", ".join(s.title.lower() for s in missing)
        lines += ["", *wrapped(f"Not seen in this log: {names}.")]
    if reading.checks:
        lines += ["", "Checks this log answers:"]
        lines += [f"  {words(c.check.replace('-', '_'))}: {c.result}" for c in reading.checks]
    lines.append("")
    for sentence in CAUTIONS:
        lines += wrapped(sentence, first="- ", rest="  ")
    return "\n".join(in_ascii(lines) if ascii_only else lines) + "\n"


def _control_lines(reading: BenchReading, control: ControlRead, zone: str) -> Iterator[str]:
    yield f"{control_words(control.channel):<24} {STATES[control.state]}"
    facts = [fact_sentence(f, instant_of(reading, f.at_s, zone)) for f in control.facts]
    said = [uses_sentence(control), *facts]
    if control.shortest_s is not None:
        said.append(unseen_sentence(control))
    yield from wrapped("; ".join(said) + ".", first="    ", rest="    ")


def instant_of(reading: BenchReading, at_s: float | None, zone: str) -> str:
    """An instant of the log as the fleet reads it; seconds where the log has no date."""
    if at_s is None:
        return ""
    if reading.start is None:
        return f"{at_s:.2f} s"
    local = (reading.start + timedelta(seconds=at_s)).astimezone(ZoneInfo(zone))
    return f"{local:%H:%M:%S}.{local.microsecond // 10000:02d}"
