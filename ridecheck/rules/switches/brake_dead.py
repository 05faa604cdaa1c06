"""The bike slows hard and no brake signal shows it.

What it checks
    Whenever wheel speed falls by 2.5 to 11 m/s2 for more than 0.7 s, one of the braking
    signals must be on; what lies well clear of a signal that is on is judged by itself, so
    that a second control which shows late hides no first that does not. What a climb makes
    of it is taken off where measured acceleration or altitude shows it. Both controls must
    be covered, by their own channels or by the lamp line; engine speed in gear, or another
    speed, must fall too where logged. Where the clutch is in or the gear changes, the
    engine must have turned with the wheel just before.
Why it matters
    No brake lamp from that control, and cruise may not disengage by it.
What else looks like this
    An engine that stops pulling on a climb while the grip stays open (not judged);
    a speed signal that drops out, or a wheel that locks or slips, which is not slowing;
    a throttle shut on a steep climb (not judged where it was wide open just before and
    neither altitude nor acceleration is logged); a short press between two rows of a slow
    logger (not judged); a brake channel mapped to the wrong column.
Next step
    Keep the bike in. Standing: each brake control alone must light the lamp, early in
    its travel. Look at the switch of the control that does not.
References
    A closed throttle in gear gives up to 1 to 2 m/s2, the road load of 380 kg at 50 to
    120 km/h 0.4 to 1.5 m/s2 (common practice; 40 CFR 86.529-98 for the road load). Slowing
    beyond 1.3 m/s2 shall show a signal on electric cars (UN R13-H, 5.2.22.4, a scale only).
"""

from dataclasses import dataclass

from ridecheck.core.model import Exposure, Finding, Severity, Unjudged
from ridecheck.rules.base import Verdicts, rule, shared, threshold
from ridecheck.signals import brakes, braking, motion
from ridecheck.signals.braking import Slowing
from ridecheck.signals.definitions import Definitions
from ridecheck.signals.intervals import Intervals
from ridecheck.signals.ride import Ride

SHORTEST_S = 0.5
"""A slowing shorter than this is no braking that a signal must have shown."""

FILAMENT_S = 0.25
"""A lamp's filament lights some 0.2 s late (common practice), and one late row."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    slowing_ms2: float = shared(Definitions, "braking_ms2")
    steepest_ms2: float = shared(Definitions, "hardest_ms2")
    longer_than_s: float = threshold(
        0.7, "s", "a gear change or a bump slows shorter than this", loosened_by="raising"
    )
    unaided_ms2: float = shared(Definitions, "coasting_ms2")
    steepest_hill_ms2: float = threshold(
        4.0,
        "m/s2",
        "a closed throttle and the wind (2) up a road of twenty per cent (2): harder is braking",
        loosened_by="raising",
    )
    hardest_ms2: float = threshold(
        8.0,
        "m/s2",
        "what a hard press gives on a dry road: a press must have lasted at least as long as "
        "it takes to make up, at this rate, what the bike lost beyond a closed throttle",
        loosened_by="raising",
    )
    expected_ms2: float = shared(
        Definitions,
        "coasting_ms2",
        reason="slowing beyond this counts towards clearing where a brake signal shows it",
        loosened_by="lowering",
    )
    turned_within_s: float = threshold(
        3.0,
        "s",
        "a rider who stops pulls the clutch, not long after the slowing begins: that soon "
        "before it, speed was still known to be the bike's",
        loosened_by="lowering",
    )


@rule(
    needs=(
        "wheel_speed",
        ("front_brake", "brake_lamp", "front_brake_pressure"),
        ("rear_brake", "brake_lamp", "rear_brake_pressure"),
    ),
    severity=Severity.DANGER,
    clear_events=3,
    clear_interval_s=0.2,
    checks=("lamp-by-each-control", "rear-pedal-point", "lever-free-play"),
    asks="hard slowings that light a brake signal",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each hard slowing: shown by a brake signal, or by none."""
    late_s = _late_s(ride)
    for slowing in braking.slowings(ride, limits.expected_ms2, SHORTEST_S):
        braked = brakes.any_on(ride, slowing.span.widened(late_s))
        yield Exposure(events=int(braked is True))
    for slowing in braking.slowings(ride, limits.slowing_ms2, limits.longer_than_s):
        braked = brakes.any_on(ride, slowing.span.widened(late_s))
        if braked:
            said = (_judged(ride, part, limits) for part in _unseen(ride, slowing, limits))
            yield from (one for one in said if isinstance(one, Finding))
        elif (one := _judged(ride, slowing, limits)) is not None:
            blank = "a brake signal is blank while the bike slows hard"
            hidden = braked is None and isinstance(one, Finding)
            yield Unjudged(slowing.span, blank) if hidden else one


def _late_s(ride: Ride) -> float:
    """A lamp may be written 0.25 s late, and a signal one refresh."""
    return FILAMENT_S + max(s.interval_s + s.skew_s for s in brakes.signals(ride))


def _unseen(ride: Ride, slowing: Slowing, limits: Limits) -> list[Slowing]:
    """What of a slowing that a brake signal shows lies too far from the signal to be its doing.

    As far as the signal may be written late, and as the acceleration's window smears a braking.
    Every rider shuts the throttle before the brake, on a climb too: where nothing shows the
    hill, only what is harder than both together counts.
    """
    clear_s = _late_s(ride) + motion.window_s(ride, "wheel_speed") / 2
    parts = Intervals.of([slowing.span]) - brakes.shown(ride).widened(clear_s)
    long = parts.longer_than(limits.longer_than_s)
    found = [one for part in long if (one := braking.slowing_over(ride, part)) is not None]
    return [
        one
        for one in found
        if one.rate_ms2 >= limits.steepest_hill_ms2
        or braking.without_hill_ms2(ride, one.span, one.rate_ms2) is not None
    ]


def _judged(ride: Ride, slowing: Slowing, limits: Limits) -> Finding | Unjudged | None:
    """A slowing without a brake signal: a finding, or why it is none; None where none brakes."""
    real = braking.is_real(
        ride,
        slowing,
        from_ms2=limits.slowing_ms2,
        to_ms2=limits.steepest_ms2,
        turned_within_s=limits.turned_within_s,
    )
    left_ms2 = braking.without_hill_ms2(ride, slowing.span, slowing.rate_ms2) if real else None
    if not real or (left_ms2 is not None and left_ms2 < limits.unaided_ms2):
        return None
    reason = _unjudged(ride, slowing, limits, hill_known=left_ms2 is not None)
    return Unjudged(slowing.span, reason) if reason else _finding(ride, slowing, limits)


def _unjudged(ride: Ride, slowing: Slowing, limits: Limits, *, hill_known: bool) -> str:
    """Why no dead brake signal may be concluded from a slowing; "" where one may."""
    if braking.throttle_open(ride, slowing.span):
        return (
            "the throttle stayed open with cruise not engaged: "
            "an engine that stops pulling slows a bike too"
        )
    mild = slowing.rate_ms2 < limits.steepest_hill_ms2
    if not hill_known and mild and braking.pulled_uphill(ride, slowing.span):
        return (
            "the throttle was wide open and speed not rising just before: "
            "how much of the slowing is a hill's is not known"
        )
    if _hidden(ride, slowing, limits):
        return "a press as short as this slowing takes may lie between two rows of a brake signal"
    return ""


def _hidden(ride: Ride, slowing: Slowing, limits: Limits) -> bool:
    """Could the shortest press that explains the slowing fall between two rows?

    A latched signal shows the press at its next row, however short.
    """
    beyond_ms2 = slowing.rate_ms2 - limits.unaided_ms2
    press_s = beyond_ms2 * slowing.span.length_s / (limits.hardest_ms2 - limits.unaided_ms2)
    open_s = [s.interval_s for s in brakes.signals(ride) if not ride.channels[s.channel].latched]
    return press_s < max(open_s, default=0.0)


def _finding(ride: Ride, slowing: Slowing, limits: Limits) -> Finding:
    names = [s.channel for s in brakes.signals(ride)]
    by = "nothing else logged can confirm it"
    if slowing.by:
        by = f"{slowing.by} fell too"
    elif braking.can_corroborate(ride):
        by = "engine and wheel turned together until just before"
    unsure = brakes.not_told_apart(ride)
    return Finding(
        span=slowing.span,
        message=f"slowed by {slowing.rate_ms2:.1f} m/s2 from {slowing.from_kmh:.0f} to "
        f"{slowing.to_kmh:.0f} km/h in {slowing.span.length_s:.1f} s with no brake signal on "
        f"({', '.join(n.replace('_', ' ') for n in names)}); {by}"
        + (f"; {unsure}" if unsure else ""),
        measured=slowing.rate_ms2,
        limit=limits.slowing_ms2,
        unit="m/s2",
        channels=tuple(names),
    )
