"""A simulated ride as the judging side takes it, without a file in between."""

import hashlib
from dataclasses import dataclass
from typing import cast

import polars as pl

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import ChannelFacts, Part, PartInfo
from ridecheck.fleet import Layout
from ridecheck.intake.normalise.facts import measure
from ridecheck.simulate.ride import SimulatedRide


@dataclass(frozen=True, slots=True)
class _Column:
    """What the measuring of facts asks of a layout's column."""

    refresh_s: float | None
    skew_s: float
    latched: bool


@dataclass(frozen=True, slots=True)
class _Layout:
    channels: dict[str, _Column]


def part_of(ride: SimulatedRide) -> Part:
    """The part that reading this ride's log would give, but for rounding to the file's decimals.

    For rides whose log has no mishap of clock or rows: those are reported by the readers.
    """
    logger = ride.bike.logger
    columns = {
        name: _Column(
            refresh_s=logger.refresh_s.get(name) if catalog()[name].kind == "switch" else None,
            skew_s=logger.skew_s.get(name, 0.0),
            latched=name in logger.latched,
        )
        for name in logger.channels
    }
    time = ride.samples["time"]
    samples = ride.samples.select(
        pl.col("time"),
        pl.int_range(1, pl.len() + 1, dtype=pl.UInt32).alias("row"),
        pl.col("time").dt.to_string("iso:strict").alias("file_time"),
        *(pl.col(name) for name in logger.channels),
    )
    facts: dict[str, ChannelFacts] = measure(samples, cast(Layout, _Layout(columns)))
    digest = hashlib.sha256(repr((ride.bike.bike, ride.truth)).encode()).hexdigest()
    return Part(
        PartInfo(
            stem=f"{digest[:12]}-1",
            bike=ride.bike.bike,
            log=f"{ride.bike.bike}_{ride.plan.start:%Y%m%d_%H%M%S}",
            sha256=digest,
            rows_sha256=digest,
            read_key=digest,
            layout=logger.name,
            start=time[0],
            end=time[-1],
            dating="time",
            start_from="column",
            rows=len(samples),
            row_interval_s=1.0 / logger.rate_hz,
            channels=facts,
        ),
        samples,
    )
