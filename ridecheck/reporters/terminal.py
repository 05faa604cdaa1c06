"""The fleet board as text: 80 columns, readable without colour and in ASCII."""

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import datetime

from rich.cells import cell_len, chop_cells

from ridecheck.core.model import BikeReport, FleetReport, Verdict
from ridecheck.reporters import characters, wording
from ridecheck.reporters.characters import shown
from ridecheck.reporters.display_units import in_units
from ridecheck.reporters.rides_drawn import LAST_RIDES, last_rides

WIDTH = 80
SHOWN_ASIDE = 8
"""Logs not read that the board names; the page lists them all."""

RIDES_COLUMNS = 2 + 2 * LAST_RIDES
"""Columns that the last rides take beside the text."""
STEPS = "\N{MIDDLE DOT}\N{LOWER ONE EIGHTH BLOCK}\N{LOWER ONE QUARTER BLOCK}" + (
    "\N{LOWER THREE EIGHTHS BLOCK}\N{LOWER HALF BLOCK}\N{LOWER FIVE EIGHTHS BLOCK}"
    "\N{LOWER THREE QUARTERS BLOCK}\N{LOWER SEVEN EIGHTHS BLOCK}\N{FULL BLOCK}"
)
ASCII_STEPS = "0123456789"
RIDES_KEY = (
    "Right: the last rides, the oldest first; the higher, the more cancels. !: some of them "
    "uncommanded. x: the ride does not count."
)

STYLES = {
    Verdict.KEEP_IN: "\x1b[1;31m",
    Verdict.INSPECT: "\x1b[1;33m",
    Verdict.NO_OPINION: "\x1b[1;35m",
    Verdict.RELEASE: "\x1b[1m",
}
PLAIN = "\x1b[0m"


def board(
    report: FleetReport,
    *,
    today: datetime | None = None,
    data_max_age_days: float = 14.0,
    colour: bool = False,
    ascii_only: bool = False,
    columns: int = WIDTH,
) -> str:
    """The board as one text that ends with a line end.

    columns: where there is room beside the text, the last rides are drawn. today: the
    clock's instant; data older than data_max_age_days are named in the first line. None
    leaves that out. colour adds emphasis, never meaning.
    """
    report = in_units(report, report.display_units)
    lines = [
        *_heading(report, today, data_max_age_days),
        *_bikes(report, colour, _draw(columns, ascii_only)),
        *_aside(report),
        *cautions(report.cautions),
    ]
    return "\n".join(in_ascii(lines, max(columns, WIDTH)) if ascii_only else lines) + "\n"


def cautions(sentences: Sequence[str]) -> list[str]:
    """The cautions, once, as lines."""
    lines = ["", "Before anybody rides or works on a bike:"]
    for sentence in sentences:
        lines += wrapped(sentence, first="- ", rest="  ")
    return lines


def wrapped(text: str, *, first: str = "", rest: str = "", width: int = WIDTH) -> list[str]:
    """Text broken into lines of at most width columns, wide characters counted as two.

    Words longer than a line are cut. Steering characters are shown as escapes.
    """
    lines, line = [], first
    empty = True
    for word in _pieces(shown(text), width - max(cell_len(first), cell_len(rest))):
        if not empty and cell_len(line) + 1 + cell_len(word) > width:
            lines.append(line)
            line, empty = rest, True
        line += word if empty else f" {word}"
        empty = False
    return [*lines, line.rstrip()]


def in_ascii(lines: Sequence[str], width: int = WIDTH) -> list[str]:
    """Lines for an ASCII console, broken anew where escapes made one too wide."""
    plain = []
    for line in map(characters.in_ascii, lines):
        indent = line[: len(line) - len(line.lstrip(" "))]
        plain += [line] if len(line) <= width else wrapped(line, first=indent, rest=indent)
    return plain


def _pieces(text: str, width: int) -> Iterator[str]:
    """Words of a text, those wider than width in pieces."""
    for word in text.split():
        yield from chop_cells(word, width) if cell_len(word) > width else (word,)


def _heading(report: FleetReport, today: datetime | None, max_age_days: float) -> list[str]:
    newest = wording.newest_data(report)
    first = wording.first_line(report)
    if today is not None and newest is not None:
        age_days = (today - newest).total_seconds() / 86400.0
        if age_days > max_age_days:
            first = f"Newest data {int(age_days)} days old. {first}"
    period = f"data to {wording.utc(newest)}" if newest else "no dated ride"
    local = wording.local(newest, report.time_zone)
    return [
        *wrapped(first, rest="  "),
        *wrapped(f"{report.fleet}, {period}" + (f" ({local})" if local else "")),
        *(line for said in report.models_doubted for line in wrapped(f"{_capital(said)}.")),
    ]


def _capital(sentence: str) -> str:
    return f"{sentence[:1].upper()}{sentence[1:]}"


def _bikes(report: FleetReport, colour: bool, steps: str) -> Iterator[str]:
    for verdict, bikes in wording.by_urgency(report).items():
        if not bikes:
            continue
        yield ""
        if verdict is Verdict.RELEASE:
            yield from _released(bikes, colour)
        else:
            for bike in bikes:
                head, *rest = _entry(bike, colour)
                yield beside(head, rides_line(bike, steps)) if steps else head
                yield from rest
    if steps and any(bike.rides for bike in report.bikes):
        yield ""
        yield from wrapped(RIDES_KEY)


def _draw(columns: int, ascii_only: bool) -> str:
    """What cancels of a ride are drawn with, from none up; "" where there is no room."""
    if columns < WIDTH + RIDES_COLUMNS:
        return ""
    return ASCII_STEPS if ascii_only else STEPS


def rides_line(bike: BikeReport, steps: str = STEPS) -> str:
    """The last rides in a line, the oldest first; see RIDES_KEY."""
    line = ""
    for ride in last_rides(bike):
        number = ride.commanded + ride.uncommanded + ride.undetermined
        step = steps[min(number, len(steps) - 1)]
        line += (step if ride.counts else "x") + ("!" if ride.uncommanded else " ")
    return line.rstrip()


def beside(head: str, line: str) -> str:
    """A line of text with another to the right of where the text ends."""
    return f"{head}{' ' * (WIDTH + 2 - cell_len(unpainted(head)))}{line}" if line else head


def _entry(bike: BikeReport, colour: bool) -> list[str]:
    """Tag, word, reason, action, suspect of one bike."""
    word = wording.VERDICT_LABELS[bike.verdict]
    label = _painted(word, bike.verdict, colour)
    was = f" ({wording.was(bike)})" if wording.changed(bike) else ""
    reason = bike.because[0] if bike.because else "No reason recorded."
    more = len(bike.because) - 1
    further = f" ({wording.count(more, 'further reason')} on its page)" if more > 0 else ""
    suspects = wording.suspects(bike)
    return [
        f"{bike.bike:<5} {label}{was}",
        *wrapped(reason + further, first="      ", rest="      "),
        *(wrapped(bike.since_repair, first="      ", rest="      ") if bike.since_repair else ()),
        *wrapped(bike.action, first="      -> ", rest="         "),
        *(wrapped(suspects, first="         ", rest="         ") if suspects else ()),
    ]


def _released(bikes: Sequence[BikeReport], colour: bool) -> Iterator[str]:
    """All releases in one run of tags, then what stands beside some of them."""
    word = wording.VERDICT_LABELS[Verdict.RELEASE]
    head = f"{word}: "
    lines = wrapped(head + " ".join(_tag(b) for b in bikes), rest="      ")
    yield lines[0].replace(word, _painted(word, Verdict.RELEASE, colour), 1)
    yield from lines[1:]
    alike: dict[str, list[str]] = defaultdict(list)
    for bike in bikes:
        if remarks := wording.beside(bike):
            alike[remarks].append(bike.bike)
    for remarks, tags in sorted(alike.items(), key=lambda item: item[1]):
        yield from wrapped(f"{' '.join(tags)} release; {remarks}", first="      ", rest="        ")
    yield from wrapped(bikes[0].action, first="      -> ", rest="         ")


def _tag(bike: BikeReport) -> str:
    return f"{bike.bike} ({wording.was(bike)})" if wording.changed(bike) else bike.bike


def _aside(report: FleetReport) -> Iterator[str]:
    logs = report.set_aside
    if not logs:
        return
    yield ""
    yield "Logs not read:"
    for log in logs[:SHOWN_ASIDE]:
        yield from wrapped(f"{log.log}: {wording.why_aside(log)}", first="- ", rest="  ")
    if len(logs) > SHOWN_ASIDE:
        yield f"  and {len(logs) - SHOWN_ASIDE} more, listed on the fleet page"


def _painted(text: str, verdict: Verdict, colour: bool) -> str:
    return f"{STYLES[verdict]}{text}{PLAIN}" if colour else text


def unpainted(text: str) -> str:
    """A board without its colours."""
    return re.sub(r"\x1b\[[0-9;]*m", "", text)
