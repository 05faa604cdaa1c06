"""Logs whose newest row comes first: turned round before anything else."""

from dataclasses import replace

import numpy as np

from ridecheck.core.model import Note
from ridecheck.intake.normalise.stamps import UNREADABLE, Stamps
from ridecheck.intake.readers.table import RawTable

NEARLY_ALL = 0.9
"""Of the steps between rows go back in a log that is written newest first."""
FEWEST = 10


def is_newest_first(stamps: Stamps) -> bool:
    """Whether nearly all steps go back, as no other mishap makes them."""
    step = np.diff(stamps.micros[stamps.micros != UNREADABLE])
    step = step[step != 0]
    return len(step) >= FEWEST and float((step < 0).mean()) >= NEARLY_ALL


def turned_round(raw: RawTable, stamps: Stamps) -> tuple[RawTable, Stamps]:
    """The rows in the order of time. Line numbers stay those of the file."""
    count = len(raw.frame)
    said = "the newest row comes first; the rows were turned round"
    table = replace(
        raw,
        frame=raw.frame.reverse(),
        notes=(*raw.notes, Note("clock", said, count)),
        restarts=tuple(sorted(count - at for at in raw.restarts)),
        starts=tuple((0, text) for at, text in raw.starts if at == 0),
    )
    turned_us = np.ascontiguousarray(stamps.micros[::-1])
    return table, replace(stamps, micros=turned_us, file_time=stamps.file_time.reverse())
