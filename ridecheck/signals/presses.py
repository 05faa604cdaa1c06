"""Presses of the panel's buttons: when one was made, and whether one may have stayed unseen."""

from collections.abc import Sequence

import numpy as np

from ridecheck.core.catalog import PANEL
from ridecheck.core.statistics import binomial_tail
from ridecheck.signals.intervals import NOTHING, Intervals
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import BLANK

LEAST_SEEN = 5
"""Fewer presses than this say nothing of how long this rider presses."""

ONE_ROW = 1.5
"""A run up to so many row intervals long is a press that showed in a single row."""


def may_show(
    ride: Ride, buttons: Sequence[str], *, before_s: float = 0.0, after_s: float = 0.0
) -> Intervals:
    """When a press of some buttons may show its effect.

    before_s, after_s: how long before a press shows and after it ends its effect may show.
    Where a button is blank one may have been made.
    """
    busy = NOTHING
    for button in filter(ride.has, buttons):
        busy |= ride.when(button) | ride.when(button, BLANK)
    return busy.widened(before_s, after_s)


def unseen_chance(
    ride: Ride, buttons: Sequence[str], *, unseen: int, seen: int, shortest_s: float
) -> float:
    """Chance that so many of ``unseen + seen`` presses fell between two rows.

    The lower of two: every press as short as a system takes (``shortest_s``, seconds); and
    presses as short as this ride's own, on whichever button of the panel: those that show in
    one row show how many show in none. A press of length w at interval T shows with chance
    min(1, w / T).
    """
    shown = _shown(ride, buttons, shortest_s)
    worst = _tail(unseen, unseen + seen, np.array([1.0 - shown]), np.ones(1))
    runs = [
        r.length_s / ride.interval_s(b)
        for b in PANEL.values()
        if ride.has(b) and not ride.channels[b].latched
        for r in ride.runs(b).on()
        if r.sharp_start and r.sharp_end
    ]
    if len(runs) < LEAST_SEEN:
        return worst
    single = sum(rows <= ONE_ROW for rows in runs)
    # Share of the seen presses that are short enough to be missed: what the counts leave open.
    share = (np.arange(200) + 0.5) / 200.0
    weight = share**single * (1.0 - share) ** (len(runs) - single)
    hidden = share * (1.0 - shown) / shown
    return min(worst, _tail(unseen, unseen + seen, hidden / (1.0 + hidden), weight))


def _shown(ride: Ride, buttons: Sequence[str], shortest_s: float) -> float:
    """Chance that the shortest press shows in some row of its button."""
    if all(ride.channels[b].latched for b in buttons):
        return 1.0
    refresh_s = max(ride.interval_s(b) for b in buttons)
    if refresh_s <= 1.1 * shortest_s:  # 20 Hz, with a logger's jitter
        return 1.0
    return shortest_s / refresh_s


def _tail(least: int, of: int, chance: np.ndarray, weight: np.ndarray) -> float:
    """Chance of at least so many of a number, over what its chance may be."""
    each = [binomial_tail(least, of, one) for one in chance.tolist()]
    return float(np.average(each, weights=weight))
