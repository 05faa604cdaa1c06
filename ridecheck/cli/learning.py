"""A draft model from a good ride."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ridecheck.cli.app import AnyFleet, LayoutFile, app, remark, say
from ridecheck.core.errors import LogError, UsageError

if TYPE_CHECKING:
    from ridecheck.core.model import Drivetrain
    from ridecheck.signals.ride import Ride


@app.command()
def learn(
    log: Annotated[Path, typer.Argument(metavar="LOG", help="A log of a ride known to be good.")],
    fleet: AnyFleet = None,
    layout: LayoutFile = None,
    tyre: Annotated[
        str, typer.Option("--tyre", metavar="SIZE", help="Size on the driven tyre: 170/60R17.")
    ] = "",
    circumference: Annotated[
        float | None,
        typer.Option("--circumference", metavar="M", min=0.5, max=4.0, help="Rolled, in metres."),
    ] = None,
    model: Annotated[
        Path | None,
        typer.Option("--model", metavar="FILE", help="Its ratios are known: learn the tyre."),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("--output", metavar="FILE", help="File to write (default: print)."),
    ] = None,
) -> None:
    """Draft a model file from a ride known to be good.

    The ladder of gears with what is left open, idle speed, the speed signal's error
    against GPS and its resolution, and where it is likely taken from. What the log cannot
    show is asked on standard error, never guessed.

    \b
    ridecheck learn T07_2026-05-03.csv --layout bench-20hz.toml --tyre 170/60R17
    ridecheck learn T07.csv --fleet hollow-hill --output models/new.toml
    ridecheck learn T07.csv --fleet hollow-hill --model models/triple.toml
    """
    from ridecheck.fleet.tyres import parse_tyre
    from ridecheck.setup.learn import draft, learn

    if tyre and circumference:
        raise UsageError(
            "a tyre and a circumference were given; they may disagree",
            where="ridecheck learn",
            value=f"--tyre {tyre} --circumference {circumference:g}",
            what_to_do="give one of them",
        )
    ride = _longest_ride(log, fleet, layout)
    learned = learn(ride)
    size_m = parse_tyre(tyre).rolling_circumference_m if tyre else circumference
    if model is not None and size_m is None:
        size_m = learned.circumference_m(_drivetrain(model))
        remark(
            "Rolling circumference "
            + (f"{size_m:.3f} m, by the known ratios and GPS speed." if size_m else "not learned: "
               "it takes GPS speed, and ratios that the ride agrees with.")
        )  # fmt: skip
    text, questions = draft(learned, log=log.name, circumference_m=size_m, tyre=tyre)
    if output is None:
        say(text)
    else:
        _write(output, text)
    for question in questions:
        remark(question)


def _longest_ride(log: Path, fleet: Path | None, layout: Path | None) -> "Ride":
    from ridecheck.signals.ride import Ride
    from ridecheck.trace.parts import of_log

    found = of_log(log, root=fleet, layout=layout)
    if not found:
        raise LogError("the log holds no ride", where=log.name, what_to_do="give another log")
    longest = max(found, key=lambda r: sum(p.info.rows for p in r.parts))
    return Ride(longest.ride, longest.bike, longest.parts, longest.settings)


def _drivetrain(model: Path) -> "Drivetrain":
    from ridecheck.fleet import read_settings
    from ridecheck.rules.engine import known_limits

    return read_settings(model, known_limits=known_limits()).drivetrain


def _write(output: Path, text: str) -> None:
    if output.exists():
        raise UsageError(
            "the file is there already, and is not written over",
            where=str(output),
            what_to_do="name another file, or move this one away first",
        )
    output.write_text(text, encoding="utf-8")
