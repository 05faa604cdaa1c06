"""What a log could have shown of each input, and what to log on the next ride."""

import math
from collections.abc import Sequence

from ridecheck.core.catalog import PANEL, channel_name
from ridecheck.core.model import Cancel
from ridecheck.core.statistics import pulse_seen, seen_at_least_once
from ridecheck.signals import brakes, cancels
from ridecheck.signals.ride import Ride
from ridecheck.trace.records import Detectable, NextRide

BOUNCES_S = (0.02, 0.05, 0.1)
"""Lengths of pulse that contacts make by themselves: a bounce, a flicker, a bad connector
(common practice)."""

CLEARED = 0.05
"""A fault that would have stayed unseen with less than this chance is nearly ruled out."""

CAUGHT = 0.9
"""The kilometres to ride next give this chance of one more cancel."""

TAPS = (
    "Taps on brake and speed wires are fitted by a qualified person. Look at the brake lamp, each "
    "control alone, after fitting and after removal."
)


def detectable(ride: Ride, unexplained: int) -> tuple[Detectable, ...]:
    """For each input that can end cruise: which pulses this log would show."""
    inputs = [*cancels.must_cancel_channels(ride), *(PANEL[p] for p in ride.settings.cruise.panel)]
    inputs += ["side_stand", "supply_voltage"]
    return tuple(
        _seen(ride, channel, pulse_s, unexplained)
        for channel in dict.fromkeys(inputs)
        for pulse_s in BOUNCES_S
    )


def _seen(ride: Ride, channel: str, pulse_s: float, events: int) -> Detectable:
    through = _shown_by(ride, channel)
    if through is None:
        return Detectable(channel, "", pulse_s, None, False, 0.0, events, 1.0)
    facts = ride.channels[through]
    interval_s = max(facts.interval_s, ride.row_interval_s)
    chance = pulse_seen(pulse_s, interval_s, latched=facts.latched)
    unseen = 1.0 - seen_at_least_once(chance, events) if events else 1.0 - chance
    stands_in = through if through != channel else ""
    return Detectable(
        channel, stands_in, pulse_s, interval_s, facts.latched, chance, events, unseen
    )


def _shown_by(ride: Ride, channel: str) -> str | None:
    """The channel that shows an input: its own, else what stands in for a brake switch."""
    names = [channel]
    if channel in brakes.CONTROLS:
        names += ["brake_lamp", f"{channel}_pressure"]
    return next((n for n in names if ride.has(n)), None)


def next_ride(
    ride: Ride, seen: Sequence[Detectable], unwanted: Sequence[Cancel], engaged_km: float
) -> NextRide:
    """What to add, what to log faster, and how far to ride for one more such cancel."""
    add = tuple(dict.fromkeys(d.channel for d in seen if d.interval_s is None))
    if not ride.has("cruise_engaged"):
        add = ("cruise_engaged", *add)
    shortest_s = BOUNCES_S[0]
    slow = tuple(
        dict.fromkeys(
            d.channel
            for d in seen
            if d.interval_s is not None and d.pulse_s == shortest_s and d.chance < CAUGHT
            if d.channel != "supply_voltage"
        )
    )
    km = -math.log(1.0 - CAUGHT) * engaged_km / len(unwanted) if unwanted and engaged_km else None
    sentences = []
    if add:
        sentences.append(f"Log also: {_listed(add)}.")
    if slow:
        sentences.append(
            f"Log {_listed(slow)} at {1.0 / shortest_s:.0f} Hz or faster, or latched (on if it was "
            f"on at any time since the last row): a {1000 * shortest_s:.0f} ms bounce then shows "
            "every time."
        )
    sentences.append(_km_sentence(km, len(unwanted), engaged_km))
    if add or slow:
        sentences.append(TAPS)
    return NextRide(add=add, faster=slow, km=km, sentences=tuple(sentences))


def _listed(channels: Sequence[str]) -> str:
    return ", ".join(map(channel_name, channels))


def _km_sentence(km: float | None, unwanted: int, engaged_km: float) -> str:
    if km is None:
        return (
            f"No cancel without a rider's action in {engaged_km:.1f} km with cruise holding: how "
            "far to ride for one is not known."
        )
    noun = "cancel" if unwanted == 1 else "cancels"
    return (
        f"About {km:.0f} km with cruise holding, under like conditions, to catch one more with "
        f"{100 * CAUGHT:.0f} % ({unwanted} {noun} uncommanded or with no logged cause in "
        f"{engaged_km:.1f} km)."
    )
