"""What moved around an instant, and which of two moves came first, as far as a log shows it.

A move shows in a row; it happened some time after the channel was last seen unmoved. Two
moves are in order only where the one had surely happened before the other can have begun:
refresh, stated skew, hold and noise all widen what is not sure.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.catalog import channel_name
from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import Span
from ridecheck.signals.ride import HOLD_REFRESHES, Ride
from ridecheck.signals.switches import BLANK, Runs

Floats = NDArray[np.float64]

BEFORE_S, AFTER_S = 3.0, 2.0
"""Moves are listed from this long before an instant to this long after it."""

BASELINE_S = 3.0
"""A number departs from the line it followed for this long before the listed stretch."""

ENGAGED = "cruise_engaged"

SHARP_REFRESHES, SHARP_S = 4.0, 0.5
"""A departure counts as sudden where its onset is known to this many refreshes, or this long."""

SUDDEN = ("supply_voltage", "front_brake_pressure", "rear_brake_pressure", "vertical_acceleration")
"""Numbers whose departure can end cruise by itself."""

JUMPING = ("wheel_speed", "front_wheel_speed", "engine_speed")
"""Numbers that follow the road and the rider: of them only a jump between two refreshes, a
lost or broken signal, can end cruise. Throttle and grip follow cruise and hand alone."""

EFFECTS = (ENGAGED, "switch_set", "switch_resume")
"""What ends no engagement: cruise itself, and the buttons that ask for it."""

OFF_ENDS = ("cruise_armed", "switch_power", "run_switch")
"""Switches whose going off ends cruise; of the others, going on does."""

NOT_MOVERS = ("cruise_set_speed", "fault_lamp", "marker")
"""What cruise shows of itself, and what moves nothing."""

FLOORS = {
    "wheel_speed": 1.5,
    "front_wheel_speed": 1.5,
    "engine_speed": 120.0,
    "throttle": 3.0,
    "throttle_grip": 3.0,
    "supply_voltage": 0.5,
    "front_brake_pressure": 100.0,
    "rear_brake_pressure": 100.0,
    "vertical_acceleration": 4.0,
}
"""Least departure that counts, in the channel's unit: above the ripple of a steady ride
(common practice)."""

NOISES = 5.0
"""... and at least this many times the channel's own scatter."""

JUMPS = 3.0
"""A change between two refreshes of this many times the least departure is a jump."""

WORDS = {
    "cruise_armed": ("main switch lamp on", "main switch lamp off"),
    "switch_power": ("main switch pressed", "main switch released"),
    "switch_set": ("set button pressed", "set button released"),
    "switch_resume": ("resume button pressed", "resume button released"),
    "switch_cancel": ("cancel button pressed", "cancel button released"),
    "clutch": ("clutch pulled", "clutch released"),
    "roll_off": ("throttle-closed switch on", "throttle-closed switch off"),
    "neutral_switch": ("neutral on", "neutral off"),
    "side_stand": ("side stand on", "side stand off"),
    "abs_active": ("ABS at work", "ABS at rest"),
    "traction_active": ("traction control at work", "traction control at rest"),
    ENGAGED: ("cruise engaged", "cruise disengaged"),
}
UPWARD = {"supply_voltage": "rises", "vertical_acceleration": "a bump"}
DOWNWARD = {"supply_voltage": "dips", "vertical_acceleration": "a bump"}


@dataclass(frozen=True, slots=True)
class Move:
    """One channel's change.

    at_s: first row that shows it. span: the stretch it surely happened in. up: on, or a
    rise. sharp: sudden enough to end cruise by itself. what: in words.
    """

    channel: str
    at_s: float
    span: Span
    up: bool
    what: str
    sharp: bool = True

    @property
    def can_end_cruise(self) -> bool:
        """Is it such as ends an engagement at once, or goes with its end?"""
        if not self.sharp or self.channel in EFFECTS:
            return False
        number = self.channel in FLOORS or self.channel == "gear"
        return number or self.up or self.channel in OFF_ENDS

    def surely_before(self, other: "Move") -> bool:
        """Had this happened before the other can have begun?"""
        return self.span.end_s <= other.span.start_s + 1e-6


@dataclass(frozen=True, slots=True)
class Order:
    """What moved first near a cancel. first: its channel, None where it is undetermined
    or nothing moved. sentence: the order in words. rivals: moves whose order is undetermined.
    """

    first: str | None
    sentence: str
    rivals: tuple[Move, ...] = ()


def moves(
    ride: Ride, t_s: float, *, before_s: float = BEFORE_S, after_s: float = AFTER_S
) -> tuple[Move, ...]:
    """Edges of switches and gear, and departures of numbers, around an instant, in order."""
    window = Span(t_s - before_s, t_s + after_s)
    found: list[Move] = []
    for name in ride.channels:
        if name in NOT_MOVERS or not ride.has(name):
            continue
        if catalog()[name].kind != "number":
            found += _edges(ride, name, window)
        elif name in FLOORS:
            found += _departures(ride, name, window)
    return tuple(sorted(found, key=lambda m: (m.at_s, m.span.end_s, m.channel)))


def order(found: Sequence[Move], t_s: float, *, near: Span) -> Order:
    """Which channel moved first near the end of an engagement at t_s.

    Only moves that may lie within ``near`` and can have ended it are weighed; what surely
    came after it is no cause.
    """
    let_go = _let_go(found, t_s)
    causes = [
        m
        for m in found
        if near.start_s - 1e-6 <= m.at_s
        and m.span.start_s <= near.end_s + 1e-6
        and m.can_end_cruise
        and not (let_go is not None and let_go.surely_before(m))
    ]
    if not causes:
        return Order(None, "nothing logged changed before cruise disengaged")
    first = min(causes, key=lambda m: (m.span.end_s, m.span.start_s))
    unsure = [m for m in causes if m.channel != first.channel and not first.surely_before(m)]
    if unsure:
        return Order(None, _undetermined([first, *unsure]), (first, *unsure))
    return Order(first.channel, _first_sentence(first, let_go, t_s), (first,))


def _let_go(found: Sequence[Move], t_s: float) -> Move | None:
    ends = [m for m in found if m.channel == ENGAGED and not m.up and abs(m.at_s - t_s) < 1e-3]
    return ends[0] if ends else None


def _first_sentence(first: Move, let_go: Move | None, t_s: float) -> str:
    lead_s = t_s - first.at_s
    when = f"{abs(lead_s):.2f} s {'before' if lead_s > 0 else 'after'} cruise disengaged"
    if abs(lead_s) < 5e-3:
        when = "in the row in which cruise disengaged"
    sentence = f"{first.what} came first, {when}"
    if let_go is None or first.surely_before(let_go):
        return sentence
    return f"{sentence}; which of the two came first is undetermined {_rate(let_go, first)}"


def _undetermined(rivals: Sequence[Move]) -> str:
    names = [m.what for m in rivals[:4]]
    listed = " and ".join((", ".join(names[:-1]), names[-1]))
    more = f" (and {len(rivals) - 4} more)" if len(rivals) > 4 else ""
    return f"{listed}{more}: which came first is undetermined {_rate(*rivals)}"


def _rate(*rivals: Move) -> str:
    """The refresh that hides the order, as a rate."""
    widest_s = max(m.span.length_s for m in rivals)
    return f"at {1.0 / widest_s:.3g} Hz" if widest_s > 0 else "in one row"


# ---------------------------------------------------------------- edges and departures


def _edges(ride: Ride, name: str, window: Span) -> Iterator[Move]:
    """Changes of a switch or the gear between known values."""
    runs = ride.runs(name)
    facts = ride.channels[name]
    refresh_s = max(facts.interval_s, ride.row_interval_s)
    low = int(runs.end_s.searchsorted(window.start_s))
    high = int(runs.start_s.searchsorted(window.end_s + 1e-9, "right"))
    for i in range(max(low, 1), high):
        at_s = runs[i].start_s
        before = _last_known(runs, i)
        if runs[i].value == BLANK or before is None or at_s < window.start_s - 1e-9:
            continue
        if runs[before].value == runs[i].value:
            continue
        hidden_s = at_s - runs[before].end_s
        if hidden_s > 1e-6:  # the last rows before a blank may have been held
            hidden_s += HOLD_REFRESHES * refresh_s
        since_s = at_s - refresh_s - hidden_s - facts.skew_s
        up = runs[i].value > runs[before].value
        what = _edge_words(name, runs[before].value, runs[i].value)
        yield Move(name, at_s, Span(since_s, at_s + facts.skew_s), up, what)


def _last_known(runs: Runs, i: int) -> int | None:
    """The last run before i that is not blank."""
    return next((k for k in range(i - 1, -1, -1) if runs[k].value != BLANK), None)


def _edge_words(name: str, before: int, after: int) -> str:
    if name == "gear":
        return f"gear {before} to {after}"
    plain = channel_name(name)
    on, off = WORDS.get(name, (f"{plain} on", f"{plain} off"))
    return on if after else off


def _departures(ride: Ride, name: str, window: Span) -> Iterator[Move]:
    """The first departure of a number from the line it followed before the window."""
    t_s, values = _fresh(ride, name, Span(window.start_s - BASELINE_S, window.end_s))
    calm = t_s < window.start_s
    if calm.sum() < 4 or calm.sum() == len(t_s):
        return
    n = int(calm.sum())  # time rises: the calm rows are the first
    middle_s, middle = float(t_s[:n].mean()), float(values[:n].mean())
    apart_s = t_s - middle_s
    per_s = float(apart_s[:n] @ (values[:n] - middle)) / float(apart_s[:n] @ apart_s[:n])
    away = values - (middle + per_s * apart_s)
    scatter = 1.4826 * float(np.median(np.abs(away[:n])))
    step = ride.channels[name].step
    limit = max(FLOORS[name], NOISES * scatter, 2.0 * step)
    quiet = max(limit / 3.0, 2.0 * scatter, step)
    beyond = (np.abs(away) > limit) & ~calm
    lasting = beyond & (np.append(beyond[1:], True) | (name == "vertical_acceleration"))
    jumps = np.append(False, np.abs(np.diff(values)) > max(JUMPS * limit, 2.0 * step)) & ~calm
    if jumps.any():
        yield _jump(ride, name, t_s, values, int(np.flatnonzero(jumps)[0]))
        return
    hits = np.flatnonzero(lasting)
    if not len(hits):
        return
    hit = int(hits[0])
    unmoved = np.flatnonzero(np.abs(away[:hit]) <= quiet)
    since_s = float(t_s[unmoved[-1]]) if len(unmoved) else float(t_s[0])
    facts = ride.channels[name]
    span = Span(since_s - facts.skew_s, float(t_s[hit]) + facts.skew_s)
    up = bool(away[hit] > 0)
    what = _departure_words(name, up=up)
    sharp_s = max(SHARP_S, SHARP_REFRESHES * max(facts.interval_s, ride.row_interval_s))
    sharp = name in SUDDEN and span.length_s <= sharp_s
    yield Move(name, float(t_s[hit]), span, up, what, sharp=sharp)


def _jump(ride: Ride, name: str, t_s: Floats, values: Floats, i: int) -> Move:
    """A number that changed at once, between two refreshes."""
    skew_s = ride.channels[name].skew_s
    up = bool(values[i] > values[i - 1])
    span = Span(float(t_s[i - 1]) - skew_s, float(t_s[i]) + skew_s)
    what = _departure_words(name, up=up)
    return Move(name, float(t_s[i]), span, up, what, sharp=name in (*SUDDEN, *JUMPING))


def _departure_words(name: str, *, up: bool) -> str:
    change = (UPWARD if up else DOWNWARD).get(name, "rises" if up else "falls")
    return change if change == "a bump" else f"{channel_name(name)} {change}"


def _fresh(ride: Ride, name: str, span: Span) -> tuple[Floats, Floats]:
    """Rows of one stretch at which a number was refreshed: time and value, blanks left out."""
    rows = ride.slice(span)
    t_s, values = ride.t_s[rows], ride.numbers(name)[rows]
    refresh_s = ride.channels[name].interval_s
    if len(t_s) and refresh_s > 1.5 * ride.row_interval_s:
        changed = np.append(True, np.diff(values) != 0)
        since = np.maximum.accumulate(np.where(changed, t_s, -math.inf))
        changed |= np.isclose(np.mod(t_s - since, refresh_s), 0.0, atol=ride.row_interval_s / 2)
        t_s, values = t_s[changed], values[changed]
    known = ~np.isnan(values)
    return t_s[known], values[known]
