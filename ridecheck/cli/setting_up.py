"""A fleet folder of one's own."""

from pathlib import Path
from typing import Annotated

import typer

from ridecheck.cli.app import FleetFolder, app, remark, say
from ridecheck.core.errors import UsageError


@app.command()
def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A folder that is new or empty.")],
    bikes: Annotated[
        Path | None,
        typer.Option("--bikes", metavar="LIST.csv", help="Bikes: bike, label, model, layout."),
    ] = None,
    name: Annotated[str, typer.Option("--name", help="The fleet's name.")] = "",
    time_zone: Annotated[
        str, typer.Option("--time-zone", metavar="ZONE", help="Its clock: Europe/Lisbon.")
    ] = "",
    log: Annotated[
        Path | None,
        typer.Option("--log", metavar="LOG", help="A log to draft layout and model from."),
    ] = None,
) -> None:
    """Write a fleet folder: what is known, and a list of what is still open.

    On a terminal it asks for name and time zone where no option gives them. ridecheck
    check says later what is still open.

    \b
    ridecheck init hollow-hill
    ridecheck init hollow-hill --bikes our-bikes.csv
    ridecheck init hollow-hill --name "Hollow Hill" --log T07_0503.csv
    """
    from ridecheck.cli.guiding import asked, from_log, known_zone, name_fleet, still_open
    from ridecheck.setup.scaffold import init_fleet

    if log is not None and not log.is_file():
        raise UsageError(
            "there is no such log",
            where="ridecheck init --log",
            value=str(log),
            what_to_do="name a file that a logger wrote",
        )
    called = name or asked("The fleet's name", folder.resolve().name)
    zone = known_zone(time_zone or asked("Its time zone", "UTC"))
    made = init_fleet(folder, bikes_csv=bikes)
    name_fleet(made.root, called, zone)
    say(f"{len(made.files)} files in {made.root}:\n")
    for file in made.files:
        say(f"  {file}\n")
    questions = [str(q) for q in from_log(made.root, log, made.to_fill_in)] if log else []
    if questions := [*questions, *still_open(made.root)]:
        say("Still open:\n")
    for number, question in enumerate(questions, 1):
        say(f"{number:>3}. {question}\n")
    say(f"Put logs into {made.root / 'inbox'}, then: ridecheck screen --fleet {made.root}\n")


@app.command()
def check(fleet: FleetFolder = Path()) -> None:
    """Say what is still open before logs can be judged.

    Every mistake in a fleet file, every file to be filled in, and every log of the inbox
    (the newest 40) that cannot be read, with its place and the remedy. Nothing is written.
    Exit codes: 0 nothing is open; 2 something is.

    \b
    ridecheck check --fleet hollow-hill
    """
    from ridecheck.cli.guiding import say_open

    raise typer.Exit(say_open(fleet))


@app.command()
def layout(
    log: Annotated[Path, typer.Argument(metavar="LOG", help="A log that no layout fits.")],
    output: Annotated[
        Path | None,
        typer.Option("--output", metavar="FILE", help="File to write (default: print)."),
    ] = None,
) -> None:
    """Draft a layout for a log nobody has described yet.

    How sure each line is stands beside it; what stays open is asked on standard
    error and left for a person to decide.

    \b
    ridecheck layout T07_2026-05-03.csv
    ridecheck layout T07_2026-05-03.csv --output hollow-hill/layouts/bench.toml
    """
    from ridecheck.setup.propose import propose

    if not log.is_file():
        raise UsageError(
            "there is no such log",
            where="ridecheck layout",
            value=str(log),
            what_to_do="name a file that a logger wrote",
        )
    if output is not None and output.exists():
        raise UsageError(
            "there is such a file already",
            where="--output",
            value=str(output),
            what_to_do="name another, or move it away first: a draft never replaces a layout",
        )
    proposal = propose(log)
    if output is None:
        say(proposal.toml)
    else:
        output.write_text(proposal.toml, "utf-8")
    for question in proposal.questions:
        remark(question)
