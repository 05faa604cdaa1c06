"""What a check, a part, a channel, a verdict or a word of the board means, as text."""

from collections.abc import Mapping

from ridecheck.bike.checks import Check, checks
from ridecheck.bike.diagnose.causes import knowledge
from ridecheck.bike.verdict import ACTIONS
from ridecheck.core.catalog import Channel
from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import Verdict
from ridecheck.reporters.terminal import wrapped
from ridecheck.reporters.wording import MEANINGS, VERDICTS, words

BOARD: Mapping[str, str] = {
    "commanded": "A rider's control moved and the bike did what that control does, or a button "
    "was pressed.",
    "uncommanded": "The log shows what no hand does, or no cause at all with every input logged.",
    "undetermined": "The log shows neither: a long touch, an input not logged or logged slowly.",
    "not covered": "What could not be judged over the rides that count. It is never ok.",
    "not assessed": "A check that this log could not decide, with the reason. It is never ok.",
    "first event": "What changed first before a cancel, where the logging rate shows an order.",
    "danger": "Somebody may be hurt: the bike is kept in from the first finding to its sign-off.",
    "fault": "Something is wrong: it raises the bike to inspect once seen often enough.",
    "watch": "A remark beside the verdict; it changes no verdict.",
    "note": "Something to know about the log; it changes no verdict.",
}
"""Words of the board and the pages that are no names of something else."""


def names() -> list[str]:
    """Everything that can be explained here, by the name to give."""
    return [*(v.value for v in Verdict), *BOARD, *checks(), *knowledge().parts, *catalog()]


def word_text(name: str) -> str:
    """What a name means; "" for one that is not known. Spaces, hyphens and _ are alike."""
    known = {_key(n): n for n in names()} | {_key(c.name): c.id for c in checks().values()}
    found = known.get(_key(name))
    if found is None:
        return ""
    if found in checks():
        lines = _check(checks()[found])
    elif found in knowledge().parts:
        lines = _part(found)
    elif found in catalog():
        lines = _channel(catalog()[found])
    elif found in BOARD:
        lines = [found, "", *_indented(BOARD[found])]
    else:
        lines = _verdict(Verdict(found))
    return "\n".join(lines) + "\n"


def _key(name: str) -> str:
    return name.strip().lower().replace("-", " ").replace("_", " ")


def _verdict(verdict: Verdict) -> list[str]:
    meaning = MEANINGS[verdict]
    return [VERDICTS[verdict], "", *_indented(f"{meaning[0].upper()}{meaning[1:]}."),
            *_indented(ACTIONS[verdict])]  # fmt: skip


def _check(check: Check) -> list[str]:
    lines = [f"{check.name} ({check.id})", "", "How", *_indented(check.how)]
    lines += ["", "Takes", *_indented(f"about {check.minutes} min; {_tools(check)}")]
    lines += ["", "What it means"]
    for meaning in check.means:
        lines += _indented(f"{meaning.seen}: {meaning.then}")
    lines += ["", "Parts it looks at", *_indented(", ".join(words(p) for p in check.finds))]
    return [*lines, "", "Take care", *_indented(check.caution)]


def _tools(check: Check) -> str:
    return ", ".join(check.tools) if check.tools else "no tools"


def _part(part: str) -> list[str]:
    entry = knowledge().parts[part]
    looks = [f"{c.name} ({c.id})" for c in checks().values() if part in c.finds]
    causes = [c.name for c in knowledge().of_part(part)]
    lines = [f"{words(part)} ({part})", "", "Seen on", *_indented(_listed(entry.channels))]
    if entry.also_serves:
        lines += ["", "Also affects", *_indented(_listed(entry.also_serves))]
    lines += ["", "Checks", *_indented("; ".join(looks))]
    return [*lines, "", "What can be wrong", *_indented("; ".join(causes))]


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(words(n) for n in names) or "no channel of its own"


def _channel(channel: Channel) -> list[str]:
    lines = [f"{words(channel.name)} ({channel.name})", "", *_indented(channel.meaning)]
    if channel.kind == "switch":
        return [*lines, *_indented("A switch: on or off. Blank is not off.")]
    low, high = channel.minimum, channel.maximum
    span = f", from {low:g} to {high:g}" if low is not None and high is not None else ""
    unit = channel.unit or "a number"
    return [*lines, *_indented(f"Stored as {unit}{span}; any unit of its kind can be mapped.")]


def _indented(text: str) -> list[str]:
    return wrapped(text, first="    ", rest="    ")
