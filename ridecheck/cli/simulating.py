"""Rides with known faults."""

from pathlib import Path
from typing import Annotated

import typer

from ridecheck.cli.app import app, say


@app.command()
def simulate(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A folder that is new or empty.")],
    bikes: Annotated[int, typer.Option("--bikes", min=1, help="How many bikes.")] = 9,
    rides: Annotated[int, typer.Option("--rides", min=1, help="Rides of each.")] = 3,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Same seed, same bytes.")] = 1,
    fault: Annotated[
        list[str] | None, typer.Option("--fault", help="Faults to plant; repeat it.")
    ] = None,
    rate_hz: Annotated[
        float | None, typer.Option("--rate", metavar="HZ", help="Rows a second.")
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option("--plan", metavar="FILE", help="An index.toml that says it all."),
    ] = None,
) -> None:
    """Write rides with known faults, and the truth beside them.

    \b
    ridecheck simulate /tmp/rides --bikes 4 --rides 2 --seed 7
    ridecheck screen --fleet /tmp/rides
    """
    from ridecheck.cli.screening import progress
    from ridecheck.reporters.wording import count
    from ridecheck.simulate import simulate_fleet

    with progress("Writing logs") as step:
        truth = simulate_fleet(
            folder,
            bikes=bikes,
            rides=rides,
            seed=seed,
            faults=tuple(fault or ()),
            rate_hz=rate_hz,
            plan=plan,
            progress=step,
        )
    made = f"{count(truth.logs, 'log')} of {count(len(truth.bikes), 'bike')}"
    say(f"{made} and truth.json in {truth.root}\n")
