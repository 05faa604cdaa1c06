"""Wheel speed ripples once per turn of the wheel.

What it checks
    Steady riding in pieces of six seconds: what is left of wheel speed beside the bike's
    smooth motion, held against the turns of the wheel counted from speed itself. Most of it
    must come once per turn, in most pieces, at one rolling circumference near the model's,
    and far less at other orders beside it.
Why it matters
    A tooth of the sensor's ring that is damaged, missing or packed with dirt, or a ring that
    runs out of true: cruise follows the ripple, and the next tooth may end it.
What else looks like this
    A tyre out of round or a wheel out of balance, which stays below the limit; a few
    magnets glued on unevenly; with a sensor on the gearbox output, a rear sprocket or chain
    that runs unevenly (a ring there turns as often as the final ratio says, and is not
    looked for); forks and road roughness, which keep no time with the wheel. A logger whose
    samples fall once or twice per turn shows nothing, and such pieces are left out.
Next step
    Ring, air gap and run-out at the sensed wheel; its signal on the scope, wheel turned by hand.
References
    Turns per second = speed / (3.6 x rolling circumference). Sampled evenly, an order of the
    wheel folds about half the rate (sampling theorem), which the turns counted undo.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Floats, Ride

ORDERS: Floats = np.arange(0.80, 1.2001, 0.0025)
"""Events per turn that are tried; 50 turns separate orders that differ by a fiftieth."""

APART = 0.05
"""Orders this far beyond the band of once per turn are the ones it is held against."""

SMOOTH = 3
"""Degree of the polynomial that takes the bike's own motion out of a piece."""

MOST_PIECES = 80
"""Spread over the ride: more would not make it surer."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    ripple: float = threshold(
        0.008, "", "of speed: a ring 0.3 mm out of true at 50 mm radius makes 0.006"
    )
    steps: float = threshold(
        0.5, "steps", "of the speed signal: rounding alone makes a wave as high"
    )
    piece_s: float = threshold(
        6.0, "s", "50 turns at 60 km/h, short enough for a smooth curve to follow the bike"
    )
    moving_kmh: float = threshold(30.0, "km/h", "slower, a piece holds too few turns")
    steady_ms2: float = threshold(0.8, "m/s2", "mean over a piece: harder, turns are miscounted")
    slow_hz: float = threshold(
        1.2, "Hz", "the ripple as sampled must be faster: slower, the bike itself moves so"
    )
    explained: float = threshold(
        0.4,
        "",
        "of what is left; in 30 samples of noise the best of 20 orders reaches it once in 70",
    )
    share: float = threshold(0.5, "", "of the pieces must show it: a ring is always bad")
    pieces: float = threshold(6.0, "", "that show it: by chance below one in a million rides")
    beside: float = threshold(2.0, "times", "what the best other order explains")
    circumference: float = threshold(
        0.03, "", "either way: tyre wear and pressure 2 to 3 %, reading high is taken out"
    )
    tooth: float = threshold(
        0.044, "", "a ring of 24 that lost one reads low by so much, and turns are counted by it"
    )
    other_wheel: float = threshold(
        0.08, "", "either way where speed may come from the front wheel, whose tyre is not stated"
    )


@dataclass(frozen=True, slots=True)
class _Piece:
    """A piece of steady riding; orders is empty where no ripple could hide in it."""

    span: Span
    speed_kmh: float
    ripple: float
    orders: Floats


@rule(
    needs=("wheel_speed",),
    severity=Severity.FAULT,
    clear_s=120.0,
    clear_interval_s=0.11,
    convict_interval_s=0.21,
    raise_when=RaiseWhen(events=2, rides=2),
    asks="steady riding faster than 30 km/h",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding at most: the stretch from the first piece that shows it to the last."""
    pieces = list(_pieces(ride, limits))
    yield Exposure(seconds=sum(p.span.length_s for p in pieces))
    rough = [p for p in pieces if len(p.orders)]
    if len(rough) < limits.pieces:
        return
    strength = np.mean([p.orders for p in rough], axis=0)
    low, high = _band(ride, limits)
    inside = (low - 1e-9 <= ORDERS) & (high + 1e-9 >= ORDERS)
    beside = (low - APART > ORDERS) | (high + APART < ORDERS)
    best = int(np.argmax(np.where(inside, strength, 0.0)))
    showing = [p for p in rough if p.orders[best] >= limits.explained]
    if len(showing) < max(limits.pieces, limits.share * len(pieces)):
        return
    if strength[best] < limits.explained or strength[best] < limits.beside * strength[beside].max():
        return
    ripple = float(np.median([p.ripple * np.sqrt(p.orders[best]) for p in showing]))
    if ripple < limits.ripple:
        return
    yield Finding(
        span=Span(showing[0].span.start_s, showing[-1].span.end_s),
        message=f"wheel speed ripples by {100 * ripple:.1f} % either way once per wheel turn, in "
        f"{len(showing)} of {len(pieces)} pieces of steady riding{_where(ride)}",
        measured=ripple,
        limit=limits.ripple,
        unit="ratio",
        channels=("wheel_speed",),
    )


def _band(ride: Ride, limits: Limits) -> tuple[float, float]:
    """Where once per turn may lie among ORDERS: tyre, sensed wheel, a tooth not counted."""
    known = ride.settings.speed_signal.taken_from in ("driven_wheel", "gearbox_output")
    either_way = limits.circumference if known else limits.other_wheel
    return 1.0 - either_way, 1.0 + max(either_way, limits.circumference + limits.tooth)


def _where(ride: Ride) -> str:
    """What such a ripple is where this model takes its speed."""
    source = ride.settings.speed_signal.taken_from
    if source == "gearbox_output":
        return "; speed is taken from the gearbox output: rear sprocket and chain do that too"
    return "" if source == "unknown" else f"; speed is taken from the {source.replace('_', ' ')}"


def _pieces(ride: Ride, limits: Limits) -> Iterator[_Piece]:
    """Pieces of steady riding in which a ripple could be seen, spread over the ride."""
    speed = ride.numbers("wheel_speed")
    moving = speed > limits.moving_kmh
    spans = [
        Span(start_s, start_s + limits.piece_s)
        for span in ride.where(moving).at_least(limits.piece_s)
        for start_s in span.start_s
        + limits.piece_s * np.arange(int(span.length_s / limits.piece_s + 1e-9))
    ]
    for span in spans[:: max(1, len(spans) // MOST_PIECES)]:
        piece = _piece(ride, span, limits)
        if piece is not None:
            yield piece


def _piece(ride: Ride, span: Span, limits: Limits) -> _Piece | None:
    """What a piece shows; None where the bike is not steady or the samples fall badly."""
    rows = ride.slice(Span(span.start_s, span.end_s - 1e-6))
    t_s, speed = ride.t_s[rows] - span.start_s, ride.numbers("wheel_speed")[rows]
    if ride.interval_s("wheel_speed") > 1.5 * ride.row_interval_s:  # held values: new ones only
        fresh = np.diff(speed, prepend=np.nan) != 0
        t_s, speed = t_s[fresh], speed[fresh]
    if len(speed) < 4 * SMOOTH:
        return None
    powers, curve = _curve(t_s, speed)
    smooth = powers @ curve
    if abs(smooth[-1] - smooth[0]) / motion.KMH_PER_MS > limits.steady_ms2 * span.length_s:
        return None
    mean_kmh = float(smooth.mean())
    high = 1.0 + ride.settings.speed_signal.reads_high_percent / 100.0
    per_turn = motion.KMH_PER_MS * high * ride.settings.drivetrain.circumference_m
    sample_s = max(ride.interval_s("wheel_speed"), ride.row_interval_s)
    if not _sampled_well(mean_kmh / per_turn, sample_s, limits):
        return None
    left = speed - smooth
    ripple = float(np.sqrt(2.0 * np.mean(left**2)))
    least_kmh = max(limits.ripple * mean_kmh, limits.steps * motion.step_kmh(ride, "wheel_speed"))
    orders = np.empty(0)
    if ripple >= least_kmh:
        half_s = (t_s[-1] - t_s[0]) / 2.0
        way = (powers * powers[:, 1:2]) @ (curve / np.arange(1, SMOOTH + 2)) * half_s
        orders = explained(way / per_turn, left)
    return _Piece(span, mean_kmh, ripple / mean_kmh, orders)


def _curve(t_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """The polynomial of degree SMOOTH through values: powers of time from -1 to 1, and what
    each is multiplied by.
    """
    middle_s, half_s = (t_s[0] + t_s[-1]) / 2.0, (t_s[-1] - t_s[0]) / 2.0
    powers = np.vander((t_s - middle_s) / half_s, SMOOTH + 1, increasing=True)
    return powers, np.linalg.solve(powers.T @ powers, powers.T @ values)


def _sampled_well(turns_hz: float, sample_s: float, limits: Limits) -> bool:
    """Does once per turn, folded by the sampling, lie clear of the bike's own motion?"""
    rate_hz = 1.0 / sample_s
    folded_hz = abs(turns_hz - rate_hz * round(turns_hz / rate_hz))
    return limits.slow_hz <= folded_hz <= 0.5 * rate_hz - 0.25


def explained(turns: Floats, left: Floats) -> Floats:
    """Share of the variance of ``left`` (n,) that a wave at each of ORDERS explains.

    turns: (n,) turns of the wheel at each sample. Sine and cosine fitted by least squares at
    uneven places (Lomb's and Scargle's periodogram): 1 where one wave is all there is, about
    2 / n in noise. scipy's takes longer to load than a short log to judge.
    """
    waves: NDArray[np.complex128] = np.empty((len(ORDERS), len(turns)), dtype=np.complex128)
    waves[0] = np.exp(2j * np.pi * ORDERS[0] * turns)
    waves[1:] = np.exp(2j * np.pi * (ORDERS[1] - ORDERS[0]) * turns)
    np.multiply.accumulate(waves, axis=0, out=waves)  # the orders are evenly apart
    with_left, twice = waves @ left, (waves * waves).sum(axis=1)
    cosines, sines = (len(left) + twice.real) / 2, (len(left) - twice.real) / 2
    both = twice.imag / 2
    along, across = with_left.real, with_left.imag
    fitted = along**2 * sines + across**2 * cosines - 2.0 * along * across * both
    apart = np.maximum(cosines * sines - both**2, 1e-9 * len(left) ** 2)
    power: Floats = fitted / apart / max(float(left @ left), 1e-12)
    return power
