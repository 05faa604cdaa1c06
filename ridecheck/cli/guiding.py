"""A first fleet, guided: what is known is written, what is open is listed with its place."""

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import typer

from ridecheck.cli.app import DONE, WRONG_USE, say
from ridecheck.core.errors import LogError, RidecheckError, UsageError

MOST_LOGS = 40
"""So many logs of the inbox are tried, the newest first: a draft that fits them fits the rest."""


@dataclass(frozen=True, slots=True)
class Open:
    """Something a person has to decide, and where the answer goes. line: from 1."""

    file: str
    line: int
    question: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.question}"


def asked(text: str, default: str) -> str:
    """An answer from the terminal; the default where nobody is there to ask."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return default
    return str(typer.prompt(text, default=default))


def known_zone(time_zone: str) -> str:
    """The same time zone. UsageError for one that is not known."""
    try:
        ZoneInfo(time_zone)
    except (ValueError, KeyError, OSError):
        raise UsageError(
            "there is no such time zone",
            where="ridecheck init --time-zone",
            value=time_zone,
            what_to_do="name one of the IANA database: Europe/Lisbon, America/Denver, UTC",
        ) from None
    return time_zone


def name_fleet(root: Path, name: str, time_zone: str) -> None:
    """Write the fleet's name and time zone into its file."""
    import tomlkit

    from ridecheck.core.files import write_whole

    path = root / "fleet.toml"
    table = tomlkit.parse(path.read_text("utf-8"))
    table["name"] = name
    text = tomlkit.dumps(table)
    zone = f"time_zone = {tomlkit.item(time_zone).as_string()}"
    write_whole(path, text.replace('# time_zone = "UTC"', zone, 1).encode("utf-8"))


def from_log(root: Path, log: Path, to_fill_in: Sequence[str]) -> list[Open]:
    """Draft the layout, and the model where it is the only one open, from one log."""
    from ridecheck.core.files import write_whole
    from ridecheck.setup.propose import propose

    layouts = [n for n in to_fill_in if n.startswith("layouts/")]
    layout = layouts[0] if len(layouts) == 1 else "layouts/from-log.toml"
    proposal = propose(log)
    write_whole(root / layout, proposal.toml.encode("utf-8"))
    found = [_placed(layout, proposal.toml, q) for q in proposal.questions]
    models = [n for n in to_fill_in if n.startswith("models/")]
    if len(models) == 1:
        found += _learned(root, log, root / layout, models[0])
    return found


def _learned(root: Path, log: Path, layout: Path, model: str) -> list[Open]:
    from ridecheck.core.files import write_whole
    from ridecheck.setup.learn import draft, learn
    from ridecheck.signals.ride import Ride
    from ridecheck.trace.parts import of_log

    try:
        rides = of_log(log, layout=layout)
        if not rides:
            return [Open(model, 1, f"{log.name} holds no ride to draft the gears from")]
        one = max(rides, key=lambda r: sum(p.info.rows for p in r.parts))
        learned = learn(Ride(one.ride, one.bike, one.parts, one.settings))
        text, questions = draft(learned, log=log.name)
    except RidecheckError as error:
        return [Open(model, 1, f"no gears could be drafted from {log.name}: {error.what}")]
    write_whole(root / model, text.encode("utf-8"))
    return [_placed(model, text, q) for q in questions]


def _placed(file: str, text: str, question: str) -> Open:
    """The line that shares most words with the question: where its answer goes."""
    words = {w for w in _words(question) if len(w) > 2}
    lines = text.splitlines()
    shared = [len(words & set(_words(line))) for line in lines]
    line = max(range(len(lines)), key=lambda i: (shared[i], -i), default=0)
    return Open(file, line + 1 if shared and shared[line] else 1, question)


def _words(text: str) -> list[str]:
    return "".join(c if c.isalnum() else " " for c in text.casefold()).split()


def say_open(root: Path) -> int:
    """Print what is still open, numbered; the exit code."""
    found = still_open(root)
    for number, line in enumerate(found, 1):
        say(f"{number:>3}. {line}\n")
    if not found:
        say("Nothing is open: ridecheck screen judges what lies in the inbox.\n")
    return WRONG_USE if found else DONE


def still_open(root: Path) -> list[str]:
    """What keeps logs of this fleet from being judged, a line each with its place."""
    from ridecheck.fleet import load_fleet
    from ridecheck.rules.engine import known_limits

    fleet = load_fleet(root, known_limits=known_limits())
    unfinished = list(dict.fromkeys(m.file for m in fleet.mistakes if _unfinished(root, m.file)))
    found = [f"{n}: to be filled in; its bikes are not judged until then" for n in unfinished]
    found += [
        f"{m.where}: {m.what}" + (f"; {m.what_to_do}" if m.what_to_do else "")
        for m in fleet.mistakes
        if m.file not in unfinished
    ]
    alike: dict[str, list[str]] = {}
    for name, why in _unread(root, fleet):
        alike.setdefault(why, []).append(name)
    for why, names in alike.items():
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        found.append(f"inbox/{names[0]}{more}: {why}")
    return found


def _unfinished(root: Path, file: str) -> bool:
    from ridecheck.setup.scaffold import is_unfinished

    return is_unfinished(root / file)


def _unread(root: Path, fleet: object) -> Iterator[tuple[str, str]]:
    """Logs of the inbox, the newest first, that cannot be read, with the reason."""
    from ridecheck.intake.read import take_in
    from ridecheck.intake.readers import open_log

    inbox = root / "inbox"
    files = [p for p in inbox.rglob("*") if p.is_file() and not p.name.startswith(".")]
    for path in sorted(files, key=lambda p: (-p.stat().st_mtime, p.name))[:MOST_LOGS]:
        name = path.relative_to(inbox).as_posix()
        try:
            for member in open_log(path, name=name):
                if member.problem is not None:
                    raise member.problem
                take_in(member, fleet)  # type: ignore[arg-type]
        except LogError as error:
            value = f" ({error.value})" if error.value else ""
            yield name, f"{error.what}{value}; {error.what_to_do}".rstrip("; ")
