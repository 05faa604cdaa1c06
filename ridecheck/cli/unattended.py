"""What runs without a person, and what keeps the fleet folder in order."""

from pathlib import Path
from typing import Annotated

import typer

from ridecheck.cli.app import DONE, FleetFolder, app, remark, say
from ridecheck.cli.events import By, Reason
from ridecheck.cli.screening import AsOf, FailOn, ReportDir, progress
from ridecheck.cli.times import moment
from ridecheck.reporters.characters import shown


@app.command()
def nightly(
    fleet: FleetFolder = Path(),
    job: Annotated[
        str, typer.Option("--job", metavar="NAME|FILE", help="nightly, workshop, or a job file.")
    ] = "nightly",
    verify: Annotated[bool, typer.Option("--verify", help="Hash every log, known or not.")] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would be done; write nothing.")
    ] = False,
    workers: Annotated[
        int, typer.Option("--workers", min=0, metavar="N", help="Processes (0: one per processor).")
    ] = 0,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="Print nothing unless a verdict rose.")
    ] = False,
    fail_on: Annotated[
        FailOn | None,
        typer.Option("--fail-on", help="Exit with 10 if a verdict rose to this or worse."),
    ] = None,
    as_of: AsOf = "",
    report_dir: ReportDir = None,
) -> None:
    """Do the unattended batch: once a night, from cron or a systemd timer.

    Logs seen before are not read again, files still growing are left for next time, and
    nothing is written where nothing is new but the heartbeat and a line in
    log/nightly.jsonl. Exit codes as for screen; 10 counts only bikes whose verdict rose
    since the last night that finished.

    \b
    ridecheck nightly --fleet hollow-hill --quiet
    ridecheck nightly --fleet hollow-hill --dry-run
    """
    from ridecheck.batch.jobs import read_job
    from ridecheck.batch.nightly import dry_night, night

    chosen = read_job(job)
    if dry_run:
        dry = dry_night(fleet, job=chosen, verify=verify)
        say(f"{dry.line}\n")
        for name in dry.to_read:
            say(f"  to read: {name}\n")
        for name in dry.growing:
            say(f"  still growing: {name}\n")
        raise typer.Exit(DONE)
    with progress() as step:
        done = night(
            fleet,
            job=chosen,
            as_of=moment(as_of, fleet),
            verify=verify,
            workers=workers or None,
            fail_on=fail_on.value if fail_on else None,
            report_dir=report_dir,
            progress=step,
        )
    if done.is_heard or not quiet:
        say(f"{done.line}\n")
        for line in done.details:
            say(f"  {shown(line)}\n")
    for fault in done.failed:
        remark(fault)
    raise typer.Exit(done.exit_code)


@app.command()
def rebuild(fleet: FleetFolder = Path()) -> None:
    """Make the index anew from results/ and rides/.

    \b
    ridecheck rebuild --fleet hollow-hill
    """
    from ridecheck.batch.forgetting import rebuild

    made = rebuild(fleet)
    say(f"ridecheck.duckdb: {made.bikes} bikes, {made.rides} rides\n")
    for lost in made.not_back:
        say(f"not brought back: {lost}\n")


@app.command()
def forget(
    bike: Annotated[str, typer.Argument(metavar="BIKE", help="The bike.")],
    fleet: FleetFolder = Path(),
    since: Annotated[
        str, typer.Option("--from", metavar="TIME", help="Only rides that began at or after this.")
    ] = "",
    until: Annotated[
        str, typer.Option("--to", metavar="TIME", help="Only rides that began at or before this.")
    ] = "",
    by: By = "",
    reason: Reason = "",
) -> None:
    """Remove a bike's rides, results, pages and its mention in the nights' log.

    The logs in the inbox are listed for a person to delete. An open danger stays in the
    bike's register until it is signed off; touching one needs --by and --reason.
    hold = true in the bike's file refuses.

    \b
    ridecheck forget T07 --fleet hollow-hill
    ridecheck forget T07 --from 2026-05-01 --to 2026-05-31 --fleet hollow-hill
    """
    from ridecheck.batch.forgetting import forget
    from ridecheck.reporters.wording import count

    gone = forget(
        fleet, bike, since=moment(since, fleet), until=moment(until, fleet), by=by, reason=reason
    )
    rides, records = count(len(gone.rides), "ride"), count(gone.records, "record")
    say(f"{bike}: {rides} removed, {records} of logs set aside removed\n")
    for danger in gone.kept_for_danger:
        say(f"stays in the register until it is signed off: {danger}\n")
    for log in gone.inbox:
        say(f"delete by hand: {fleet / 'inbox' / log}\n")


@app.command()
def schedule(
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="Where to write the files.")],
    fleet: FleetFolder = Path(),
) -> None:
    """Write a cron line, a systemd service and its timer, with this fleet's paths.

    \b
    ridecheck schedule --to ~/units --fleet hollow-hill
    """
    from ridecheck.setup.scheduling import write_units

    for path in write_units(to, fleet):
        say(f"{path}\n")
