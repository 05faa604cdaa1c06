"""A fleet folder of one's own."""

from pathlib import Path
from typing import Annotated

import typer

from ridecheck.cli.app import app, say


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
    from ridecheck.scaffold import init_fleet

    made = init_fleet(folder, bikes_csv=bikes)
    say(f"{len(made.files)} files in {made.root}:\n")
    for name in made.files:
        say(f"  {name}\n")
    for name in made.to_fill_in:
        say(f"To be filled in: {name}\n")
    say(f"Put logs into {made.root / 'inbox'}, then: ridecheck screen --fleet {made.root}\n")
