"""Every cancel of a ride to its second."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ridecheck.cli.app import AnyFleet, AsFormat, Format, LayoutFile, app, on_ascii, remark, say
from ridecheck.cli.times import outside, within
from ridecheck.core.errors import UsageError

if TYPE_CHECKING:
    from ridecheck.trace import RideTrace
    from ridecheck.trace.parts import Traceable


@app.command()
def trace(
    target: Annotated[
        str, typer.Argument(metavar="LOG|RIDE", help="A log file, or the id of a kept ride.")
    ],
    fleet: AnyFleet = None,
    layout: LayoutFile = None,
    model: Annotated[
        Path | None, typer.Option("--model", metavar="FILE", help="The bike's model.")
    ] = None,
    at: Annotated[
        str,
        typer.Option("--at", metavar="TIME", help="14:03:11, 2026-05-03T14:03:11Z or seconds."),
    ] = "",
    around: Annotated[
        float | None,
        typer.Option("--around", metavar="SECONDS", min=0.5, help="Seconds shown to each side."),
    ] = None,
    as_format: AsFormat = Format.TEXT,
    report_dir: Annotated[
        Path | None,
        typer.Option("--report-dir", metavar="DIR", help="Write a page with strip charts here."),
    ] = None,
) -> None:
    """Show every cancel of a ride to its second.

    What ended each hold, the first event, what the log could not have shown, and what to
    log on the next ride. A log needs no fleet, and nothing of it is stored.

    \b
    ridecheck trace T07-20260503T131500Z --fleet hollow-hill
    ridecheck trace T07_2026-05-03.csv --layout bench-20hz.toml
    ridecheck trace T07_2026-05-03.csv --fleet hollow-hill --at 14:03:11
    """
    from ridecheck.reporters.cautions import CAUTIONS
    from ridecheck.reporters.json_report import as_json
    from ridecheck.reporters.trace_json import trace_csv, trace_dict
    from ridecheck.reporters.trace_page import write_trace
    from ridecheck.reporters.trace_text import trace_text

    found = _found(target, fleet, layout, model)
    placed = _placed(found, at)
    traces = [_traced(one, at_s, around) for one, at_s in placed]
    units = found[0].display_units if found else "metric"
    if as_format is Format.JSON:
        shown = [trace_dict(t, CAUTIONS) for t in traces]
        say(as_json(shown[0] if len(shown) == 1 else shown))
    elif as_format is Format.CSV:
        say(trace_csv(traces))
    else:
        for one in traces:
            say(trace_text(one, CAUTIONS, every=bool(at), ascii_only=on_ascii(), units=units))
    for one in traces if report_dir else ():
        page = write_trace(one, CAUTIONS, report_dir or Path(), units=units)
        remark(f"The page: {page.resolve()}")


def _found(
    target: str, fleet: Path | None, layout: Path | None, model: Path | None
) -> "list[Traceable]":
    from ridecheck.trace.parts import of_log, of_ride

    if Path(target).is_file():
        return of_log(Path(target), root=fleet, layout=layout, model=model)
    if layout or model:
        raise UsageError(
            "there is no such log",
            where="ridecheck trace",
            value=target,
            what_to_do="name a log file; --layout and --model belong to one",
        )
    return [of_ride(fleet or Path(), target)]


def _placed(found: "list[Traceable]", at: str) -> "list[tuple[Traceable, float | None]]":
    """Rides with the second that --at names in them; UsageError where it lies in none."""
    if not at:
        return [(one, None) for one in found]
    spans = [(one.parts[0].info.start, one.parts[-1].info.end) for one in found]
    zones = [one.time_zone for one in found]
    seconds = [within(at, span, zone) for span, zone in zip(spans, zones, strict=True)]
    if found and all(at_s is None for at_s in seconds):
        raise outside(at, spans, zones[0])
    return [(one, at_s) for one, at_s in zip(found, seconds, strict=True) if at_s is not None]


def _traced(found: "Traceable", at_s: float | None, around_s: float | None) -> "RideTrace":
    from ridecheck.trace import trace_ride

    return trace_ride(
        found.parts,
        found.settings,
        bike=found.bike,
        ride_id=found.ride,
        time_zone=found.time_zone,
        remarks=found.remarks,
        at_s=at_s,
        around_s=around_s,
    )
