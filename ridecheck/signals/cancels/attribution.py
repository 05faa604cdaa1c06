"""How each engagement of cruise ended: its cause, and whether the rider commanded it."""

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import numpy as np

from ridecheck.core.model import Cancel, Evidence, Span
from ridecheck.signals import drivetrain, motion, order
from ridecheck.signals.cancels import logged
from ridecheck.signals.cancels.candidate import UNEXPLAINED, VOTE_KMH, Candidate, Case, seen
from ridecheck.signals.cancels.candidates import (
    LOOK_AHEAD_S,
    LOOK_BACK_S,
    candidates_of,
    disengages_after,
)
from ridecheck.signals.cancels.cause import Near
from ridecheck.signals.cancels.intent import decide
from ridecheck.signals.cruise import Engagement, engagements
from ridecheck.signals.ride import SLOWEST_S, Ride, once

VOTE_S = 15.0
"""Engaged again this soon, having slowed no more than VOTE_KMH: the cancel was not wanted."""


@once
def cancels(ride: Ride) -> tuple[Cancel, ...]:
    """Every end of an engagement, with its cause and whether it was commanded."""
    found = []
    for i, engagement in enumerate(engagements(ride)):
        if engagement.log_end:
            at_end = _placed(ride, float(ride.t_s[-1]))
            found.append(replace(at_end, cause="log_end", evidence=(seen("log_end"),)))
        elif engagement.sharp_end:
            found.append(_cancel(ride, engagement, i))
    return tuple(found)


def _cancel(ride: Ride, engagement: Engagement, i: int) -> Cancel:
    t_s = engagement.span.end_s
    near = Near(ride, t_s, candidates_of(ride, engagement))
    cause = near.cause()
    others = tuple(c for c in near.candidates if not _same(c, cause))
    case = Case(ride, cause, t_s, others, _wanted_back(ride, engagement, i))
    commanded, why = decide(case)
    evidence = [cause.evidence, *([why] if why else [])]
    unexplained = cause.cause == UNEXPLAINED
    if commanded is False and _may_be_the_supply(case):
        unexplained = True
        evidence.append(seen("supply_or_contact"))
    evidence += [*_speed_after(ride, t_s), *(c.evidence for c in others)]
    if any(c.by_rider for c in others) and cause.cause == UNEXPLAINED:
        evidence.append(_takes(ride))
    if case.wanted_back:
        evidence.append(seen("wanted_back", within_s=VOTE_S))
    ended = replace(
        _placed(ride, t_s),
        commanded=commanded,
        evidence=tuple(evidence),
        wanted_back=case.wanted_back,
    )
    if unexplained:
        return replace(ended, not_logged=logged.not_logged(ride))
    first_mover, resolution_s = _first_mover(case, engagement)
    return replace(
        ended,
        cause=cause.cause,
        pulse_s=None if math.isnan(cause.pulse_s) else cause.pulse_s,
        first_mover=first_mover,
        resolution_s=resolution_s,
        inferred=cause.inferred,
    )


def _same(one: Candidate, other: Candidate) -> bool:
    """Whether two are the same change, in whatever words."""
    return (one.cause, one.channel, one.at_s) == (other.cause, other.channel, other.at_s)


def _takes(ride: Ride) -> Evidence:
    """How long cruise takes to disengage after an input: what controls near it do not fit."""
    known = disengages_after(ride)
    low_s, high_s = known.span.start_s, known.span.end_s
    return seen("at_the_wrong_time", least_s=low_s, most_s=high_s, cancels=known.cancels)


def _may_be_the_supply(case: Case) -> bool:
    """Whether a lamp fell with no hand at its switch, and a dip of the supply would not show."""
    unseen = case.ride.interval_s("supply_voltage") > SLOWEST_S
    return case.cause.cause == "power_switch" and unseen


def _first_mover(case: Case, engagement: Engagement) -> tuple[str | None, float]:
    """Which channel moved first, None where refresh, skew or hold cannot show; how sharply.

    A control already held for long, or a limit reached, shows no move at the cancel: then
    the cause's own channel is named.
    """
    ride, t_s = case.ride, case.t_s
    refresh_s = ride.interval_s("cruise_engaged")
    slack_s = min(refresh_s, 2.0)
    back_s = max(t_s - LOOK_BACK_S - slack_s, engagement.span.start_s)
    near = Span(back_s, t_s + max(LOOK_AHEAD_S, slack_s))
    first = order.order(order.moves(ride, t_s), t_s, near=near)
    widest_s = max((m.span.length_s for m in first.rivals), default=refresh_s)
    return first.first if first.rivals else case.cause.channel, max(widest_s, refresh_s)


def _wanted_back(ride: Ride, engagement: Engagement, i: int) -> bool:
    """Whether the rider engaged cruise again soon without slowing: a vote against the cancel."""
    following = engagements(ride)[i + 1 : i + 2]
    if not following or not following[0].sharp_start:
        return False
    t_s, again_s = engagement.span.end_s, following[0].span.start_s
    if again_s - t_s > VOTE_S:
        return False
    speed = ride.numbers("wheel_speed")[ride.slice(Span(t_s, again_s))]
    here = motion.mean(ride.numbers("wheel_speed")[ride.slice(Span(t_s - 1.0, t_s))])
    if not np.isfinite(speed).any() or math.isnan(here):
        return False
    return bool(here - np.nanmin(speed) <= VOTE_KMH)


def _speed_after(ride: Ride, t_s: float) -> Iterator[Evidence]:
    """How speed changed in the two seconds after a cancel."""
    change_kmh = ride.at("wheel_speed", t_s + 2.0) - ride.at("wheel_speed", t_s)
    if not math.isnan(change_kmh) and t_s + 2.0 <= ride.duration_s:
        yield seen("speed_after", by_kmh=change_kmh, within_s=2.0)


def _placed(ride: Ride, t_s: float) -> Cancel:
    """A cancel's place in the log, its cause still open; local_time is left to the stage that
    knows the zone.
    """
    i = min(ride.index(t_s), len(ride.t_s) - 1)
    speed_kmh = ride.at("wheel_speed", t_s - 1e-3)
    gear = drivetrain.inferred_gear(ride)[max(i - 1, 0)]
    return Cancel(
        ride=ride.id,
        t_s=t_s,
        time=ride.start + timedelta(seconds=t_s) if ride.dating == "time" else None,
        local_time=None,
        file_time=str(ride.samples["file_time"][i] or ""),
        row=int(ride.samples["row"][i]),
        speed_kmh=None if math.isnan(speed_kmh) else speed_kmh,
        cause=UNEXPLAINED,
        commanded=None,
        gear=None if math.isnan(gear) else int(gear),
    )
