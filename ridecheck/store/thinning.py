"""Samples that have aged are thinned: what lies near an open finding stays, results stay."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from ridecheck.core.model import RideResult, StoredFinding
from ridecheck.store.parts import KeptPart, part_path, read_part, read_part_info, replace_samples

AROUND = timedelta(seconds=30)
"""This much before and after an open finding stays."""


def thin_parts(
    root: Path,
    parts: Iterable[KeptPart],
    results: Iterable[RideResult],
    *,
    open_ids: frozenset[str],
    before: datetime,
) -> tuple[KeptPart, ...]:
    """Thin the parts that ended before an instant; all parts as they then are.

    results: of all rides that the parts make. A part of no ride holds nothing
    that others do not hold too, or was dropped by a person: all of it goes. An undated
    part ages from when its log was first seen.
    """
    ride_of = {p.part: r for r in results for p in r.parts}
    by_stem = {k.info.stem: k for k in parts}
    thinned = []
    for kept in by_stem.values():
        ended = kept.info.end if kept.info.dating != "none" else kept.first_seen
        if ended >= before:
            thinned.append(kept)
            continue
        ride = ride_of.get(kept.info.stem)
        spans = []
        if ride is not None:
            first = by_stem.get(ride.parts[0].part, kept)
            spans = _kept_spans(ride.findings, first.info.start, open_ids)
        thinned.append(_thinned(root, kept, spans))
    return tuple(thinned)


def _kept_spans(
    findings: Iterable[StoredFinding], ride_start: datetime, open_ids: frozenset[str]
) -> list[tuple[datetime, datetime]]:
    return [
        (
            ride_start + timedelta(seconds=f.start_s) - AROUND,
            ride_start + timedelta(seconds=f.end_s) + AROUND,
        )
        for f in findings
        if f.id in open_ids
    ]


def _thinned(root: Path, kept: KeptPart, spans: list[tuple[datetime, datetime]]) -> KeptPart:
    kept = read_part_info(part_path(root, kept.info.bike, kept.info.stem))
    samples = read_part(root, kept.info.bike, kept.info.stem).samples
    near = pl.lit(value=False)
    for start, end in spans:
        near = near | pl.col("time").is_between(start, end)
    left = samples.filter(near)
    if kept.info.thinned and left.height == samples.height:
        return kept
    return replace_samples(root, kept, left)
