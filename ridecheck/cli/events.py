"""What happened to a bike, and rides filed under the wrong one."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from ridecheck.cli.app import FleetFolder, app, say
from ridecheck.cli.times import instant, now

Bike = Annotated[str, typer.Argument(help="The bike's id; several with commas.")]
By = Annotated[str, typer.Option("--by", help="Who says so: a name or initials.")]
Reason = Annotated[str, typer.Option("--reason", help="Why.")]


@app.command()
def note(
    bike: Bike,
    kind: Annotated[
        str,
        typer.Argument(
            help="repair, modification, checked, signed_off, misread, dismissed, wash, rain "
            "or remark."
        ),
    ],
    fleet: FleetFolder = Path(),
    part: Annotated[str, typer.Option("--part", help="Part repaired or changed.")] = "",
    text: Annotated[str, typer.Option("--note", help="In your own words.")] = "",
    by: By = "",
    check: Annotated[str, typer.Option("--check", help="checked: which check.")] = "",
    result: Annotated[str, typer.Option("--result", help="checked: ok or fault.")] = "",
    finding: Annotated[
        str, typer.Option("--finding", help="signed_off, dismissed: a finding's id or a rule.")
    ] = "",
    checks: Annotated[
        list[str] | None,
        typer.Option("--checks", help="signed_off: each check done; repeat it, or use commas."),
    ] = None,
    reason: Reason = "",
    when: Annotated[
        str, typer.Option("--when", metavar="TIME", help="Date, or date and time (default: now).")
    ] = "",
) -> None:
    """Record what happened to a bike: repair, check, sign-off.

    A danger is closed only by signed_off, which names every check its rule asks for.

    \b
    ridecheck note T07 repair --part speed_sensor --note "cleaned" --by JK
    ridecheck note T07 checked --check lamp-by-each-control --result ok --by JK
    ridecheck note T07 signed_off --finding switches/brake-dead --by JK
        --checks lamp-by-each-control,rear-pedal-point,lever-free-play
    ridecheck note T12 dismissed --finding cruise/hunts --reason headwind --by JK
    """
    from ridecheck.batch.noting import note as write
    from ridecheck.bike.events_allowed import Noted

    named = [c.strip() for given in checks or () for c in given.split(",") if c.strip()]
    noted = Noted(
        kind=kind,
        when=instant(when, fleet) if when else now(),
        part=part,
        note=text,
        by=by,
        check=check,
        result=result,
        finding=finding,
        checks=named,
        reason=reason,
    )
    bikes = list(dict.fromkeys(b.strip() for b in bike.split(",")))
    for one, said in zip(bikes, write(fleet, bikes, noted, now=datetime.now(UTC)), strict=True):
        say(f"Noted in bikes/{one}.toml. {said}{' ' if said else ''}Run ridecheck screen to ")
        say("judge with it.\n")


@app.command()
def assign(
    ride: Annotated[str, typer.Argument(help="The ride's id.")],
    bike: Annotated[str, typer.Argument(help="The bike it belongs to.")],
    by: Annotated[str, typer.Option("--by", help="Who says so: a name or initials.")],
    fleet: FleetFolder = Path(),
    reason: Reason = "",
) -> None:
    """File a ride under the bike it belongs to.

    Its findings, dangers included, move with it. Recorded as an event of the bike it was
    filed under.

    \b
    ridecheck assign T07-20260512T131500Z T12 --by JK --reason "logger was moved"
    """
    from ridecheck.batch.noting import assign as write

    old = write(fleet, ride, bike, by=by, reason=reason, now=now())
    say(f"{ride}: moves from {old} to {bike} at the next ridecheck screen.\n")


@app.command()
def drop(
    ride: Annotated[
        str, typer.Argument(help="The ride's id, or the name of a log that was set aside.")
    ],
    by: Annotated[str, typer.Option("--by", help="Who says so: a name or initials.")],
    reason: Annotated[str, typer.Option("--reason", help="Why.")],
    fleet: FleetFolder = Path(),
) -> None:
    """Take out a ride that is no bike's of this fleet.

    A log that was set aside and cannot be mended holds its bike at no opinion until it is
    dropped. Recorded as an event of the bike it was filed under.

    \b
    ridecheck drop T07-20260512T131500Z --by JK --reason "a ride in a van"
    ridecheck drop T07_20260512.csv --by JK --reason "card damaged, ride repeated"
    """
    from ridecheck.batch.noting import drop as write

    say(write(fleet, ride, by=by, reason=reason, now=now()))
