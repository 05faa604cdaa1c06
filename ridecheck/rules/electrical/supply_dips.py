"""The supply dips for a moment, and cruise disengages with it.

What it checks
    Sudden falls of the supply while the engine turns fast enough to charge. A deep one
    counts by itself. A shallower one counts only where it comes just before a cancel,
    more often than dips lie before any moment by chance; else it is said to be
    coincidence.
Why it matters
    A loose battery lug, a corroded fuse clip or a bad ground starts the control unit
    anew: cruise is off and the stored speed gone.
What else looks like this
    Horn, fan, heated grips switched on (a few tenths of a volt); the engine falling to
    idle, which is left out; a logger fed from another place than the unit.
Next step
    Battery terminals, main fuse and its clips, ground points: look, and measure the
    voltage drop under load while the loom is moved.
References
    Loads switch 0.2 to 0.5 V (common practice). Control units work from about 9 V up.
    Chance of k of n: binomial.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from ridecheck.core.model import Exposure, Finding, Severity, Span, Unjudged
from ridecheck.core.statistics import binomial_tail
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cancels
from ridecheck.signals.ride import Floats, Ride

BEFORE_S = 5.0
"""The supply is held against the middle of what it was this long before."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    dip_v: float = threshold(0.7, "V", "loads switched on take 0.2 to 0.5 V, two at once less")
    deep_v: float = threshold(
        1.5, "V", "no load of a motorcycle takes this while charging: a contact or ground opens"
    )
    before_cancel_s: float = threshold(
        1.0, "s", "control unit and flag together take no longer from dip to cancel"
    )
    chance: float = threshold(
        0.01, "", "chance of so many dips before cancels, below which it is no coincidence"
    )
    charging: float = threshold(
        1.7, "", "times idle speed: below, the alternator gives less and the supply falls with it"
    )


@dataclass(frozen=True, slots=True)
class _Dip:
    """One dip: when, how far below what was, and the lowest value."""

    span: Span
    depth_v: float
    lowest_v: float


@rule(
    needs=("supply_voltage", "engine_speed"),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=0.05,
    convict_interval_s=0.25,
    asks="riding with the engine charging",
    raise_when=RaiseWhen(events=2),
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Deep dips, and shallower ones that ended cruise more often than chance."""
    charging = _charging(ride, limits)
    charging_s = ride.where(charging).seconds
    yield Exposure(seconds=charging_s)
    dips = list(_dips(ride, charging, limits))
    ends_s = [c.t_s for c in cancels.cancels(ride) if c.cause != "log_end"]
    slack_s = limits.before_cancel_s + min(ride.interval_s("cruise_engaged"), 1.0)
    ended = [d for d in dips if any(0.0 <= t - d.span.start_s <= slack_s for t in ends_s)]
    elsewhere = len(dips) - len(ended)
    # Half a dip more than were seen: none seen in an hour does not mean none ever.
    share = min(1.0, (elsewhere + 0.5) * slack_s / max(charging_s, 1.0))
    chance = binomial_tail(len(ended), len(ends_s), share)
    for dip in dips:
        before_cancel = dip in ended
        if dip.depth_v < limits.deep_v and not (before_cancel and chance < limits.chance):
            continue
        before = f"; {len(ended)} of {len(ends_s)} cancels had one before them" if ends_s else ""
        yield Finding(
            span=dip.span,
            message=f"supply fell by {dip.depth_v:.1f} V to {dip.lowest_v:.1f} V for "
            f"{dip.span.length_s:.2f} s, one of {len(dips)} dips{before}",
            measured=dip.depth_v,
            limit=limits.dip_v,
            unit="V",
            channels=("supply_voltage",),
        )
    if ended and chance >= limits.chance:
        yield Unjudged(
            ended[0].span,
            f"a dip of {ended[0].depth_v:.1f} V before a cancel may be coincidence: "
            f"{elsewhere} more lie away from cancels",
        )


def _charging(ride: Ride, limits: Limits) -> np.ndarray:
    """Rows in a stretch of fast enough engine that began BEFORE_S ago or earlier."""
    rpm = ride.numbers("engine_speed")
    slow = ~(rpm > limits.charging * ride.settings.drivetrain.idle_rpm)
    since_s = np.where(slow, ride.t_s, -np.inf)
    new = np.diff(ride.segment, prepend=-1) != 0
    since_s = np.maximum.accumulate(np.where(new, ride.t_s, since_s))
    return np.asarray(ride.t_s - since_s > BEFORE_S)


def _dips(ride: Ride, charging: np.ndarray, limits: Limits) -> Iterator[_Dip]:
    volts = ride.numbers("supply_voltage")
    # A median is at most the highest: most rides end here.
    if not (charging & (np.nanmax(volts, initial=-np.inf) - volts > limits.dip_v)).any():
        return
    usual = _usual(ride, volts)
    low = charging & (usual - volts > limits.dip_v)
    for span in ride.where(low, bridge_s=0.5):
        rows = ride.rows(span)
        at = rows.start + int(np.nanargmin(np.where(low[rows], volts[rows], np.nan)))
        yield _Dip(span, float(usual[at] - volts[at]), float(volts[at]))


def _usual(ride: Ride, volts: Floats) -> Floats:
    """Median of the supply over the BEFORE_S up to each row, (n,)."""
    rows = max(3, round(BEFORE_S / ride.row_interval_s))
    series = pl.Series(volts).fill_nan(None)
    return series.rolling_median(rows, min_samples=3).to_numpy().astype(float)
