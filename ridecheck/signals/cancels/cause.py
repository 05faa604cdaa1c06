"""Which of the things that changed near a cancel ended it: five places to look, in order."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from ridecheck.signals.cancels import latency
from ridecheck.signals.cancels.candidate import RIDER, UNEXPLAINED, Candidate, Case, seen
from ridecheck.signals.cancels.candidates import disengages_after, fit, look_back_s
from ridecheck.signals.cancels.intent import decide
from ridecheck.signals.ride import Ride

ONE_ACT_S = 0.025
"""A hand that brakes turns the grip past closed with it; contacts that close together may show
this far apart (bounce)."""

SIGNALS = (
    "supply",
    "engine_off",
    "signal_lost",
    "intervention",
    "gear_change",
    "engine_flare",
    "speed_jump",
    "below_minimum",
    "above_maximum",
    "far_from_set_speed",
    "override_limit",
)
"""Causes that are no control of the rider's; the first of them weighs most."""

GEARBOX = {"gear_change", "engine_flare", "speed_jump"}
"""What a rider makes who slows down by hand: no cause where speed is long too far off."""

LIMITS = {"far_from_set_speed", "below_minimum", "above_maximum"}
"""Causes that were there before the cancel, whatever the rider does next."""

BREAKS_S = 0.5
"""A unit disengages within this of a reading that breaks."""

MAY_BURST = {"front_brake", "rear_brake", "clutch", "roll_off"}

BURST_S = 0.35
"""Pulses of one burst of a contact follow one another within this."""


@dataclass(frozen=True, slots=True)
class Near:
    """What changed near a cancel at t_s, in order of time."""

    ride: Ride
    t_s: float
    candidates: tuple[Candidate, ...]

    def cause(self) -> Candidate:
        """The candidate that the first of CAUSES finds, else that nothing is logged."""
        for found in (look(self) for look in CAUSES):
            if found is not None:
                return found
        nothing = seen("no_logged_cause", within_s=look_back_s(self.ride))
        return Candidate(UNEXPLAINED, "cruise_engaged", self.t_s, nothing)

    @property
    def names(self) -> set[str]:
        """The causes that the candidates would be."""
        return {c.cause for c in self.candidates}

    def controls(self) -> list[Candidate]:
        """The rider's controls, less what only repeats another.

        The lamp line follows the switches, so it explains only what no switch does; the main
        switch's lamp falling with a dip of the supply is the supply.
        """
        repeats = {"brake_lamp"} if self.names & {"front_brake", "rear_brake"} else set()
        repeats |= {"power_switch"} if "supply" in self.names else set()
        return [c for c in self.candidates if c.by_rider and c.cause not in repeats]

    def signals(self) -> list[Candidate]:
        """Limits and readings by their weight; what no bike does comes first, unless the supply
        collapsed, which takes the signals with it.
        """
        found = [c for c in self.candidates if c.cause in SIGNALS]
        if "far_from_set_speed" in self.names:
            found = [c for c in found if c.cause not in GEARBOX or c.impossible]
        supply = "supply" in self.names
        return sorted(
            found, key=lambda c: (not c.impossible and not supply, SIGNALS.index(c.cause))
        )

    def in_time(self) -> list[Candidate]:
        """Controls that moved as long before the cancel as this unit takes to disengage.

        A control that shows only after the cancel may have been logged a frame late, or be the
        rider's answer to it: it explains what no limit does. Where speed was already too far
        from the set one, a control explains nothing that came with the cancel, unless the ride
        shows how long this unit takes.
        """
        ride, t_s, known = self.ride, self.t_s, disengages_after(self.ride)
        fits = [(c, fit(ride, c.channel, c.at_s, c.interval_s, t_s)) for c in self.controls()]
        best = max((share for _, share in fits), default=0.0)
        least = max(latency.LEAST, known.rival * best)
        fitting = [c for c, share in fits if share >= least]
        if self.names & LIMITS and all(c.at_s > t_s + 1e-6 for c in fitting):
            return []
        if "far_from_set_speed" in self.names:
            fitting = [c for c in fitting if c.at_s < t_s + (1e-6 if known.cancels else -1e-6)]
        return fitting

    def foremost(self, controls: list[Candidate]) -> Candidate | None:
        """The first of them; where the order cannot be known, the one that weighs most.

        A hand that brakes often turns the grip past closed with it.
        """
        if not controls:
            return None
        known_s = min(c.at_s + self.ride.skew_s(c.channel) for c in controls)
        tied = [c for c in controls if self._may_be_as_early(c, known_s)]
        return min(tied, key=lambda c: (RIDER.index(c.cause), c.at_s))

    def _may_be_as_early(self, candidate: Candidate, known_s: float) -> bool:
        """Whether a control may have moved by an instant: not a whole refresh later, or one act."""
        since_s = candidate.at_s - self.ride.skew_s(candidate.channel)
        return since_s - max(0.7 * candidate.interval_s, ONE_ACT_S) < known_s


def reading_that_broke_first(near: Near) -> Candidate | None:
    """A reading that no bike makes, which broke before the rider's controls moved."""
    first = next(iter(near.signals()), None)
    if first is None or not first.impossible:
        return None
    moved_s = min((c.at_s for c in near.in_time()), default=math.inf)
    broke_first = near.t_s - BREAKS_S <= first.at_s < moved_s - 1e-6
    return first if moved_s > near.t_s - 1e-6 or broke_first else None


def control_in_time(near: Near) -> Candidate | None:
    """The first of the rider's controls that moved as long before as this unit takes."""
    return near.foremost(near.in_time())


def signal_or_limit(near: Near) -> Candidate | None:
    """A supply dip, an engine that stopped, a signal lost or jumping, or a limit reached."""
    return next(iter(near.signals()), None)


def control_held(near: Near) -> Candidate | None:
    """A control on for long, where the ride does not show how long this unit takes."""
    if disengages_after(near.ride).cancels:
        return None
    return near.foremost([c for c in near.controls() if c.at_s < near.t_s - 1e-6])


def contact_that_bursts(near: Near) -> Candidate | None:
    """A contact that shows a fault near the cancel, though not at the time of other inputs: its
    filter is another, or a pulse of the same burst fell between two rows.
    """
    for candidate in near.candidates:
        case = Case(near.ride, candidate, near.t_s)
        if candidate.cause not in MAY_BURST or decide(case)[0] is not False:
            continue
        before_s = near.t_s - candidate.at_s
        if -candidate.interval_s - 1e-6 <= before_s <= latency.USUAL.end_s:
            return candidate
        near_s = BURST_S + candidate.interval_s
        if abs(before_s) <= near_s and candidate.pulse_s <= BURST_S:
            return replace(candidate, evidence=replace(candidate.evidence, kind="control_bursts"))
    return None


CAUSES: tuple[Callable[[Near], Candidate | None], ...] = (
    reading_that_broke_first,
    control_in_time,
    signal_or_limit,
    control_held,
    contact_that_bursts,
)
"""Where the cause is looked for first, second, third."""
