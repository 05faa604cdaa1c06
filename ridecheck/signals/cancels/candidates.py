"""What moved near the end of an engagement and may have ended it."""

import math
from collections.abc import Iterator

import numpy as np

from ridecheck.core.model import Span
from ridecheck.signals import brakes
from ridecheck.signals.cancels import candidate_signals, latency
from ridecheck.signals.cancels.candidate import Candidate
from ridecheck.signals.cruise import Engagement, engagements
from ridecheck.signals.ride import SLOWEST_S, Ride, once
from ridecheck.signals.switches import Run, Runs

LOOK_BACK_S = 1.0
"""A cause lies at most this long before the cancel (unit latency plus flag latency)."""

LOOK_AHEAD_S = 0.2
"""A lamp line may be seen this much after the cancel it caused."""

SUPPLY_DIP_V = 0.7
"""Fall of the supply below the median of the five seconds before that counts as a dip."""

SUPPLY_COLLAPSE_V = 2.0
"""... and where it is logged slower than 5 Hz, so that loads may have changed meanwhile."""

INPUTS = (
    ("front_brake", "front_brake"),
    ("rear_brake", "rear_brake"),
    ("brake_lamp", "brake_lamp"),
    ("clutch", "clutch"),
    ("roll_off", "roll_off"),
    ("switch_cancel", "cancel_switch"),
    ("side_stand", "side_stand"),
)
"""Switches that end an engagement, and the cause each one is."""

WORDS = {
    "front_brake": "front brake",
    "rear_brake": "rear brake",
    "brake_lamp": "brake lamp line",
    "clutch": "clutch",
    "roll_off": "throttle-closed switch",
    "switch_cancel": "cancel button",
    "side_stand": "side stand switch",
    "front_brake_pressure": "front brake pressure",
    "rear_brake_pressure": "rear brake pressure",
}


def candidates_of(ride: Ride, engagement: Engagement) -> Iterator[Candidate]:
    """All that moved near the end of an engagement, in no order."""
    t_s = engagement.span.end_s
    yield from _switch_candidates(ride, engagement.span)
    yield from _main_switch(ride, t_s)
    yield from _supply(ride, t_s)
    yield from candidate_signals.engine(ride, t_s)
    yield from candidate_signals.speed(ride, engagement)
    yield from candidate_signals.gearbox(ride, engagement)
    for channel in ("abs_active", "traction_active"):
        interval_s = ride.interval_s(channel)
        run = _on_run(ride, channel, ride.runs(channel), engagement.span, interval_s)
        if run is not None:
            word = "ABS" if channel == "abs_active" else "traction control"
            yield Candidate(
                "intervention", channel, run.start_s, f"{word} at work {_before(run, t_s)}"
            )


@once
def disengages_after(ride: Ride) -> latency.Latency:
    """How long this ride's cruise takes to let go, from the cancels with one control moved."""
    spans = []
    for engagement in engagements(ride):
        t_s = engagement.span.end_s
        if engagement.log_end or not engagement.sharp_end:
            continue
        moved = [
            (channel, interval_s, fresh)
            for _, channel, runs, interval_s, _ in _inputs(ride)
            if channel != "brake_lamp"
            for fresh in [_fresh_runs(ride, runs, engagement.span, interval_s)]
            if fresh
        ]
        if len(moved) == 1 and len(moved[0][2]) == 1:
            channel, interval_s, (run,) = moved[0]
            spans.append(_allowed(ride, channel, run.start_s, interval_s, t_s))
    return latency.learnt(spans)


def fit(ride: Ride, channel: str, at_s: float, interval_s: float, t_s: float) -> float:
    """How well a control's move fits a cancel at t_s by the time between them, 0 to 1.

    The main switch's lamp goes with cruise or before it: any time a unit may take fits.
    """
    usual = latency.Latency(latency.USUAL, 0)
    known = usual if channel == "cruise_armed" else disengages_after(ride)
    return latency.fit(_allowed(ride, channel, at_s, interval_s, t_s), known)


def _allowed(ride: Ride, channel: str, at_s: float, interval_s: float, t_s: float) -> Span:
    """Latencies that the rows of a control and of the flag allow; both may be written late."""
    return latency.allowed(
        t_s - at_s,
        input_s=interval_s,
        flag_s=min(ride.interval_s("cruise_engaged"), 2.0) + ride.skew_s("cruise_engaged"),
        skew_s=ride.skew_s(channel) + (LOOK_AHEAD_S if channel == "brake_lamp" else 0.0),
    )


def look_back_s(ride: Ride) -> float:
    """How long before the flag's fall a cause may lie in this ride."""
    return LOOK_BACK_S + min(ride.interval_s("cruise_engaged"), 2.0)


def _near_runs(ride: Ride, runs: Runs, engaged: Span, interval_s: float) -> list[Run]:
    """On-runs near the end of an engagement. What ended before it began cannot have ended it."""
    t_s = engaged.end_s
    slack_s = max(interval_s, ride.interval_s("cruise_engaged"))
    back_s, ahead_s = LOOK_BACK_S + min(slack_s, 2.0), max(LOOK_AHEAD_S, slack_s)
    return [
        r
        for i in range(
            max(int(np.searchsorted(runs.end_s, t_s - back_s)) - 1, 0),
            min(int(np.searchsorted(runs.start_s, t_s + ahead_s, "right")) + 1, len(runs)),
        )
        for r in (runs[i],)
        if r.value == 1
        and r.end_s >= max(t_s - back_s, engaged.start_s + 1e-6)
        and r.start_s <= t_s + ahead_s + 1e-9
    ]


def _fresh_runs(ride: Ride, runs: Runs, engaged: Span, interval_s: float) -> list[Run]:
    """Of those the ones newly begun."""
    slack_s = max(interval_s, ride.interval_s("cruise_engaged"))
    since_s = engaged.end_s - LOOK_BACK_S - min(slack_s, 2.0)
    near = _near_runs(ride, runs, engaged, interval_s)
    return [r for r in near if r.start_s >= since_s - 1e-9]


def _on_run(ride: Ride, channel: str, runs: Runs, engaged: Span, interval_s: float) -> Run | None:
    """The on-run that may have ended an engagement: of those newly begun the one whose time
    fits best, the first of equals, before one held for long.
    """
    fresh = _fresh_runs(ride, runs, engaged, interval_s)
    if fresh:
        t_s = engaged.end_s
        return max(fresh, key=lambda r: fit(ride, channel, r.start_s, interval_s, t_s))
    return next(iter(_near_runs(ride, runs, engaged, interval_s)), None)


def _inputs(ride: Ride) -> Iterator[tuple[str, str, Runs, float, bool]]:
    """The rider's controls as logged: cause, channel, runs, refresh, stands in for another."""
    for s in brakes.signals(ride):
        yield s.control, s.channel, s.runs, s.interval_s, s.stands_in
    for channel, cause in INPUTS:
        if cause not in (*brakes.CONTROLS, "brake_lamp") and ride.has(channel):
            yield cause, channel, ride.runs(channel), ride.interval_s(channel), False


def _switch_candidates(ride: Ride, engaged: Span) -> Iterator[Candidate]:
    for cause, channel, runs, interval_s, inferred in _inputs(ride):
        run = _on_run(ride, channel, runs, engaged, interval_s)
        if run is not None:
            yield _switch_candidate(
                cause, channel, run, engaged.end_s, interval_s, inferred=inferred
            )


def _switch_candidate(
    cause: str, channel: str, run: Run, t_s: float, interval_s: float, *, inferred: bool = False
) -> Candidate:
    pulse_s = run.length_s if run.sharp_end else math.nan
    length = f"for {run.length_s:.2f} s" if run.sharp_end else "to the end of what is logged"
    return Candidate(
        cause,
        channel,
        run.start_s,
        f"{WORDS[channel]} on {length}, {_before(run, t_s)}",
        pulse_s=pulse_s,
        interval_s=interval_s,
        inferred=inferred,
    )


def _before(run: Run, t_s: float) -> str:
    lead_s = t_s - run.start_s
    if abs(lead_s) < 5e-3:
        return "from the row of the cancel"
    return f"from {abs(lead_s):.2f} s {'before' if lead_s > 0 else 'after'} the cancel"


def _main_switch(ride: Ride, t_s: float) -> Iterator[Candidate]:
    """The main switch going off: its lamp falling, or its own channel changing."""
    for channel in ("cruise_armed", "switch_power"):
        if not ride.has(channel):
            continue
        slack_s = max(ride.interval_s(channel), ride.interval_s("cruise_engaged"))
        runs = ride.runs(channel)
        low, high = t_s - LOOK_BACK_S - min(slack_s, 2.0), t_s + max(LOOK_AHEAD_S, slack_s)
        for i in range(1, len(runs)):
            edge_s = runs.start_s[i]
            if not (low - 1e-9 <= edge_s <= high + 1e-9 and runs.sharp_start[i]):
                continue
            falling = runs.value[i] == 0
            if channel == "cruise_armed" and not falling:
                continue
            word = "main switch lamp off" if channel == "cruise_armed" else "main switch worked"
            run = runs[i]
            length_s = run.length_s if run.sharp_end and falling else math.nan
            yield Candidate(
                "power_switch",
                channel,
                float(edge_s),
                f"{word} {_before(run, t_s)}",
                pulse_s=length_s,
                interval_s=ride.interval_s(channel),
            )
            break


def _supply(ride: Ride, t_s: float) -> Iterator[Candidate]:
    slow = ride.interval_s("supply_voltage") > SLOWEST_S
    volts = ride.numbers("supply_voltage")
    before = volts[ride.slice(Span(t_s - 6.0, t_s - 1.0))]
    during = volts[ride.slice(Span(t_s - 1.0, t_s + 0.1))]
    if not (np.isfinite(before).any() and np.isfinite(during).any()):
        return
    dip_v = float(np.nanmedian(before) - np.nanmin(during))
    if dip_v > (SUPPLY_COLLAPSE_V if slow else SUPPLY_DIP_V):
        at = ride.slice(Span(t_s - 1.0, t_s + 0.1)).start + int(np.nanargmin(during))
        yield Candidate(
            "supply",
            "supply_voltage",
            float(ride.t_s[at]),
            f"supply fell by {dip_v:.1f} V to {float(np.nanmin(during)):.1f} V",
            interval_s=ride.interval_s("supply_voltage"),
        )
