"""The fleet report from the bikes' reports: one record that every page and file is made from."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from ridecheck import __version__
from ridecheck.bike.alike import models_doubted
from ridecheck.bike.trends import among_model
from ridecheck.core.model import BikeReport, FleetReport, SetAside
from ridecheck.reporters.cautions import CAUTIONS
from ridecheck.reporters.proof_words import board_phrase


def fleet_report(
    bikes: Iterable[BikeReport],
    set_aside: Iterable[SetAside],
    *,
    fleet: str,
    time_zone: str,
    display_units: str,
    as_of: datetime | None,
    generated_at: datetime,
) -> FleetReport:
    """Bikes by id, logs set aside by name; only generated_at says when it was made."""
    ordered = sorted(bikes, key=lambda b: b.bike)
    return FleetReport(
        fleet=fleet,
        version=__version__,
        generated_at=generated_at.replace(microsecond=0),
        as_of=as_of,
        time_zone=time_zone,
        cautions=CAUTIONS,
        bikes=tuple(replace(b, since_repair=board_phrase(b)) for b in among_model(ordered)),
        set_aside=tuple(sorted(set_aside, key=lambda s: (s.log, s.sha256))),
        display_units=display_units,
        models_doubted=models_doubted(ordered),
    )
