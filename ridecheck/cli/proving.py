"""Before and after a repair."""

from pathlib import Path
from typing import Annotated

import typer

from ridecheck.cli.app import AsFormat, FleetFolder, Format, app, say
from ridecheck.core.errors import UsageError


@app.command()
def proof(
    bike: Annotated[str, typer.Argument(help="The bike's id.")],
    fleet: FleetFolder = Path(),
    as_format: AsFormat = Format.TEXT,
) -> None:
    """Say whether it has become less since a repair.

    For each repair that was noted: the rides before against those since, how many more clean
    kilometres would settle it, and what else changed. Reads what the last screen or night
    left; run ridecheck screen first after new logs or notes.

    \b
    ridecheck proof T07 --fleet hollow-hill
    ridecheck proof T07 --fleet hollow-hill --format json
    """
    from ridecheck.fleet import load_fleet
    from ridecheck.reporters.cautions import CAUTIONS
    from ridecheck.reporters.json_report import as_json
    from ridecheck.reporters.proof_json import proof_dict
    from ridecheck.reporters.proof_text import proof_csv, proof_text
    from ridecheck.rules.engine import known_limits
    from ridecheck.store.index import read_known

    loaded = load_fleet(fleet, known_limits=known_limits())
    known = read_known(fleet).bikes.get(bike)
    if known is None:
        raise UsageError(
            "nothing is kept of this bike" if bike in loaded.bikes else "unknown bike",
            where=f"{fleet}/bikes",
            value=bike,
            what_to_do="run ridecheck screen first"
            if bike in loaded.bikes
            else f"known: {', '.join(sorted(loaded.bikes)) or 'none'}",
        )
    if as_format is Format.JSON:
        say(as_json(proof_dict(known.report, CAUTIONS)))
    elif as_format is Format.CSV:
        say(proof_csv(known.report))
    else:
        say(proof_text(known.report, zone=loaded.time_zone, units=loaded.display_units))
