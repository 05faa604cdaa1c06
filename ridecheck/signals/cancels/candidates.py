"""What changed near the end of an engagement and may have ended it."""

import math
from collections.abc import Iterator

import numpy as np

from ridecheck.core.model import Span
from ridecheck.signals import brakes
from ridecheck.signals.cancels import candidate_signals, latency
from ridecheck.signals.cancels.candidate import Candidate, seen
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

INPUTS = {"clutch": "clutch", "roll_off": "roll_off", "switch_cancel": "cancel_switch",
          "side_stand": "side_stand"}  # fmt: skip
"""Switches beside the brakes that end an engagement, and the cause each one is."""


def candidates_of(ride: Ride, engagement: Engagement) -> tuple[Candidate, ...]:
    """All that changed near the end of an engagement, in order of time."""
    t_s = engagement.span.end_s
    found = (
        *_controls(ride, engagement.span),
        *_main_switch(ride, t_s),
        *_supply(ride, t_s),
        *candidate_signals.engine(ride, t_s),
        *candidate_signals.speed(ride, engagement),
        *candidate_signals.gearbox(ride, engagement),
        *_interventions(ride, engagement.span),
    )
    return tuple(sorted(found, key=lambda c: c.at_s))


@once
def disengages_after(ride: Ride) -> latency.Latency:
    """How long this ride's cruise takes to disengage, from the cancels with one control moved."""
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


def _around(ride: Ride, t_s: float, interval_s: float) -> Span:
    """Where a change may show, for its refresh and the flag's, that ended cruise at t_s."""
    slack_s = max(interval_s, ride.interval_s("cruise_engaged"))
    return Span(t_s - LOOK_BACK_S - min(slack_s, 2.0), t_s + max(LOOK_AHEAD_S, slack_s))


def _near_runs(ride: Ride, runs: Runs, engaged: Span, interval_s: float) -> list[Run]:
    """On-runs near the end of an engagement. What ended before it began cannot have ended it."""
    near = _around(ride, engaged.end_s, interval_s)
    first = int(np.searchsorted(runs.end_s, max(near.start_s, engaged.start_s + 1e-6)))
    last = int(np.searchsorted(runs.start_s, near.end_s + 1e-9, "right"))
    return [run for run in map(runs.__getitem__, range(first, last)) if run.value == 1]


def _fresh_runs(ride: Ride, runs: Runs, engaged: Span, interval_s: float) -> list[Run]:
    """Of those the ones newly begun."""
    since_s = _around(ride, engaged.end_s, interval_s).start_s
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
    for channel, cause in INPUTS.items():
        if ride.has(channel):
            yield cause, channel, ride.runs(channel), ride.interval_s(channel), False


def _controls(ride: Ride, engaged: Span) -> Iterator[Candidate]:
    """The rider's controls that were on near the end of an engagement."""
    for cause, channel, runs, interval_s, stands_in in _inputs(ride):
        run = _on_run(ride, channel, runs, engaged, interval_s)
        if run is None:
            continue
        length = {"length_s": run.length_s} if run.sharp_end else {}
        yield Candidate(
            cause,
            channel,
            run.start_s,
            seen("control_on", channel=channel, lead_s=engaged.end_s - run.start_s, **length),
            pulse_s=run.length_s if run.sharp_end else math.nan,
            interval_s=interval_s,
            inferred=stands_in,
        )


def _interventions(ride: Ride, engaged: Span) -> Iterator[Candidate]:
    """ABS or traction control at work."""
    for channel in ("abs_active", "traction_active"):
        run = _on_run(ride, channel, ride.runs(channel), engaged, ride.interval_s(channel))
        if run is not None:
            lead_s = engaged.end_s - run.start_s
            at_work = seen("intervention", channel=channel, lead_s=lead_s)
            yield Candidate("intervention", channel, run.start_s, at_work)


def _main_switch(ride: Ride, t_s: float) -> Iterator[Candidate]:
    """The main switch going off: its lamp falling, or its own channel changing."""
    for channel, kind in (("cruise_armed", "main_lamp_off"), ("switch_power", "main_switch_on")):
        interval_s = ride.interval_s(channel)
        runs, near = ride.runs(channel), _around(ride, t_s, interval_s)
        edges = (runs.start_s >= near.start_s - 1e-9) & (runs.start_s <= near.end_s + 1e-9)
        edges &= runs.sharp_start & ((runs.value == 0) | (channel == "switch_power"))
        first = np.flatnonzero(edges)[:1].tolist()
        for run in map(runs.__getitem__, first):
            lasted = run.sharp_end and run.value == 0
            yield Candidate(
                "power_switch",
                channel,
                run.start_s,
                seen(kind, lead_s=t_s - run.start_s),
                pulse_s=run.length_s if lasted else math.nan,
                interval_s=interval_s,
            )


def _supply(ride: Ride, t_s: float) -> Iterator[Candidate]:
    """A dip of the supply."""
    slow = ride.interval_s("supply_voltage") > SLOWEST_S
    volts, rows = ride.numbers("supply_voltage"), ride.slice(Span(t_s - 1.0, t_s + 0.1))
    before, during = volts[ride.slice(Span(t_s - 6.0, t_s - 1.0))], volts[rows]
    if not (np.isfinite(before).any() and np.isfinite(during).any()):
        return
    lowest = int(np.nanargmin(during))
    dip_v = float(np.nanmedian(before) - during[lowest])
    if dip_v > (SUPPLY_COLLAPSE_V if slow else SUPPLY_DIP_V):
        yield Candidate(
            "supply",
            "supply_voltage",
            float(ride.t_s[rows][lowest]),
            seen("supply_fell", by_v=dip_v, to_v=float(during[lowest])),
            interval_s=ride.interval_s("supply_voltage"),
        )
