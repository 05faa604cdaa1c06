"""Controls at the bench: the sequence, and what a log of it shows."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ridecheck.cli.app import AnyFleet, AsFormat, Format, LayoutFile, app, on_ascii, remark, say
from ridecheck.core.errors import UsageError

if TYPE_CHECKING:
    from ridecheck.core.model import Settings
    from ridecheck.trace.bench import BenchReading


@app.command()
def bench(
    log: Annotated[
        Path | None, typer.Argument(metavar="[LOG]", help="A log taken with the bike standing.")
    ] = None,
    plan: Annotated[
        bool, typer.Option("--plan", help="Print the sequence to work through.")
    ] = False,
    fleet: AnyFleet = None,
    bike: Annotated[str, typer.Option("--bike", metavar="BIKE", help="Whose bench it is.")] = "",
    layout: LayoutFile = None,
    model: Annotated[
        Path | None, typer.Option("--model", metavar="FILE", help="The bike's model.")
    ] = None,
    as_format: AsFormat = Format.TEXT,
    report_dir: Annotated[
        Path | None, typer.Option("--report-dir", metavar="DIR", help="Write a page here.")
    ] = None,
    record: Annotated[
        bool, typer.Option("--record", help="Note the checks this log answers; needs --by.")
    ] = False,
    by: Annotated[str, typer.Option("--by", help="Who worked the controls.")] = "",
) -> None:
    """Read each control from a log taken at the bench, or print the sequence to work through.

    Engine off, key on, the bike on its stand. Nothing is stored without --record.

    \b
    ridecheck bench --plan --fleet hollow-hill --bike T07
    ridecheck bench T07_bench.csv --fleet hollow-hill
    ridecheck bench T07_bench.csv --fleet hollow-hill --record --by JK
    """
    from ridecheck.reporters.bench_json import plan_dict, reading_dict
    from ridecheck.reporters.bench_page import write_bench
    from ridecheck.reporters.bench_text import plan_text, reading_text
    from ridecheck.reporters.json_report import as_json
    from ridecheck.trace.bench import plan as steps_of

    if as_format is Format.CSV:
        raise UsageError("bench has no CSV", where="--format", what_to_do="use text or json")
    if log is None or plan:
        settings, suspects = _of_bike(fleet, bike, model)
        steps = steps_of(settings, suspects)
        say(
            as_json(plan_dict(steps, bike))
            if as_format is Format.JSON
            else plan_text(steps, bike, ascii_only=on_ascii())
        )
        if report_dir:
            title = bike or "plan"
            page = write_bench(report_dir, steps, None, title=title, zone="UTC")
            remark(f"The page: {page.resolve()}")
        return
    for reading, zone in _readings(log, fleet, layout, model, bike):
        say(
            as_json(reading_dict(reading))
            if as_format is Format.JSON
            else reading_text(reading, zone=zone, ascii_only=on_ascii())
        )
        if report_dir:
            title = f"{reading.bike}-{log.stem}"
            page = write_bench(report_dir, reading.steps, reading, title=title, zone=zone)
            remark(f"The page: {page.resolve()}")
        if record:
            _record(fleet, reading, by)


def _of_bike(
    fleet: Path | None, bike: str, model: Path | None
) -> "tuple[Settings, tuple[str, ...]]":
    """Settings of a bike and its suspects, likeliest first; of a model alone, none."""
    from ridecheck.core.model import Drivetrain, Settings
    from ridecheck.fleet import load_fleet, read_settings
    from ridecheck.rules.engine import known_limits
    from ridecheck.store.index import read_known

    if model is not None:
        return read_settings(model, known_limits=known_limits()), ()
    if fleet is None and not bike:
        return Settings(model="", drivetrain=Drivetrain((1.0,), 2.0)), ()
    loaded = load_fleet(fleet or Path(), known_limits=known_limits())
    if bike not in loaded.bikes:
        raise UsageError(
            "unknown bike" if bike else "no bike is named",
            where="ridecheck bench --bike",
            value=bike,
            what_to_do=f"known: {', '.join(sorted(loaded.bikes)) or 'none'}",
        )
    known = read_known(loaded.root).bikes.get(bike)
    suspects = tuple(s.part for s in known.report.suspects) if known else ()
    return loaded.settings(bike), suspects


def _readings(
    log: Path, fleet: Path | None, layout: Path | None, model: Path | None, bike: str
) -> "list[tuple[BenchReading, str]]":
    from ridecheck.signals.ride import Ride
    from ridecheck.store.index import read_known
    from ridecheck.trace.bench import read_bench
    from ridecheck.trace.parts import of_log

    found = []
    for one in of_log(log, root=fleet, layout=layout, model=model):
        known = read_known(fleet).bikes.get(one.bike) if fleet else None
        suspects = tuple(s.part for s in known.report.suspects) if known else ()
        ride = Ride(one.ride, bike or one.bike, one.parts, one.settings)
        found.append((read_bench(ride, suspects=suspects), one.time_zone))
    return found


def _record(fleet: Path | None, reading: "BenchReading", by: str) -> None:
    """Note every check the log answers, with what it rests on."""
    from datetime import UTC, datetime

    from ridecheck.batch.noting import note
    from ridecheck.bike.events_allowed import Noted
    from ridecheck.cli.times import now

    if fleet is None or not by:
        raise UsageError(
            "what goes on record needs a fleet and a name",
            where="ridecheck bench --record",
            what_to_do="add --fleet DIR and --by NAME",
        )
    sha12 = reading.parts[0].sha256[:12]
    for done in reading.checks:
        noted = Noted(
            kind="checked",
            when=now(),
            check=done.check,
            result=done.result,
            by=by,
            note=f"bench log {sha12}: {', '.join(done.channels)}, {done.uses} uses",
        )
        note(fleet, [reading.bike], noted, now=datetime.now(UTC))
        remark(f"Noted in bikes/{reading.bike}.toml: {done.check} {done.result}")
