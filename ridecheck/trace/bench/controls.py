"""What a standing log shows of each control.

A switch: how often it was worked, how long, whether its contact bounced, whether it changed with
nobody working it, and with what else it moved. A throttle: travel, and whether it comes back to
the same reading. The brake lamp: whether each brake alone lights it.

Nobody says which control is worked when. Long uses are hands; what is shorter than any hand, beside
a use or on its own, is the contact. All limits here are of hands and contacts, none of a bike.
"""

import statistics
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from ridecheck.core.model import PartRef, Span, State
from ridecheck.signals.ride import Ride
from ridecheck.signals.switches import Run
from ridecheck.trace.bench.plan import plan
from ridecheck.trace.bench.records import BenchReading, CheckDone, ControlRead, Fact, Step

SWITCHES = (
    "front_brake", "rear_brake", "brake_lamp", "clutch", "roll_off", "switch_power", "switch_set",
    "switch_resume", "switch_cancel", "cruise_armed", "run_switch", "side_stand", "neutral_switch",
)  # fmt: skip
HAND_S = 0.06
"""No hand makes a press, or releases it between two, in less (common practice)."""
SETTLES_S = 0.0065
"""A sound contact has settled by then: 1.6 ms in the mean of 18 kinds measured, 6.2 ms at most ("A
guide to debouncing", J. Ganssle, 2004; figures from memory)."""
BESIDE_S = 0.25
"""A change so near an edge of a use belongs to it: the contact has not settled (a worn one takes
tens of milliseconds and more; common practice)."""
STUCK_S = 30.0
"""A hand control held so long at the bench is not being worked, it is stuck (common practice)."""
LAMP_S = 0.35
"""Lamp after switch: a filament lights in about 0.2 s, plus a late row (common practice)."""
ALONE_S = 1.0
"""A use is alone where no other control is worked within this time of it."""
TOGETHER = 2
"""So many uses in which another control moves within a refresh, and none without, are no chance."""
REST_SHARE = 0.03
"""A throttle that comes back within this share of its travel has come back (common practice)."""
OPEN_SHARE = 0.5
FULL_PERCENT = 50.0
"""A grip opened by less was not worked through its travel."""
LEAST_USES = 2
"""Uses that must be seen before a control may be called ok."""
SLOWEST_S = 0.105
"""Slower than 10 Hz a press may be missed whole; the control is not assessed."""
WALKING_KMH = 4.0
HELD = frozenset({"cruise_armed", "run_switch", "side_stand", "neutral_switch"})
"""Switches that stay where they are put: long on or long off says nothing."""
PAIRS = (("front_brake", "brake_lamp"), ("rear_brake", "brake_lamp"),
         ("switch_power", "cruise_armed"), ("clutch", "neutral_switch"))  # fmt: skip
"""Controls that move together by design."""


def read_bench(ride: Ride, *, suspects: Sequence[str] = ()) -> BenchReading:
    """Read a log as a bench log. The user's word that the bike stood is taken."""
    steps = plan(ride.settings, suspects)
    uses = {name: _uses(ride, name) for name in SWITCHES if ride.has(name)}
    controls = [_switch(ride, name, uses) for name in SWITCHES if name in uses]
    controls += [_throttle(ride, name) for name in ("throttle_grip", "throttle") if ride.has(name)]
    controls += [_speed(ride, n) for n in ("wheel_speed", "front_wheel_speed") if ride.has(n)]
    read = tuple(controls)
    return BenchReading(
        bike=ride.bike,
        model=ride.settings.model,
        parts=tuple(PartRef(p.log, p.sha256, p.stem) for p in ride.parts),
        start=ride.start if ride.dating != "none" else None,
        duration_s=ride.duration_s,
        moving_s=_moving_s(ride),
        controls=read,
        steps=steps,
        done=tuple(s.id for s in steps if _is_done(s, read)),
        checks=tuple(_checks(steps, read)),
    )


# ------------------------------------------------------------------ uses of a switch


def _uses(ride: Ride, name: str) -> tuple[tuple[Run, ...], ...]:
    """On-runs gathered into uses: gaps no hand makes are bounces within one use."""
    most_s = HAND_S - _refresh_s(ride, name)
    groups: list[list[Run]] = []
    for run in ride.runs(name).on():
        if groups and _one_use(groups[-1], run, most_s):
            groups[-1].append(run)
        else:
            groups.append([run])
    return tuple(map(tuple, groups))


def _one_use(use: Sequence[Run], run: Run, most_s: float) -> bool:
    """Whether a run belongs to the use before it: the gap, or either of the two, is no hand's."""
    gap_s = run.start_s - use[-1].end_s
    if not (use[-1].sharp_end and run.sharp_start):
        return False
    short = min(run.length_s, _span(use).length_s) <= most_s
    return gap_s <= most_s or (short and gap_s < BESIDE_S)


def _short(ride: Ride, name: str, use: Sequence[Run]) -> bool:
    """Whether a use is too short for a hand, however its edges lie between the rows."""
    return _span(use).length_s <= HAND_S - _refresh_s(ride, name)


def _refresh_s(ride: Ride, name: str) -> float:
    return max(ride.interval_s(name), ride.row_interval_s)


def _span(use: Sequence[Run]) -> Span:
    return Span(use[0].start_s, use[-1].end_s)


def _switch(ride: Ride, name: str, uses: Mapping[str, Sequence[tuple[Run, ...]]]) -> ControlRead:
    own = uses[name]
    worked = [u for u in own if not _short(ride, name, u)]
    lengths = [_span(u).length_s for u in worked if u[0].sharp_start and u[-1].sharp_end]
    refresh_s = _refresh_s(ride, name)
    facts = [*_contact_facts(ride, name, own, worked), *_company_facts(ride, name, uses)]
    if name == "brake_lamp":
        facts += _lamp_facts(ride, uses)
    if name.endswith("_brake") and ride.has(f"{name}_pressure"):
        facts += _pressure_facts(ride, name, worked)
    return ControlRead(
        channel=name,
        state=_state(ride, name, worked, facts, refresh_s),
        uses=len(worked),
        shortest_s=min(lengths) if lengths else None,
        median_s=statistics.median(lengths) if lengths else None,
        unseen_s=refresh_s,
        facts=tuple(facts),
        on=tuple(r.span for u in own for r in u),
    )


def _state(
    ride: Ride, name: str, worked: Sequence[object], facts: Sequence[Fact], refresh_s: float
) -> State:
    """A fault seen convicts at any rate; ok asks for both positions, uses, and a rate."""
    if any(f.fault for f in facts):
        return State.FAULT
    values = set(ride.runs(name).value.tolist())
    slow = refresh_s > SLOWEST_S
    enough = len(worked) >= (1 if name in HELD else LEAST_USES)
    return State.OK if {0, 1} <= values and enough and not slow else State.NOT_ASSESSED


def _contact_facts(
    ride: Ride,
    name: str,
    own: Sequence[tuple[Run, ...]],
    worked: Sequence[tuple[Run, ...]],
) -> Iterator[Fact]:
    """Bounce beside a use, flickers with nobody working it, stuck on, never seen on."""
    refresh_s = _refresh_s(ride, name)
    bounced = [u for u in own if len(u) > 1 and _settling_s(u) - refresh_s > SETTLES_S]
    if bounced:
        settle_s = max(_settling_s(u) for u in bounced)
        yield Fact("bounces", True, settle_s, at_s=bounced[0][0].start_s, times=len(bounced))
    if 2.0 * refresh_s > HAND_S:
        yield Fact("too_slow_for_contact", value=refresh_s)
    sharp = [u for u in own if len(u) == 1 and u[0].sharp_start and u[0].sharp_end]
    alone = [u for u in sharp if _short(ride, name, u)]
    if alone:
        longest_s = max(_span(u).length_s for u in alone)
        yield Fact("flickers", True, longest_s, at_s=alone[0][0].start_s, times=len(alone))
    if name in HELD:
        return
    stuck = [_span(u) for u in worked if _span(u).length_s > STUCK_S]
    if stuck:
        yield Fact("stuck_on", True, max(s.length_s for s in stuck), at_s=stuck[0].start_s)
    elif not own:
        yield Fact("never_on")
    elif not (ride.runs(name).value == 0).any():
        yield Fact("stuck_on", True, ride.duration_s, at_s=0.0)


def _settling_s(use: Sequence[Run]) -> float:
    """Seconds from an edge of a use to the last change that belongs to it, the longer end."""
    longest = max(use, key=lambda r: r.length_s)
    return max(longest.start_s - use[0].start_s, use[-1].end_s - longest.end_s)


def _company_facts(
    ride: Ride, name: str, uses: Mapping[str, Sequence[tuple[Run, ...]]]
) -> Iterator[Fact]:
    """Another control that moves whenever this one is worked, and never without it."""
    for other, theirs in uses.items():
        if other == name or (name, other) in PAIRS or (other, name) in PAIRS:
            continue
        slack_s = ride.interval_s(name) + ride.interval_s(other) + 1e-6
        starts_s = [u[0].start_s for u in uses[name]]
        met = sum(any(abs(u[0].start_s - s) <= slack_s for s in starts_s) for u in theirs)
        if met >= TOGETHER and met == len(theirs):
            yield Fact("moves_with", True, other=other, times=met, at_s=starts_s[0])


def _lamp_facts(ride: Ride, uses: Mapping[str, Sequence[tuple[Run, ...]]]) -> Iterator[Fact]:
    """Does each brake alone light the lamp, how soon; does it shine with no brake?"""
    brakes = [n for n in ("front_brake", "rear_brake") if n in uses]
    for name in brakes:
        others = [_span(u) for n in brakes if n != name for u in uses[n]]
        alone = [
            _span(u)
            for u in uses[name]
            if not _short(ride, name, u) and not any(_near(_span(u), o) for o in others)
        ]
        slack_s = LAMP_S + ride.interval_s(name) + ride.interval_s("brake_lamp")
        long = [s for s in alone if s.length_s > slack_s]
        dark = [s for s in long if ride.runs("brake_lamp").any_on(s) is False]
        if dark:
            yield Fact("lamp_dark", True, other=name, times=len(dark), at_s=dark[0].start_s)
        elif long:
            late_s = max(_delay_s(ride, s) for s in long)
            yield Fact("lamp_late", late_s > slack_s, late_s, other=name, times=len(long))
    if len(brakes) == len(("front_brake", "rear_brake")):
        pressed = [_span(u) for n in brakes for u in uses[n]]
        lit = [_span(u) for u in uses["brake_lamp"]]
        own = [s for s in lit if not any(_near(s, p) for p in pressed)]
        if own:
            yield Fact("lamp_alone", True, times=len(own), at_s=own[0].start_s)


def _delay_s(ride: Ride, span: Span) -> float:
    """Seconds from a brake's edge to the lamp's."""
    lit = [r.start_s for r in ride.runs("brake_lamp").on() if r.end_s > span.start_s]
    return max(0.0, min((s for s in lit if s < span.end_s), default=span.end_s) - span.start_s)


def _near(one: Span, other: Span) -> bool:
    return one.start_s < other.end_s + ALONE_S and other.start_s < one.end_s + ALONE_S


def _pressure_facts(ride: Ride, name: str, worked: Sequence[tuple[Run, ...]]) -> Iterator[Fact]:
    """At which share of the hardest pull the switch closes: how early it comes."""
    pressure = ride.numbers(f"{name}_pressure")
    rest = float(np.nanmedian(pressure[ride.numbers(name) == 0])) if worked else float("nan")
    shares = []
    for use in worked:
        span = _span(use)
        peak = np.nanmax(pressure[ride.slice(span)], initial=float("-inf"))
        closes = ride.at(f"{name}_pressure", span.start_s)
        if np.isfinite(peak) and peak > rest and np.isfinite(closes):
            shares.append(float((closes - rest) / (peak - rest)))
    if shares:
        yield Fact("closes_at", False, statistics.median(shares), times=len(shares))


# ------------------------------------------------------------------ analogue inputs


def _throttle(ride: Ride, name: str) -> ControlRead:
    """Travel, snap back, and the reading at rest after each opening."""
    values = ride.numbers(name)
    known = values[np.isfinite(values)]
    refresh_s = _refresh_s(ride, name)
    low, high = float(np.quantile(known, 0.02)), float(known.max())
    travel = high - low
    openings = _openings(ride, name, low, travel) if travel > 10.0 else []
    facts = [Fact("travel", False, travel)]
    if openings:
        slow_s = max(o[1] for o in openings)
        rests = [o[2] for o in openings]
        sticks = [o for o in openings if o[2] - low > max(REST_SHARE * travel, 1.0)]
        facts.append(Fact("snaps_shut", False, slow_s, times=len(openings)))
        if sticks:
            facts.append(
                Fact("sticks", True, max(rests) - low, at_s=sticks[0][0], times=len(sticks))
            )
    fault = any(f.fault for f in facts)
    ok = len(openings) >= LEAST_USES and refresh_s <= SLOWEST_S and travel >= FULL_PERCENT
    return ControlRead(
        channel=name,
        state=State.FAULT if fault else State.OK if ok else State.NOT_ASSESSED,
        uses=len(openings),
        shortest_s=None,
        median_s=None,
        unseen_s=refresh_s,
        facts=tuple(facts),
        on=tuple(Span(o[0], o[0] + max(o[1], 0.1)) for o in openings),
    )


def _openings(ride: Ride, name: str, low: float, travel: float) -> list[tuple[float, float, float]]:
    """(when, seconds from half open to shut, reading once shut) of each opening."""
    values = ride.numbers(name)
    with np.errstate(invalid="ignore"):
        wide = ride.where(values > low + OPEN_SHARE * travel, bridge_s=ALONE_S)
    found = []
    spans = list(wide)
    for i, span in enumerate(spans):
        until_s = spans[i + 1].start_s if i + 1 < len(spans) else span.end_s + 4.0
        rows = ride.slice(Span(span.end_s, min(until_s, span.end_s + 4.0)))
        after, t_s = values[rows], ride.t_s[rows]
        if len(after) < 3 or not np.isfinite(after).any():
            continue
        floor = float(np.nanquantile(after, 0.1))
        shut = np.flatnonzero(after <= floor + REST_SHARE * travel)
        found.append((span.start_s, float(t_s[shut[0]]) - span.end_s, floor))
    return found


def _speed(ride: Ride, name: str) -> ControlRead:
    """Pulses of a wheel turned by hand: seen, or not assessed; never a fault by absence."""
    values = ride.numbers(name)
    with np.errstate(invalid="ignore"):
        turned = ride.where(values > 0.0, bridge_s=ALONE_S)
    fastest = float(np.nanmax(values)) if np.isfinite(values).any() else 0.0
    facts = (Fact("turned", False, fastest, times=len(turned)),) if len(turned) else ()
    return ControlRead(
        channel=name,
        state=State.OK if len(turned) else State.NOT_ASSESSED,
        uses=len(turned),
        shortest_s=None,
        median_s=None,
        unseen_s=_refresh_s(ride, name),
        facts=facts,
        on=tuple(turned),
    )


def _moving_s(ride: Ride) -> float:
    """Seconds faster than a bike is pushed."""
    if not ride.has("wheel_speed"):
        return 0.0
    with np.errstate(invalid="ignore"):
        return ride.where(ride.numbers("wheel_speed") > WALKING_KMH).seconds


# ------------------------------------------------------------------ steps and checks


def _is_done(step: Step, read: Sequence[ControlRead]) -> bool:
    """Whether what moved shows the step; a step in which nothing moves shows itself nowhere."""
    return any(c.uses for c in read if c.channel in _own(step))


def _own(step: Step) -> tuple[str, ...]:
    """The channels that show a step: the lamp answers either brake, so it shows neither."""
    return tuple(n for n in step.channels if n != "brake_lamp")


def _checks(steps: Sequence[Step], read: Sequence[ControlRead]) -> Iterator[CheckDone]:
    """What may go on record: a check whose every control was assessed."""
    by_check: dict[str, list[Step]] = {}
    for step in steps:
        if step.check and step.channels:
            by_check.setdefault(step.check, []).append(step)
    states = {c.channel: c for c in read}
    for check, of_check in by_check.items():
        asked = [_asked_of(s, states) for s in of_check]
        known = [c for c in asked if c is not None]
        lamp = states.get("brake_lamp")
        if check == "lamp-by-each-control":
            known = known if lamp is None else [*known, lamp]
            asked = [*asked, lamp]
        if any(c.state is State.FAULT for c in known):
            result = "fault"
        elif all(c is not None and c.state is State.OK for c in asked):
            result = "ok"
        else:
            continue
        uses = sum(c.uses for c in known)
        yield CheckDone(check, result, tuple(c.channel for c in known), uses)


def _asked_of(step: Step, states: Mapping[str, ControlRead]) -> ControlRead | None:
    """The control a step is about, by the first of its channels that is logged."""
    return next((states[n] for n in _own(step) if n in states), None)
