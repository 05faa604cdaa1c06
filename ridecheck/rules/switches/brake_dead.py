"""The bike slows hard and no brake signal shows it.

What it checks
    Whenever wheel speed falls by 2.5 to 11 m/s2 for more than 0.7 s, one of the braking
    signals must be on; what lies well clear of a signal that is on is judged by itself, so
    that a second control which shows late hides no first that does not. What a climb makes
    of it is taken off where measured acceleration or altitude tells it. Both controls must
    be covered, by their own channels or by the lamp line; engine speed in gear, or another
    speed, must fall too where logged. Where the clutch is in or the gear changes, the
    engine must have turned with the wheel just before.
Why it matters
    No stop lamp from that control, and cruise may not let go by it.
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

from collections.abc import Iterator
from dataclasses import dataclass

from ridecheck.core.model import Exposure, Finding, Severity, Span, Unjudged
from ridecheck.rules.base import Verdicts, rule, threshold
from ridecheck.signals import brakes, drivetrain, motion
from ridecheck.signals.ride import Ride

TURNED_S = 0.33
"""Engine and wheel turned together for at least this, or nothing is known of it."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    slowing_ms2: float = threshold(
        2.5,
        "m/s2",
        "harder than a closed throttle, wind and a usual hill together",
        loosened_by="raising",
    )
    steepest_ms2: float = threshold(
        11.0,
        "m/s2",
        "tyres on a dry road do no more; steeper is the signal, not the bike",
        loosened_by="lowering",
    )
    longer_than_s: float = threshold(
        0.7, "s", "a gear change or a bump slows shorter than this", loosened_by="raising"
    )
    unaided_ms2: float = threshold(
        2.0,
        "m/s2",
        "a closed throttle and the wind slow a bike by up to this without brake or hill",
        loosened_by="raising",
    )
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
    expected_ms2: float = threshold(
        2.0,
        "m/s2",
        "slowing at which a seen brake signal counts towards clearing",
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
    shown = 0
    for slowing in motion.slowings(ride, limits.expected_ms2, 0.5):
        around = Span(slowing.span.start_s - _slack_s(ride), slowing.span.end_s + _slack_s(ride))
        shown += brakes.any_on(ride, around) is True
    yield Exposure(events=shown)
    for slowing in motion.slowings(ride, limits.slowing_ms2, limits.longer_than_s):
        around = Span(slowing.span.start_s - _slack_s(ride), slowing.span.end_s + _slack_s(ride))
        braked = brakes.any_on(ride, around)
        if braked:
            for unseen in _unseen(ride, slowing, limits):
                yield from (v for v in _judged(ride, unseen, limits) if isinstance(v, Finding))
        else:
            blank = "a brake signal is blank while the bike slows hard" if braked is None else ""
            yield from _judged(ride, slowing, limits, unless=blank)


def _unseen(ride: Ride, slowing: motion.Slowing, limits: Limits) -> list[motion.Slowing]:
    """What of a slowing that a brake signal shows lies too far from the signal to be its doing.

    As far as the signal may be written late, and as the acceleration's window smears a braking.
    Every rider shuts the throttle before the brake, on a climb too: where nothing tells the
    hill, only what is harder than both together counts.
    """
    clear_s = _slack_s(ride) + motion.window_s(ride, "wheel_speed") / 2
    parts = brakes.unshown(ride, slowing.span, clear_s)
    long = [part for part in parts if part.length_s > limits.longer_than_s]
    found = [one for part in long if (one := motion.slowing_over(ride, part)) is not None]
    return [
        one
        for one in found
        if one.rate_ms2 >= limits.steepest_hill_ms2
        or motion.without_hill_ms2(ride, one.span, one.rate_ms2) is not None
    ]


def _judged(
    ride: Ride, slowing: motion.Slowing, limits: Limits, *, unless: str = ""
) -> Iterator[Finding | Unjudged]:
    """A slowing without a brake signal: a finding, or why it is none; nothing where none brakes.

    unless: why it could not be judged, be it what it may.
    """
    if not _is_slowing(ride, slowing, limits):
        return
    left_ms2 = motion.without_hill_ms2(ride, slowing.span, slowing.rate_ms2)
    if left_ms2 is not None and left_ms2 < limits.unaided_ms2:
        return
    reason = _unjudged(ride, slowing, limits, hill_known=left_ms2 is not None) or unless
    yield Unjudged(slowing.span, reason) if reason else _finding(ride, slowing, limits)


def _unjudged(ride: Ride, slowing: motion.Slowing, limits: Limits, *, hill_known: bool) -> str:
    """Why no dead brake signal may be told from a slowing; "" where one may."""
    if motion.throttle_open(ride, slowing.span):
        return (
            "the throttle stayed open with cruise not engaged: "
            "an engine that stops pulling slows a bike too"
        )
    if not hill_known and _may_be_a_hill(ride, slowing, limits):
        return (
            "the throttle was wide open and speed not rising just before: "
            "how much of the slowing is a hill's is not known"
        )
    if _hidden(ride, slowing, limits):
        return "a press as short as this slowing takes may lie between two rows of a brake signal"
    return ""


def _is_slowing(ride: Ride, slowing: motion.Slowing, limits: Limits) -> bool:
    """Is the bike slowing, rather than its speed signal?

    The mean over the stretch, less what a step of the signal feigns, must lie within
    the limits; what else is logged must fall too; speed must not jump back, nor only
    lose what a spinning wheel had gained.
    """
    feigned_ms2 = motion.uncertainty_ms2(ride, "wheel_speed", slowing.span.length_s)
    within = limits.slowing_ms2 <= slowing.rate_ms2 - feigned_ms2 + 0.05
    possible = slowing.steepest_ms2 <= limits.steepest_ms2
    return (
        within
        and possible
        and not motion.rebounds(ride, slowing.span)
        and not motion.falls_back(ride, slowing.span)
        and _is_borne_out(ride, slowing, limits)
    )


def _is_borne_out(ride: Ride, slowing: motion.Slowing, limits: Limits) -> bool:
    """Did what else is logged fall too, or, where it could not tell, turn with the wheel before?"""
    if slowing.corroborated is None:
        return not _could_corroborate(ride) or _was_real(ride, slowing, limits)
    return slowing.corroborated


def _was_real(ride: Ride, slowing: motion.Slowing, limits: Limits) -> bool:
    """Did the engine turn with the wheel, in some gear, just before the slowing?

    With the clutch in nothing confirms the slowing itself; but no engine drags then either.
    """
    if not ride.has("engine_speed"):
        return False
    start_s = slowing.span.start_s
    before = ride.slice(Span(start_s - limits.turned_within_s, start_s))
    seconds = motion.row_seconds(ride)[before]
    return bool(seconds[drivetrain.in_gear(ride)[before]].sum() >= TURNED_S)


def _hidden(ride: Ride, slowing: motion.Slowing, limits: Limits) -> bool:
    """Could the shortest press that explains the slowing fall between two rows?

    A latched signal shows the press at its next row, however short.
    """
    beyond_ms2 = slowing.rate_ms2 - limits.unaided_ms2
    press_s = beyond_ms2 * slowing.span.length_s / (limits.hardest_ms2 - limits.unaided_ms2)
    open_s = [s.interval_s for s in brakes.signals(ride) if not ride.channels[s.channel].latched]
    return press_s < max(open_s, default=0.0)


def _may_be_a_hill(ride: Ride, slowing: motion.Slowing, limits: Limits) -> bool:
    """Can a climb explain it, and did the engine pull as on one just before?"""
    mild = slowing.rate_ms2 < limits.steepest_hill_ms2
    return mild and motion.pulled_uphill(ride, slowing.span)


def _could_corroborate(ride: Ride) -> bool:
    return ride.has("engine_speed") or ride.has("front_wheel_speed")


def _slack_s(ride: Ride) -> float:
    """A lamp may be written 0.25 s late, and a signal one refresh."""
    return 0.25 + max(s.interval_s + s.skew_s for s in brakes.signals(ride))


def _borne_out_by(ride: Ride, slowing: motion.Slowing) -> str:
    if slowing.by:
        return f"{slowing.by} fell too"
    if _could_corroborate(ride):
        return "engine and wheel turned together until just before"
    return "nothing else logged can confirm it"


def _finding(ride: Ride, slowing: motion.Slowing, limits: Limits) -> Finding:
    by = f"; {_borne_out_by(ride, slowing)}"
    unsure = brakes.not_told_apart(ride)
    names = [s.channel for s in brakes.signals(ride)]
    return Finding(
        span=slowing.span,
        message=f"slowed by {slowing.rate_ms2:.1f} m/s2 from {slowing.from_kmh:.0f} to "
        f"{slowing.to_kmh:.0f} km/h in {slowing.span.length_s:.1f} s with no brake signal on "
        f"({', '.join(n.replace('_', ' ') for n in names)}){by}"
        + (f"; {unsure}" if unsure else ""),
        measured=slowing.rate_ms2,
        limit=limits.slowing_ms2,
        unit="m/s2",
        channels=tuple(names),
    )
