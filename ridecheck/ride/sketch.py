"""A whole ride in little: what pages draw of it, so that they need no samples.

Kept in the result. Speeds are thinned to what a drawing of the whole ride can show.
"""

import math
from collections import defaultdict

import numpy as np

from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import ControlUse, Sketch, Span
from ridecheck.core.packed import packed
from ridecheck.signals import cruise
from ridecheck.signals.outline import WIDTH, number_curve
from ridecheck.signals.pulses import SHORT_PULSE_S
from ridecheck.signals.ride import Ride

CELL_KMH, CELL_RPM = 4.0, 200.0
MOST_CELLS = 160
"""Cells of speed against engine speed; those the ride spent most time in stay."""
MOST_SPANS = WIDTH
STATES = ("fault_lamp", "abs_active", "traction_active", "marker")
"""Switches that no hand works, or that no rule rests on."""


def sketch(ride: Ride) -> Sketch:
    """What a page draws of the whole ride."""
    length_s = round(ride.duration_s, 3)
    window = Span(0.0, ride.duration_s)
    expected = ride.duration_s / ride.row_interval_s + 1.0 if ride.row_interval_s > 0 else 1.0
    held = [e.span for e in cruise.engagements(ride)]
    model = ride.settings.drivetrain
    gears = range(1, len(model.overall_ratios) + 1)
    return Sketch(
        length_s=length_s,
        rows_share=round(min(len(ride.t_s) / expected, 1.0), 4),
        logged=_visible(list(ride.segments), length_s),
        held=_visible(held, length_s),
        speed=number_curve(ride, "wheel_speed", window) if ride.has("wheel_speed") else None,
        controls=tuple(_use(ride, name) for name in _controls(ride)),
        gears=_cells(ride),
        rpm_per_kmh=tuple(round(model.rpm_per_kmh(g), 3) for g in gears),
        odometer_km=_odometer_km(ride),
    )


def _visible(spans: list[Span], length_s: float) -> tuple[Span, ...]:
    """Spans with what lies less than half a pixel apart joined."""
    apart_s = length_s / WIDTH / 2.0
    joined: list[Span] = []
    for span in spans:
        if joined and span.start_s - joined[-1].end_s <= apart_s:
            joined[-1] = Span(joined[-1].start_s, span.end_s)
        else:
            joined.append(span)
    return tuple(Span(round(s.start_s, 1), round(s.end_s, 1)) for s in joined[:MOST_SPANS])


def _controls(ride: Ride) -> list[str]:
    return [
        n for n, c in catalog().items() if c.kind == "switch" and n not in STATES and ride.has(n)
    ]


def _use(ride: Ride, name: str) -> ControlUse:
    """How often a switch came on, for how long, and when last."""
    runs = ride.runs(name)
    on = runs.on()
    return ControlUse(
        channel=name,
        times=len(on),
        on_s=round(sum(r.length_s for r in on), 1),
        last_s=round(on[-1].start_s, 3) if on else None,
        short=sum(r.sharp_start and r.sharp_end and r.length_s <= SHORT_PULSE_S + 1e-6 for r in on),
        off=bool(runs.of(0)),
    )


def _cells(ride: Ride) -> str:
    """How long the ride spent at each pair of wheel and engine speed while moving."""
    if not ride.has("wheel_speed", "engine_speed"):
        return ""
    kmh, rpm = ride.numbers("wheel_speed"), ride.numbers("engine_speed")
    known = (kmh > CELL_KMH) & (rpm > CELL_RPM)
    pairs = np.stack([kmh[known] // CELL_KMH, rpm[known] // CELL_RPM], axis=1).astype(np.int64)
    seconds: dict[tuple[int, int], float] = defaultdict(float)
    for (x, y), rows in zip(*np.unique(pairs, axis=0, return_counts=True), strict=True):
        seconds[int(x), int(y)] = float(rows) * ride.row_interval_s
    most = sorted(seconds.items(), key=lambda item: (-item[1], item[0]))[:MOST_CELLS]
    return packed(
        ((x + 0.5) * CELL_KMH, (y + 0.5) * CELL_RPM, round(s, 1)) for (x, y), s in sorted(most)
    )


def _odometer_km(ride: Ride) -> float | None:
    """The last odometer reading of the ride; None where it is not logged."""
    if not ride.has("odometer"):
        return None
    values = ride.numbers("odometer")
    known = values[~np.isnan(values)]
    last = float(known[-1]) if len(known) else math.nan
    return round(last, 1) if math.isfinite(last) else None
