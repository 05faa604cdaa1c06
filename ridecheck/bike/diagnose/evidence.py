"""What the rides of one bike show, and what they could have shown: seen, looked for, blind.

A sign is *seen* where a finding that still counts shows it. Where it is not seen, what that
is worth depends on the chance that these rides would have shown it, cause by cause: a rule
that was not assessed and a channel that was not logged are worth nothing, and a 10 Hz log
hardly clears a switch whose pulses last 20 ms.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from ridecheck.bike.diagnose.causes import Cause, Knowledge, Sign
from ridecheck.core.model import Cancel, RideResult, RuleOutcome, Severity, State, StoredFinding
from ridecheck.core.statistics import pulse_seen
from ridecheck.rules.base import Rule
from ridecheck.signals.ride import SLOWEST_S

CANCEL_RULE = "cruise/cancel-without-cause"
UNEXPLAINED = "unexplained"
FALSE_CANCELS_FULL = 0.02
"""Rides of a bike in order that seem to have a uncommanded cancel, all inputs logged."""
FALSE_CANCELS_VOTE = 0.1
"""The same where the rider's next press is all there is to judge by."""
TWENTY_HZ_S = 0.0505
"""Refresh that counts as 20 Hz, with the clock's jitter."""
USES_ALL_S = 120.0
"""In so long a rider uses every control he ever uses (common practice)."""
ENGAGED_S_PER_CANCEL = 1200.0
"""An intermittent fault that cancels does so about this often (common practice)."""


@dataclass(frozen=True, slots=True)
class SignSeen:
    """How often a sign was seen: findings, rides that show it, rides that could have.

    A switch that was never on counts once, for all rides together.
    """

    sign: Sign
    findings: int
    rides: int
    looked: float


@dataclass(frozen=True, slots=True)
class FreeCancel:
    """A uncommanded cancel: what it was logged as, and the ride it came in."""

    logged_as: str
    ride: RideResult


class Evidence:
    """All rides of one bike as the diagnosis sees them.

    closed: ids of findings a person has closed; they and their cancels count no more.
    A ride that does not fit the model says nothing of the bike, only of itself.
    """

    def __init__(
        self,
        results: Iterable[RideResult],
        *,
        closed: frozenset[str],
        must_cancel: Sequence[str] = (),
        known: Knowledge,
        rules: Mapping[str, Rule],
    ) -> None:
        self.rides = tuple(sorted(results, key=lambda r: (str(r.start or ""), r.ride)))
        self.known = known
        self.rules = rules
        self._must_cancel = tuple(must_cancel)
        self._closed = closed
        self._looked: dict[tuple[str, str], float] = {}
        self._by_id = {r.ride: r for r in self.rides}
        self._outcomes = {r.ride: {o.rule: o for o in r.rules} for r in self.rides}

    @cached_property
    def open_findings(self) -> tuple[StoredFinding, ...]:
        """Findings that count, of every severity, in time order."""
        return tuple(f for r in self.rides for f in r.findings if f.id not in self._closed)

    @property
    def weighty(self) -> tuple[StoredFinding, ...]:
        """Open faults and dangers: without one there is no suspect."""
        heavy = (Severity.DANGER, Severity.FAULT)
        return tuple(f for f in self.open_findings if f.severity in heavy)

    # ------------------------------------------------------------------ signs

    @cached_property
    def seen(self) -> Mapping[str, SignSeen]:
        """The signs that were seen, by id."""
        found = {}
        for sign in self.known.signs.values():
            if sign.never_on:
                if self._never_on(sign):
                    found[sign.id] = SignSeen(sign, 1, 1, 1.0)
                continue
            hits = [f for f in self.open_findings if self._is_sign(sign, f)]
            if hits:
                rides = len({f.ride for f in hits})
                looked = sum(self.look(sign, r) for r in self.rides)
                found[sign.id] = SignSeen(sign, len(hits), rides, max(looked, rides))
        return found

    def _never_on(self, sign: Sign) -> bool:
        """True where a switch was on in no ride after the first weighty finding there."""
        rides = [r for r in self.rides if self.look(sign, r)]
        last = f"last_on_s.{sign.never_on}"
        return bool(rides) and all(r.measures[last] <= self._first_s[r.ride] for r in rides)

    @cached_property
    def _first_s(self) -> Mapping[str, float]:
        """When the first weighty finding of a ride began, by ride."""
        found: dict[str, float] = {}
        for f in self.weighty:
            found[f.ride] = min(f.start_s, found.get(f.ride, f.start_s))
        return found

    def _is_sign(self, sign: Sign, finding: StoredFinding) -> bool:
        if finding.rule != sign.rule:
            return False
        if sign.channels and finding.channels and not set(sign.channels) & set(finding.channels):
            return False
        ride = self._by_id[finding.ride]
        if sign.fits is not None and sign.fits is not bool(ride.fits):
            return False
        return self._speaks_of_the_bike(sign, ride)

    @staticmethod
    def _speaks_of_the_bike(sign: Sign, ride: RideResult) -> bool:
        return ride.fits_model or sign.rule.startswith("data/")

    def look(self, sign: Sign, ride: RideResult) -> float:
        """How well one ride was looked over for a sign, 0 (not at all) to 1."""
        key = (sign.id, ride.ride)
        if key not in self._looked:
            self._looked[key] = self._look(sign, ride)
        return self._looked[key]

    def _look(self, sign: Sign, ride: RideResult) -> float:
        if sign.never_on:
            return self._look_for_use(sign, ride)
        outcome = self._outcomes[ride.ride].get(sign.rule)
        if outcome is None or not self._speaks_of_the_bike(sign, ride):
            return 0.0
        if sign.channels and not any(logged(ride, c) for c in sign.channels):
            return 0.0
        if outcome.state in (State.OK, State.FAULT):
            return 1.0
        return self._part_of_what_clears(outcome)

    def _look_for_use(self, sign: Sign, ride: RideResult) -> float:
        """1 where it can be known whether a switch still works after the first finding.

        It does where it was on after that. It may not where it was not on for long enough,
        or was on nowhere in a ride long enough.
        """
        last_s = ride.measures.get(f"last_on_s.{sign.never_on}")
        first_s = self._first_s.get(ride.ride)
        if last_s is None or first_s is None or not ride.fits_model:
            return 0.0
        works = last_s > first_s
        long_enough = ride.duration_s - first_s >= USES_ALL_S
        nowhere = last_s < 0.0 and ride.duration_s >= USES_ALL_S
        return float(works or long_enough or nowhere)

    def _part_of_what_clears(self, outcome: RuleOutcome) -> float:
        """Share of the exposure that would have been enough for an ok."""
        rule = self.rules.get(outcome.rule)
        if outcome.state is State.ERROR or rule is None:
            return 0.0
        shares = [outcome.exposure_s / rule.clear_s] if rule.clear_s else []
        shares += [outcome.events / rule.clear_events] if rule.clear_events else []
        return min([1.0, *shares]) if shares else 0.0

    def could_show(self, sign: Sign, cause: Cause, *, strength: float = 1.0) -> float:
        """Chance that at least one of the rides shows the sign if the cause is there.

        strength: how often it acts, against what is usual for it.
        """
        if sign.id not in cause.shows:
            return 0.0
        return cause.shows[sign.id] * self.could_act(sign, cause, strength=strength)

    def could_act(self, sign: Sign, cause: Cause, *, strength: float = 1.0) -> float:
        """Chance that the cause acts in a ride that is looked over for the sign, and is logged."""
        missed = 1.0
        for ride in self.rides:
            caught = catch_chance(cause, sign, ride, strength=strength)
            missed *= 1.0 - self.look(sign, ride) * caught
        return 1.0 - missed

    # ------------------------------------------------------------------ cancels

    @cached_property
    def free_cancels(self) -> tuple[FreeCancel, ...]:
        """Cancels nobody asked for that still count."""
        return tuple(
            FreeCancel(c.cause, ride)
            for ride in self.rides
            if ride.fits_model
            for c in ride.cancels
            if c.commanded is False and not self._is_closed(c, ride)
        )

    def _is_closed(self, cancel: Cancel, ride: RideResult) -> bool:
        said = [
            f
            for f in ride.findings
            if f.rule == CANCEL_RULE and f.start_s - 1.0 <= cancel.t_s <= f.end_s + 1.0
        ]
        return bool(said) and all(f.id in self._closed for f in said)

    def false_cancels(self) -> float:
        """How many rides a bike in order would seem to have such a cancel in.

        Where inputs are not logged, or slower than 20 Hz, a short press may be missed and all
        that speaks is that the rider wanted cruise back: that is wrong more often.
        """
        expected = 0.0
        for ride in self.rides:
            if ride.engagements and ride.fits_model:
                full = all(
                    logged(ride, c) and ride.channels[c].interval_s <= TWENTY_HZ_S
                    for c in self._must_cancel
                )
                expected += FALSE_CANCELS_FULL if full else FALSE_CANCELS_VOTE
        return expected

    def could_cancel(self, cause: Cause, *, strength: float = 1.0) -> float:
        """Chance that cruise would have been ended by the cause at least once."""
        engaged_s = sum(r.engaged_s for r in self.rides if r.fits_model)
        return cause.cancels * -math.expm1(-strength * engaged_s / ENGAGED_S_PER_CANCEL)

    def cancel_chances(self, cause: Cause, cancel: FreeCancel) -> float:
        """Chance that a cancel made by the cause is logged as this one was."""
        ride, visible = cancel.ride, {}
        for kind in cause.cancels_as:
            seen = [pulse_chance(cause, c, ride) for c in self.known.cancels[kind]]
            if kind == LAMP_ALONE and not _supply_shows(ride):
                continue
            if any(seen):
                visible[kind] = max(seen)
        traced = 1.0 - cause.cancels_silent
        if cancel.logged_as == UNEXPLAINED:
            return 1.0 - traced * max(visible.values(), default=0.0)
        # A brake lamp that is logged beside its switch shares the cancels with it.
        return traced * visible.get(cancel.logged_as, 0.0) / max(1, len(visible))

    # ------------------------------------------------------------------ what was logged

    def ever_logged(self, channel: str) -> bool:
        """True where any ride has the channel."""
        return any(logged(r, channel) for r in self.rides)

    def always_logged(self, channels: Sequence[str], *, interval_s: float) -> bool:
        """True where every ride has all the channels, refreshed at least this often."""
        return bool(self.rides) and all(
            logged(r, c) and (r.channels[c].interval_s <= interval_s or r.channels[c].latched)
            for r in self.rides
            for c in channels
        )

    def hours(self, sign: Sign) -> float:
        """Hours of rides that were looked over for a sign."""
        return sum(self.look(sign, r) * r.duration_s for r in self.rides) / 3600.0


LAMP_ALONE = "power_switch"
"""A lamp that goes out with no press counts as the main switch's doing only where a dip of the
supply would have shown; else the cancel has no logged cause."""


def _supply_shows(ride: RideResult) -> bool:
    name = "supply_voltage"
    return logged(ride, name) and ride.channels[name].interval_s <= SLOWEST_S


def logged(ride: RideResult, channel: str) -> bool:
    """True where a ride has the channel, not blank throughout."""
    return channel in ride.channels and ride.channels[channel].present > 0.0


def pulse_chance(cause: Cause, channel: str, ride: RideResult) -> float:
    """Chance that one pulse of a cause is logged in a channel; 0.0 where it is not logged."""
    if not logged(ride, channel):
        return 0.0
    if not cause.pulse_s:
        return 1.0
    facts = ride.channels[channel]
    return pulse_seen(cause.pulse_s, facts.interval_s, latched=facts.latched)


def catch_chance(cause: Cause, sign: Sign, ride: RideResult, *, strength: float = 1.0) -> float:
    """Chance that a cause acts in a ride and is logged while it does, at least once."""
    if cause.steady:
        return 1.0
    visible = max((pulse_chance(cause, c, ride) for c in sign.channels), default=1.0)
    acts = strength * cause.per_hour * visible**sign.pulses * ride.duration_s / 3600.0
    return -math.expm1(-acts)
