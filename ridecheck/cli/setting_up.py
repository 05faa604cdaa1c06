"""A fleet folder of one's own."""

from pathlib import Path
from typing import Annotated

import typer

from ridecheck.cli.app import app, remark, say
from ridecheck.core.errors import UsageError


@app.command()
def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A folder that is new or empty.")],
    bikes: Annotated[
        Path | None,
        typer.Option("--bikes", metavar="LIST.csv", help="Bikes: bike, label, model, layout."),
    ] = None,
) -> None:
    """Write a fleet folder with commented examples.

    \b
    ridecheck init hollow-hill
    ridecheck init hollow-hill --bikes our-bikes.csv
    """
    from ridecheck.setup.scaffold import init_fleet

    made = init_fleet(folder, bikes_csv=bikes)
    say(f"{len(made.files)} files in {made.root}:\n")
    for name in made.files:
        say(f"  {name}\n")
    for name in made.to_fill_in:
        say(f"To be filled in: {name}\n")
    say(f"Put logs into {made.root / 'inbox'}, then: ridecheck screen --fleet {made.root}\n")


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
