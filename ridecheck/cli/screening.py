"""The main job: take logs in, judge them, print the board, write the pages."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ridecheck.cli.app import (
    DONE,
    AsFormat,
    FleetFolder,
    Format,
    app,
    columns,
    in_colour,
    on_ascii,
    remark,
    say,
)
from ridecheck.cli.times import moment
from ridecheck.core.progress import Progress

if TYPE_CHECKING:
    from ridecheck.batch.run import ScreenOutcome
    from ridecheck.core.model import FleetReport


class FailOn(StrEnum):
    """From which verdict on a command leaves with exit code 10."""

    KEEP_IN = "keep_in"
    INSPECT = "inspect"
    NO_OPINION = "no_opinion"
    NEVER = "never"


AsOf = Annotated[
    str,
    typer.Option("--as-of", metavar="TIME", help="Judge as of this time (default: newest ride)."),
]
ReportDir = Annotated[
    Path | None,
    typer.Option("--report-dir", metavar="DIR", help="Folder for the pages (default: reports/)."),
]

MOST_NAMED = 5
"""Files that are ignored are named, so many of them."""


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Folder to write to.")] = Path(
        "ridecheck-demo"
    ),
) -> None:
    """Show the whole job on the shipped sample fleet.

    The sample fleet is copied to DIR, its logs are judged, the board is printed and the
    pages are written.

    \b
    ridecheck demo
    ridecheck demo /tmp/look
    """
    from ridecheck.batch.run import screen_fleet
    from ridecheck.setup.demo import copy_sample_fleet

    copy_sample_fleet(folder)
    with progress() as step:
        outcome = screen_fleet(folder, progress=step)
    _remark(outcome)
    remark(_done(outcome))
    _show(outcome.report, Format.TEXT, folder)
    say(f"\nThe pages: {(folder / 'reports' / 'index.html').resolve()}\n")


@app.command()
def screen(
    logs: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[LOG]...", help="Logs to read (default: the whole inbox)."),
    ] = None,
    fleet: FleetFolder = Path(),
    bike: Annotated[str, typer.Option("--bike", help="The bike the logs belong to.")] = "",
    layout: Annotated[str, typer.Option("--layout", help="The layout of these logs.")] = "",
    as_format: AsFormat = Format.TEXT,
    fail_on: Annotated[
        FailOn, typer.Option("--fail-on", help="Exit with 10 if a bike is at this or worse.")
    ] = FailOn.KEEP_IN,
    as_of: AsOf = "",
    report_dir: ReportDir = None,
    by: Annotated[str, typer.Option("--by", help="With --bike: who files the logs there.")] = "",
    reason: Annotated[str, typer.Option("--reason", help="With --bike: why.")] = "",
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what is still open (ridecheck check).")
    ] = False,
) -> None:
    """Take logs in, judge them, print the board, write the pages.

    Exit codes: 0 done; 2 wrong use or a wrong fleet file; 3 logs set aside for the first
    time; 4 another run holds the folder; 10 a bike at or above --fail-on; 70 a fault of
    the program.

    \b
    ridecheck screen --fleet hollow-hill
    ridecheck screen T07_*.csv --fleet hollow-hill --fail-on inspect
    ridecheck screen --fleet hollow-hill --format csv > board.csv
    """
    from ridecheck.batch.run import exit_code, screen_fleet
    from ridecheck.cli.guiding import say_open

    if dry_run:
        raise typer.Exit(say_open(fleet))
    with progress() as step:
        outcome = screen_fleet(
            fleet,
            logs=logs or None,
            bike=bike or None,
            layout=layout or None,
            by=by,
            reason=reason,
            as_of=moment(as_of, fleet),
            report_dir=report_dir,
            progress=step,
        )
    _remark(outcome)
    remark(_done(outcome))
    _show(outcome.report, as_format, fleet)
    raise typer.Exit(exit_code(outcome, fail_on.value))


@app.command()
def report(
    fleet: FleetFolder = Path(),
    as_of: AsOf = "",
    report_dir: ReportDir = None,
    full: Annotated[bool, typer.Option("--full", help="Show every table in full.")] = False,
) -> None:
    """Write the pages again from what is kept.

    \b
    ridecheck report --fleet hollow-hill
    ridecheck report --fleet hollow-hill --report-dir /srv/board --full
    """
    from ridecheck.batch.run import screen_fleet
    from ridecheck.reporters.html import write_pages

    outcome = screen_fleet(fleet, logs=(), as_of=moment(as_of, fleet), report_dir=report_dir)
    _remark(outcome)
    if full:
        write_pages(outcome.report, report_dir or fleet / "reports", full=True)
    say(f"The pages: {((report_dir or fleet / 'reports') / 'index.html').resolve()}\n")
    raise typer.Exit(DONE)


def _remark(outcome: "ScreenOutcome") -> None:
    """What went wrong beside the job, on standard error."""
    for mistake in outcome.mistakes:
        remark(str(mistake))
    for rule in outcome.rules_in_error:
        remark(f"a rule ended in an error and was not assessed: {rule}")
    for fault in outcome.faults:
        remark(f"a fault of the program: {fault}")
    for name in outcome.unreadable:
        remark(f"could not be opened: {name}")
    for name in outcome.damaged:
        remark(f"damaged, and left out: {name}")


def _done(outcome: "ScreenOutcome") -> str:
    """What the run did with the logs it saw, in one line."""
    from ridecheck.reporters.wording import count

    counts = [f"{outcome.judged} judged", f"{outcome.known} known before"]
    if new := len(outcome.set_aside_first):
        counts.append(f"{new} set aside for the first time")
    if outcome.growing:
        counts.append(f"{len(outcome.growing)} still growing, left for next time")
    if outcome.ignored:
        named = ", ".join(outcome.ignored_names[:MOST_NAMED])
        more = ", ..." if outcome.ignored > MOST_NAMED else ""
        counts.append(f"{count(outcome.ignored, 'file')} ignored ({named}{more})")
    return f"{count(outcome.seen, 'log')} seen: {', '.join(counts)}"


def _show(report: "FleetReport", as_format: Format, root: Path) -> None:
    """Print the report; the board says where its newest data are old by today's clock."""
    from ridecheck.fleet import load_fleet
    from ridecheck.reporters.csv_report import fleet_csv
    from ridecheck.reporters.json_report import report_json
    from ridecheck.reporters.terminal import board
    from ridecheck.rules.engine import known_limits

    if as_format is Format.JSON:
        say(report_json(report))
    elif as_format is Format.CSV:
        say(fleet_csv(report))
    else:
        limits = load_fleet(root, known_limits=known_limits()).verdict
        say(
            board(
                report,
                today=datetime.now(UTC),
                data_max_age_days=limits.data_max_age_days,
                colour=in_colour(),
                ascii_only=on_ascii(),
                columns=columns(),
            )
        )


@contextmanager
def progress(doing: str = "Reading logs") -> Iterator[Progress]:
    """A bar on standard error while something is done, on a terminal only."""
    if not sys.stderr.isatty():
        yield _unseen
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn(doing), BarColumn(), MofNCompleteColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None)

        def step(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield step


def _unseen(done: int, total: int) -> None:
    """Progress that nobody looks at."""
