"""The picture that proves a finding: what its rule compared, round its worst moment.

Made in the RIDE stage and kept in the result, so that no page needs samples or rules, and what a
page draws is what was judged. A limit is drawn only where the measured figure is seen to stand on
the same scale; elsewhere the page states both figures and draws no line.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import Cancel, Curve, Picture, Severity, Span, StoredFinding
from ridecheck.core.packed import packed, unpacked
from ridecheck.rules import all_rules
from ridecheck.signals.outline import number_curve, step_curve
from ridecheck.signals.ride import Floats, Ride

MOST_DANGERS = 20
"""Pictures of one danger rule in one ride; a page shows one, a person may ask for others."""
MOST_OTHERS = 2
"""Pictures of any other rule in one ride."""
MOST_CANCELS = 50
"""Pictures of cancels in one ride."""
LEAST_PAD_S, MOST_PAD_S = 2.0, 60.0
"""What is shown on either side of a finding: three quarters of its length, within these."""
CANCEL_S = (4.0, 3.0)
"""What is shown before and after a cancel: the order of events is judged from 3 s before."""
MOST_NUMBERS, MOST_SWITCHES = 4, 7
"""Channels of one picture."""
ALWAYS = ("wheel_speed", "cruise_engaged")
CRUISE = ("cruise_set_speed", "throttle")
"""Beside what a rule about cruise needs; so are the inputs that must cancel it."""
AROUND_CANCEL = (
    *("cruise_engaged", "wheel_speed", "cruise_set_speed", "engine_speed", "throttle"),
    *("front_brake", "rear_brake", "brake_lamp", "clutch", "roll_off", "cruise_armed"),
)
PANEL = ("switch_power", "switch_set", "switch_resume", "switch_cancel")
ONLY_IF_MOVED = (*PANEL, "side_stand", "run_switch", "abs_active", "traction_active", "fault_lamp")


def with_pictures(ride: Ride, findings: Sequence[StoredFinding]) -> tuple[StoredFinding, ...]:
    """The findings, the worst of each rule with a picture; of dangers all, up to MOST_DANGERS."""
    pictured: set[str] = set()
    for rule in {f.rule for f in findings}:
        alike = worst_first(f for f in findings if f.rule == rule)
        danger = alike[0].severity is Severity.DANGER
        pictured |= {f.id for f in alike[: MOST_DANGERS if danger else MOST_OTHERS]}
    return tuple(
        replace(f, picture=finding_picture(ride, f)) if f.id in pictured else f for f in findings
    )


def cancels_with_pictures(ride: Ride, cancels: Sequence[Cancel]) -> tuple[Cancel, ...]:
    """The cancels, those that were not commanded (or may not have been) with a picture."""
    asked = [c for c in cancels if c.commanded is not True and c.cause != "log_end"]
    first = sorted(asked, key=lambda c: (c.commanded is None, -c.t_s))[:MOST_CANCELS]
    pictured = {c.t_s for c in first}
    return tuple(
        replace(c, picture=cancel_picture(ride, c)) if c.t_s in pictured and c in first else c
        for c in cancels
    )


def worst_first(findings: Iterable[StoredFinding]) -> list[StoredFinding]:
    """Findings by how far they are past their limit, then by how long they lasted."""
    return sorted(findings, key=lambda f: (-excess(f), f.start_s - f.end_s, f.id))


def excess(finding: StoredFinding) -> float:
    """How far a finding is past its limit; 0 where no figure shows it."""
    if finding.measured is None or finding.limit is None:
        return 0.0
    return abs(finding.measured - finding.limit)


def finding_picture(ride: Ride, finding: StoredFinding) -> Picture:
    """The signals that the finding's rule compared, the limit, and the stretch it found."""
    stretch = Span(finding.start_s, finding.end_s)
    pad_s = min(max(0.75 * stretch.length_s, LEAST_PAD_S), MOST_PAD_S)
    window = Span(
        max(stretch.start_s - pad_s, 0.0), min(stretch.end_s + pad_s, ride.duration_s or 1.0)
    )
    curves = _curves(ride, _compared(ride, finding), window, stretch.start_s)
    return Picture(
        zero_s=finding.start_s,
        from_s=round(window.start_s - stretch.start_s, 3),
        to_s=round(window.end_s - stretch.start_s, 3),
        stretch=Span(0.0, round(stretch.length_s, 3)),
        curves=curves,
        limit=_limit(ride, finding, curves, window),
        allowed=_allowed(finding),
    )


def cancel_picture(ride: Ride, cancel: Cancel) -> Picture:
    """What the inputs and the bike did round a cancel."""
    window = Span(
        max(cancel.t_s - CANCEL_S[0], 0.0), min(cancel.t_s + CANCEL_S[1], ride.duration_s)
    )
    cause = (cancel.cause, cancel.first_mover or "")
    moved = [n for n in ONLY_IF_MOVED if ride.has(n) and len(_runs_in(ride, n, window)) > 1]
    names = _logged(ride, (*cause, "cruise_engaged", *moved, *AROUND_CANCEL))
    return Picture(
        zero_s=cancel.t_s,
        from_s=round(window.start_s - cancel.t_s, 3),
        to_s=round(window.end_s - cancel.t_s, 3),
        stretch=Span(0.0, 0.0),
        curves=_curves(ride, names, window, cancel.t_s),
    )


def _compared(ride: Ride, finding: StoredFinding) -> list[str]:
    """Channels the finding names, those its rule needs, and what is always of use."""
    rule = all_rules().get(finding.rule)
    needs = [n for need in (rule.needs if rule else ()) for n in _names(need)]
    about = CRUISE if finding.rule.startswith("cruise/") else ()
    inputs = ride.settings.cruise.must_cancel if about else ()
    return _logged(ride, (*finding.channels, *needs, *ALWAYS, *about, *inputs))


def _names(need: str | tuple[str, ...]) -> tuple[str, ...]:
    return (need,) if isinstance(need, str) else need


def _logged(ride: Ride, names: Iterable[str]) -> list[str]:
    """Logged channels in this order, each once, no more than a picture holds of a kind."""
    known = [n for n in dict.fromkeys(names) if n in catalog() and ride.has(n)]
    numbers = [n for n in known if catalog()[n].kind == "number"][:MOST_NUMBERS]
    switches = [n for n in known if catalog()[n].kind != "number"][:MOST_SWITCHES]
    return [n for n in known if n in numbers or n in switches]


def _runs_in(ride: Ride, name: str, window: Span) -> list[object]:
    return list(ride.runs(name).overlapping(window))


def _curves(ride: Ride, names: Iterable[str], window: Span, zero_s: float) -> tuple[Curve, ...]:
    """Numbers before switches, each in the order given; what is blank throughout is left out."""
    numbers, steps = [], []
    for name in names:
        if catalog()[name].kind == "number":
            numbers.append(number_curve(ride, name, window, zero_s=zero_s))
        else:
            steps.append(step_curve(ride, name, window, zero_s=zero_s))
    return tuple(c for c in (*numbers, *steps) if any(v is not None for _, v in unpacked(c.points)))


# ------------------------------------------------------------------------- limits


def _allowed(finding: StoredFinding) -> Span | None:
    """How long of the stretch was within a limit of time, where its length was what is measured."""
    length_s = finding.end_s - finding.start_s
    if finding.unit != "s" or finding.measured is None or finding.limit is None:
        return None
    if abs(length_s - finding.measured) > max(0.1, 0.05 * length_s) or finding.limit > length_s:
        return None
    return Span(0.0, round(finding.limit, 3))


def _limit(
    ride: Ride, finding: StoredFinding, curves: Sequence[Curve], window: Span
) -> Curve | None:
    """The limit on the scale of a drawn channel, where what was measured is seen on it."""
    if finding.measured is None or finding.limit is None:
        return None
    rows = ride.slice(Span(finding.start_s, finding.end_s))
    named = [c.channel for c in curves if catalog()[c.channel].unit == finding.unit]
    numbers = [n for n in named if catalog()[n].kind == "number"]
    ends_s = (window.start_s - finding.start_s, window.end_s - finding.start_s)
    for name in numbers:
        if _stands_on(ride.numbers(name)[rows], finding.measured, finding.limit):
            return Curve(name, packed((round(t, 3), finding.limit) for t in ends_s))
    if finding.unit == "km/h" and {"wheel_speed", "cruise_set_speed"} <= set(named):
        return _beside_set_speed(ride, finding, window)
    return None


def _stands_on(values: Floats, measured: float, limit: float) -> bool:
    """Whether the measured figure is the extreme of these values on the far side of the limit."""
    known = values[~np.isnan(values)]
    if not len(known) or measured == limit:
        return False
    extreme = float(known.max() if measured > limit else known.min())
    return abs(extreme - measured) <= max(0.06, 0.01 * abs(measured))


def _beside_set_speed(ride: Ride, finding: StoredFinding, window: Span) -> Curve | None:
    """Set speed with the allowed difference, where the measured one is seen beside it."""
    assert finding.measured is not None
    assert finding.limit is not None
    rows = ride.slice(Span(finding.start_s, finding.end_s))
    apart = ride.numbers("wheel_speed")[rows] - ride.numbers("cruise_set_speed")[rows]
    apart = apart[~np.isnan(apart)]
    if not len(apart):
        return None
    seen = (float(apart.max()), float(apart.min()), float(np.median(apart)))
    near = [a for a in seen if abs(abs(a) - abs(finding.measured)) <= 0.5]
    if not near:
        return None
    shift = abs(finding.limit) * (1.0 if near[0] > 0 else -1.0)
    line = number_curve(ride, "cruise_set_speed", window, zero_s=finding.start_s)
    moved = ((t, None if v is None else round(v + shift, 2)) for t, v in unpacked(line.points))
    return Curve("wheel_speed", packed(moved))
