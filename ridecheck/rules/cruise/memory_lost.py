"""Cruise switches itself off, or forgets the stored speed, uncommanded.

What it checks
    The main switch's lamp going off while riding with the engine running and no press of
    the main switch near it; a stored speed that goes blank while cruise is only
    suspended, on a system that else goes on showing it; and a press of resume on a blank
    display, cruise armed ever since the last hold, that does nothing.
Why it matters
    The unit was without supply for a moment, or its main switch opens: cruise is off at
    once, and resume has nothing to go back to.
What else looks like this
    A press too short for the logger; the key or run switch turned off; a display that
    shows the stored speed only while cruise holds: then resume works all the same.
Next step
    The unit's permanent supply and ground at its connector; the main switch and its connector;
    watch the lamp while the loom is moved.
References
    After a cancel the stored speed stays until the main switch goes off (common
    practice of the trade).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import cruise, permission
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    pressed_within_s: float = threshold(1.0, "s", "a long press, and one late row")
    off_within_s: float = threshold(1.0, "s", "a unit without supply has disengaged by then")
    moving_kmh: float = threshold(20.0, "km/h", "slower, the key may be on its way to off")
    press_s: float = threshold(0.1, "s", "a shorter press of resume may not be taken")
    inside_kmh: float = threshold(
        5.0, "km/h", "from the limits, which units read off their own speed"
    )
    shown_s: float = threshold(2.0, "s", "a speed shown so long after a cancel is stored")


@rule(
    needs=("cruise_armed", "wheel_speed", ("switch_power", "cruise_set_speed")),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=0.1,
    convict_interval_s=0.1,
    asks="riding with cruise armed",
    raise_when=RaiseWhen(events=2),
    cruise_only=True,
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Lamps that go off unasked, then speeds forgotten while the lamp is on."""
    armed = ride.numbers("cruise_armed") == 1
    yield Exposure(seconds=ride.where(armed).seconds)
    if ride.has("switch_power"):
        yield from _lamp_off(ride, limits)
    if ride.has("cruise_set_speed"):
        yield from _forgotten(ride, limits)
        yield from _nothing_to_resume(ride, limits)


def _lamp_off(ride: Ride, limits: Limits) -> Iterator[Finding]:
    for run in ride.runs("cruise_armed").on():
        if not run.sharp_end or not _rides_on(ride, run.end_s, limits):
            continue
        slack_s = limits.pressed_within_s + ride.interval_s("switch_power")
        near = Span(run.end_s - slack_s, run.end_s + ride.interval_s("switch_power"))
        if ride.runs("switch_power").any_on(near) is not False:
            continue
        if ride.runs("cruise_engaged").value_at(run.end_s + limits.off_within_s) == 1:
            continue  # cruise goes on: the lamp, not the unit; another rule's matter
        engaged = ride.runs("cruise_engaged").any_on(Span(run.end_s - 1.0, run.end_s))
        with_it = "; cruise was engaged" if engaged else ""
        yield Finding(
            span=Span(run.end_s, run.end_s + 1.0),
            message=f"main switch lamp went off at {ride.at('wheel_speed', run.end_s):.0f} km/h "
            f"with no press of the main switch in the {slack_s:.1f} s before{with_it}",
            measured=0.0,
            unit="presses",
            channels=("cruise_armed",),
        )


def _rides_on(ride: Ride, t_s: float, limits: Limits) -> bool:
    """Does the bike ride on with its engine running and its run switch on?"""
    after = ride.slice(Span(t_s, t_s + 2.0))
    speed, rpm = ride.numbers("wheel_speed")[after], ride.numbers("engine_speed")[after]
    if not np.isfinite(speed).any() or t_s + 2.0 > ride.duration_s:
        return False
    if np.nanmin(speed) < limits.moving_kmh:
        return False
    if np.isfinite(rpm).any() and np.nanmin(rpm) < 0.5 * ride.settings.drivetrain.idle_rpm:
        return False
    return not (ride.numbers("run_switch")[after] == 0).any()


def _forgotten(ride: Ride, limits: Limits) -> Iterator[Finding]:
    """Stored speeds that go blank while suspended, where others of the ride stay."""
    set_kmh = ride.numbers("cruise_set_speed")
    stays, lost = 0, []
    ends_s = [e.span.end_s for e in cruise.engagements(ride) if e.sharp_end]
    wait_s = limits.shown_s + ride.interval_s("cruise_set_speed")
    for end_s in ends_s:
        suspended = Span(end_s, _suspended_until(ride, end_s))
        rows = ride.slice(Span(suspended.start_s, suspended.end_s - 1e-6))
        shown = np.nan_to_num(set_kmh[rows]) > 0
        if suspended.length_s < 2.0 * wait_s or not len(shown):
            continue
        if shown[ride.t_s[rows] <= end_s + wait_s].all():
            stays += 1
            gone = np.flatnonzero(~shown)
            if len(gone) and not shown[gone[0] :].any():
                lost.append(float(ride.t_s[rows][gone[0]]))
    for t_s in lost if stays > len(lost) else ():
        yield Finding(
            span=Span(t_s, t_s + 1.0),
            message=f"the stored speed of {ride.at('cruise_set_speed', t_s - wait_s):.0f} km/h "
            "went blank with cruise still armed and nobody at the main switch",
            measured=ride.at("cruise_set_speed", t_s - wait_s),
            unit="km/h",
            channels=("cruise_set_speed",),
        )


def _nothing_to_resume(ride: Ride, limits: Limits) -> Iterator[Finding]:
    """Presses of resume that find nothing stored, unless one of the ride did."""
    lost: list[Finding] = []
    for press in permission.presses(ride, "switch_resume", least_s=limits.press_s):
        held = [e for e in cruise.engagements(ride) if e.sharp_end and e.span.end_s < press.start_s]
        if not held or not permission.allowed(
            ride, press, inside_kmh=limits.inside_kmh, rest_s=0.0
        ):
            continue
        since_s = held[-1].span.end_s
        stored_kmh = ride.at("cruise_set_speed", since_s - ride.interval_s("cruise_set_speed"))
        asked = Span(since_s, press.end_s + permission.answers_within_s(ride))
        armed = all(r.value == 1 for r in ride.runs("cruise_armed").overlapping(asked))
        now_kmh = ride.numbers("cruise_set_speed")[ride.slice(press.span)]
        if not armed or not stored_kmh > 0 or (np.nan_to_num(now_kmh) > 0).any():
            continue
        if permission.engages(ride, press) is not False:
            return  # a display that shows it only while cruise holds
        lost.append(
            Finding(
                span=Span(press.start_s, asked.end_s),
                message=f"resume pressed for {press.length_s:.2f} s and nothing was stored: the "
                f"{stored_kmh:.0f} km/h held {press.start_s - since_s:.0f} s before are gone from "
                "the display, cruise armed all the while, and it did not engage",
                measured=stored_kmh,
                unit="km/h",
                channels=("cruise_set_speed",),
            )
        )
    yield from lost


def _suspended_until(ride: Ride, end_s: float) -> float:
    """When the time armed and not engaged after an engagement ends."""
    until_s = ride.duration_s
    for run in ride.runs("cruise_armed").overlapping(Span(end_s, until_s)):
        if run.value != 1:
            until_s = min(until_s, run.start_s)
            break
    for engagement in cruise.engagements(ride):
        if engagement.span.start_s >= end_s:
            until_s = min(until_s, engagement.span.start_s)
            break
    return max(until_s - 0.5, end_s)
