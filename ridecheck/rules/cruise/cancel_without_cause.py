"""Cruise disengages uncommanded, with no logged cause.

What it checks
    Whenever cruise disengages, a cause must be on record close by: a brake, the clutch,
    the throttle-closed switch, a button, a limit. A cancel with no logged cause counts where
    every input that must cancel and every panel switch is logged at 10 Hz or faster, or
    where the rider asks for cruise again within 15 s without having slowed. Where not
    every input is logged, that vote must come three times a ride and end a third of
    the cancels, for a rider may let cruise go by a control this logger does not see.
    A ride with several undetermined cancels clears nothing, and the board says so.
Why it matters
    It points at a switch, connector or supply that opens for a moment, which the rider
    cannot see and a bench test seldom catches.
What else looks like this
    A pulse shorter than the logging interval; a cause this logger does not record (not
    judged where the rider's throttle is open again before anybody surprised could have
    opened it); an engine that stops for a second on the last of its fuel, or by its run
    switch (not judged where the bike slowed before the throttle plate closed); a wheel
    that spins (not judged where engine and wheel part); a rider who lets cruise go over
    a hill and takes it up again.
Next step
    Wiggle the connectors of the brake, clutch and throttle-closed switches and of the control unit
    while watching their inputs; sweep the steering from lock to lock.
References
    Causes and latencies: common practice of the trade. A cancel that precedes the edge
    of a switch is unexplained by it (SAE J1939-71, SPN 597: switch first, then cruise).
"""

from dataclasses import dataclass

import numpy as np

from ridecheck.core.catalog import channel_name
from ridecheck.core.model import Cancel, Exposure, Finding, Severity, Span, Unjudged
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, shared, threshold
from ridecheck.signals import cancels, cruise, motion
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.ride import SHARP_S, Ride

ELSEWHERE = {
    "braked_unseen": "the bike slowed as under a brake that no signal shows",
    "parted": "engine and wheel were not turning as one",
    "engine_first": "the engine stopped pulling before the throttle moved",
}
"""What acted before cruise, by the kind of its evidence."""

WHY = {
    "panel_chattered": ": set and resume went on at once, or twice",
    "supply_or_contact": ": the main switch lamp went off and nobody pressed it",
    "wanted_back": ", and it was re-engaged within 15 s without slowing",
    "all_logged": ", although every input that can end it is logged at 10 Hz or faster",
}
"""Why a cancel counts as uncommanded, by the kind of its evidence; the first that is there."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    slowest_kmh: float = threshold(
        20.0, "km/h", "at walking pace cruise has nothing to hold; the flag is a lamp test"
    )
    surprised_s: float = threshold(
        0.65, "s", "a hand that did not expect it takes 0.7 s or more (common practice)"
    )
    opened: float = shared(Definitions, "throttle_closed")
    takes_over: float = threshold(
        0.4, "", "of the opening that cruise held: a hand that takes over opens about as far; "
        "a plate that rests on its stop pulls nothing",
    )  # fmt: skip
    votes: float = threshold(
        3.0, "cancels", "twice a ride a rider changes his mind; needed where inputs are not logged"
    )
    votes_share: float = threshold(
        0.4, "", "of the cancels of the ride; a habit of the rider shows in fewer"
    )
    hidden: float = threshold(
        3.0, "cancels", "with no logged cause and not judged: so many are no chance, and such "
        "a ride clears nothing", loosened_by="raising",
    )  # fmt: skip


@rule(
    needs=("cruise_engaged", "wheel_speed"),
    severity=Severity.FAULT,
    clear_s=300.0,
    clear_interval_s=1.0,
    raise_when=RaiseWhen(events=3),
    cruise_only=True,
    asks="riding with cruise engaged",
    speaks_up=True,
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Cancels with no logged cause that were uncommanded; hidden ones are unjudged."""
    missing = cancels.not_logged(ride)
    hidden_count = 0
    votes_count = _votes_count(ride, limits)
    for cancel in cancels.cancels(ride):
        if cancel.cause != "unexplained":
            continue
        if cancel.speed_kmh is not None and cancel.speed_kmh < limits.slowest_kmh:
            continue
        span = Span(cancel.t_s - cancels.LOOK_BACK_S, cancel.t_s)
        elsewhere = cancels.not_cruise(ride, cancel.t_s)
        if elsewhere:
            yield Unjudged(span, f"cancel with no logged cause; {ELSEWHERE[elsewhere.kind]}")
        elif not cancel.wanted_back and _expected(ride, cancel.t_s, limits):
            yield Unjudged(span, "cancel with no logged cause; the rider's throttle was open at "
                           "once, as if it was expected")  # fmt: skip
        elif cancel.commanded is False and (votes_count or cancels.fully_logged(ride)):
            yield Finding(
                span=span,
                message=_message(cancel),
                measured=cancel.speed_kmh,
                unit="km/h",
                channels=("cruise_engaged",),
            )
        else:
            hidden_count += 1
            inputs = ", ".join(map(channel_name, missing))
            why = f"not logged: {inputs}" if inputs else "an input is blank or too slow around it"
            yield Unjudged(span, f"cancel with no logged cause; {why}")
    seen = hidden_count < limits.hidden
    yield Exposure(seconds=cruise.totals(ride).engaged_s if seen else 0.0)


def _expected(ride: Ride, t_s: float, limits: Limits) -> bool:
    """Was the throttle open, and not closing, before a surprised hand could have opened it?

    False where it is not logged at 10 Hz or faster, or the grip was open all along.
    """
    name = next((n for n in ("throttle_grip", "throttle") if ride.has(n)), "")
    if not name or ride.interval_s(name) > SHARP_S:
        return False
    values = ride.numbers(name)
    closed = motion.closed_reading(ride, name)
    if name == "throttle_grip" and ride.at(name, t_s - 0.3) > closed + limits.opened:
        return False
    after = values[ride.slice(Span(t_s + limits.surprised_s / 2, t_s + limits.surprised_s))]
    after = after[~np.isnan(after)]
    if len(after) < 2:
        return False
    needed = limits.opened
    if name == "throttle":  # before the cancel cruise moved the plate, not a hand
        before = values[ride.slice(Span(t_s - 3.0, t_s - 0.5))]
        before = before[~np.isnan(before)]
        held = float(np.median(before)) - closed if len(before) else 0.0
        needed = max(needed, limits.takes_over * held)
    return bool(after.min() > closed + needed and after[-1] >= after[0])


def _votes_count(ride: Ride, limits: Limits) -> bool:
    """Are the cancels the rider did not want more than a change of mind?"""
    ended = [c for c in cancels.cancels(ride) if c.cause != "log_end"]
    votes = sum(c.cause == "unexplained" and c.wanted_back for c in ended)
    return votes >= limits.votes and votes >= limits.votes_share * len(ended)


def _message(cancel: Cancel) -> str:
    at = "" if cancel.speed_kmh is None else f" at {cancel.speed_kmh:.0f} km/h"
    kinds = {e.kind for e in cancel.evidence}
    why = next((said for kind, said in WHY.items() if kind in kinds), "")
    return f"cruise disengaged{at} with no logged cause{why}"
