"""Holds guessed from steady speed, for logs that do not record whether cruise was engaged.

For looking at a ride only: no rule uses them, nothing is released or kept in by them.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ridecheck.core.model import ChannelFacts, Part, Settings, Span
from ridecheck.signals import motion
from ridecheck.signals.ride import Ride

Floats = NDArray[np.float64]

BAND_KMH = 1.25
"""Cruise on level road stays this near one speed; a wrist seldom does for long."""
LEAST_S = 20.0
"""A steady stretch shorter than this is traffic as likely as cruise (common practice)."""
FASTER_MS2 = 0.4
"""A hold ends where speed leaves the band at least this fast within two seconds."""

ENDS_LATE_S = 1.0
"""A hold read off the speed ends this much late at most: so long a bike may take to slow out of
the band."""


def candidate_holds(ride: Ride) -> tuple[Span, ...]:
    """Stretches of steady speed above the model's lowest cruise speed, in order.

    Each ends at the last row within the band. A stretch that ends at a gap or with the
    log is left out: nothing shows how it ended.
    """
    if not ride.has("wheel_speed"):
        return ()
    band_kmh = max(BAND_KMH, 1.5 * motion.step_kmh(ride, "wheel_speed"))
    holds: list[Span] = []
    for rows in motion.segment_slices(ride):
        holds += _in_stretch(ride, rows, band_kmh)
    return tuple(holds)


def _in_stretch(ride: Ride, rows: slice, band_kmh: float) -> list[Span]:
    t_s, speed = ride.t_s[rows], ride.numbers("wheel_speed")[rows]
    known = ~np.isnan(speed)
    t_s, speed = t_s[known], speed[known]
    holds: list[Span] = []
    i = 0
    while i < len(t_s):
        end = _steady_until(speed, i, band_kmh)
        long = t_s[end] - t_s[i] >= LEAST_S
        fast = float(np.median(speed[i : end + 1])) >= ride.settings.cruise.minimum_kmh
        if long and fast and _leaves(t_s, speed, end):
            holds.append(Span(float(t_s[i]), float(t_s[end])))
        i = end + 1 if long else i + max(1, (end - i) // 4)
    return holds


def _steady_until(speed: Floats, start: int, band_kmh: float) -> int:
    """Last row of the stretch from start whose spread stays within twice the band.

    Looks ahead in growing windows, so that short stretches in a long ride cost little.
    """
    rows = 64
    while True:
        ahead = speed[start : start + rows]
        spread = np.maximum.accumulate(ahead) - np.minimum.accumulate(ahead)
        outside = np.flatnonzero(spread > 2.0 * band_kmh)
        if len(outside):
            return start + int(outside[0]) - 1
        if start + rows >= len(speed):
            return len(speed) - 1
        rows *= 2


def _leaves(t_s: Floats, speed: Floats, end: int) -> bool:
    """Does speed leave at once, and not drift out as on a hill?"""
    after = (t_s > t_s[end]) & (t_s <= t_s[end] + 2.0)
    if not after.any():
        return False
    change_ms = np.abs(speed[after] - speed[end]) / motion.KMH_PER_MS
    passed_s = t_s[after] - t_s[end]
    return bool((change_ms >= FASTER_MS2 * np.maximum(passed_s, 1.0)).any())


def with_inferred_holds(parts: Sequence[Part], settings: Settings, ride: Ride) -> Ride | None:
    """The same ride with ``cruise_engaged`` filled in from candidate holds; None without any."""
    holds = candidate_holds(ride)
    if not holds:
        return None
    engaged = np.zeros(len(ride.t_s), dtype=bool)
    for hold in holds:
        engaged[ride.slice(hold)] = True
    filled, row = [], 0
    for part in parts:
        rows = part.samples.height
        column = pl.Series("cruise_engaged", engaged[row : row + rows])
        facts = ChannelFacts(
            interval_s=ride.interval_s("wheel_speed"), present=1.0, skew_s=ENDS_LATE_S
        )
        channels = {**part.info.channels, "cruise_engaged": facts}
        filled.append(
            Part(
                info=replace(part.info, channels=channels),
                samples=part.samples.with_columns(column),
            )
        )
        row += rows
    return Ride(ride.id, ride.bike, filled, settings)
