"""What more speaks for a hand or for a fault behind a cancel."""

from collections.abc import Iterator, Sequence

import numpy as np

from ridecheck.core.catalog import channel_name
from ridecheck.core.catalog import channels as catalog
from ridecheck.core.model import Cancel, Evidence, Span
from ridecheck.signals import brakes, drivetrain, pulses
from ridecheck.signals.cancels import seen
from ridecheck.signals.order import Move
from ridecheck.signals.ride import Ride

STICKS_S, STICKS_KMH = 10.0, 30.0
"""Nobody brakes or holds the clutch this long and rides on at this speed (common practice)."""

SEVERAL = 3
"""So many unrelated switches in one row point at supply, ground or logger."""

BRAKE_LINE = ("front_brake", "rear_brake", "brake_lamp")


COUNTED = {"repeated", "bounces"}
"""Evidence that counts the control's pulses already."""

STUCK = {"stuck_on_driven", "stuck_on_locked"}


def hints(ride: Ride, cancel: Cancel, found: Sequence[Move]) -> Iterator[Evidence]:
    """What speaks for a hand or a fault at one cancel; found: what moved round it."""
    known = {e.kind for e in cancel.evidence}
    channel = _pulsing_channel(ride, cancel)
    if channel and not known & COUNTED:
        yield from _pulses(ride, channel)
    if not known & STUCK:
        yield from _stays_on(ride, cancel)
    if cancel.cause == "clutch":
        yield from _clutch_parts(ride, cancel)
    together = _together(found, cancel.t_s)
    if len(together) >= SEVERAL:
        names = ", ".join(map(channel_name, together))
        yield seen("switched_together", count=len(together), names=names)


def _pulses(ride: Ride, channel: str) -> Iterator[Evidence]:
    """How many short pulses of a control the ride shows."""
    found_s = [p.span.start_s for p in pulses.maybe_short(ride, channel)]
    off = sum(ride.runs("cruise_engaged").value_at(s - 1e-3) == 0 for s in found_s)
    if len(found_s) > 1:
        yield seen("short_pulses", count=len(found_s), off=off, channel=channel)
    elif found_s:
        yield seen("only_short_pulse", channel=channel)


def _pulsing_channel(ride: Ride, cancel: Cancel) -> str:
    """The switch whose short pulse ended the engagement, "" where none did."""
    pulse_s = cancel.pulse_s
    channel = {
        "cancel_switch": "switch_cancel",
        "power_switch": "cruise_armed",
    }.get(cancel.cause, cancel.cause)
    if pulse_s is None or pulse_s > pulses.SHORT_PULSE_S + 1e-6 or cancel.commanded:
        return ""
    return channel if channel in catalog() and ride.has(channel) else ""


def _stays_on(ride: Ride, cancel: Cancel) -> Iterator[Evidence]:
    """A control that stays on while the bike rides on: a switch that sticks looks so."""
    channel = cancel.cause
    if channel not in (*brakes.CONTROLS, "brake_lamp", "clutch", "roll_off") or not ride.has(
        channel
    ):
        return
    run = next((r for r in ride.runs(channel).on() if r.start_s <= cancel.t_s < r.end_s), None)
    if run is None or run.length_s < STICKS_S:
        return
    speed = ride.numbers("wheel_speed")[ride.slice(Span(cancel.t_s + 2.0, run.end_s))]
    if np.isfinite(speed).any() and float(np.nanmedian(speed)) > STICKS_KMH:
        speed_kmh = float(np.nanmedian(speed))
        yield seen("stayed_on", channel=channel, length_s=run.length_s, speed_kmh=speed_kmh)


def _clutch_parts(ride: Ride, cancel: Cancel) -> Iterator[Evidence]:
    """Did engine and wheel part, as they do behind a clutch that is pulled?"""
    ratio = drivetrain.ratio(ride)
    before = ratio[ride.slice(Span(cancel.t_s - 2.0, cancel.t_s - 0.5))]
    after = ratio[ride.slice(Span(cancel.t_s - 0.2, cancel.t_s + 1.5))]
    if not (np.isfinite(before).any() and np.isfinite(after).any()):
        return
    change = float(np.nanmax(np.abs(after / np.nanmedian(before) - 1.0)))
    yield seen("ratio_parted" if change > 0.06 else "ratio_held", percent=100 * change)


def _together(found: Sequence[Move], t_s: float) -> list[str]:
    """Unrelated switches that changed in the row of the cancel; the brake line counts once."""
    names = {
        "brake" if m.channel in BRAKE_LINE else m.channel
        for m in found
        if abs(m.at_s - t_s) < 1e-3
        and m.channel != "cruise_engaged"
        and catalog()[m.channel].kind == "switch"
    }
    return sorted(names)
