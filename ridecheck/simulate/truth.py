"""What is true of a simulated ride, as no log can show it."""

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ridecheck.simulate.contacts import sample
from ridecheck.simulate.faults import FAULTS
from ridecheck.simulate.riding import FaultEvent, LetGo
from ridecheck.simulate.sensors import SWITCH_LINES, Recorder

Floats = NDArray[np.float64]

CONTRACT_CAUSES = {"unit": "unexplained", "itself": "unexplained"}

LIMIT_SHOWN_BY = {
    "far_from_set_speed": ("wheel_speed",),
    "below_minimum": ("wheel_speed",),
    "above_maximum": ("wheel_speed",),
    "speed_jump": ("wheel_speed",),
    "override_limit": ("wheel_speed",),
    "engine_flare": ("engine_speed",),
    "intervention": ("abs_active", "traction_active"),
}
"""Causes that are no switch: a sample of these channels just before the cancel shows the limit."""

SHOWN_S = 1.0
"""How long before the cancel such a sample may lie."""


@dataclass(frozen=True, slots=True)
class CancelTruth:
    """One end of an engagement. time_s counts from the ride's start.

    cause: what the control unit acted on (the contract's words). commanded: a hand did
    it on purpose. fault: the planted fault behind it, "" if none. visible: a logged
    sample shows the input that did it, or for a limit (LIMIT_SHOWN_BY) the quantity that
    passed it.
    """

    time_s: float
    cause: str
    commanded: bool
    fault: str
    visible: bool


@dataclass(frozen=True, slots=True)
class EventTruth:
    """One time a planted fault showed, and whether a logged sample falls into it."""

    fault: str
    part: str
    start_s: float
    end_s: float
    channel: str
    visible: bool


@dataclass(frozen=True, slots=True)
class RideTruth:
    """One ride: what the rider did, what let cruise go, when faults showed."""

    start: str
    duration_s: float
    distance_km: float
    engaged_s: float
    engagements: int
    ignored_presses: int
    acts: tuple[tuple[float, str], ...]
    incidents: tuple[tuple[float, str], ...]
    cancels: tuple[CancelTruth, ...]
    events: tuple[EventTruth, ...]


@dataclass(frozen=True, slots=True)
class FaultTruth:
    """A planted fault as the truth file shows it."""

    name: str
    part: str
    danger: bool
    severity: float
    trigger: str


@dataclass(frozen=True, slots=True)
class BikeTruth:
    """One bike: its planted faults and, per log (path under inbox/), its rides."""

    bike: str
    model: str
    said_model: str
    faults: tuple[FaultTruth, ...]
    rides: dict[str, RideTruth]


@dataclass(frozen=True, slots=True)
class FleetTruth:
    """A whole simulated fleet."""

    root: Path
    seed: int
    bikes: tuple[BikeTruth, ...]

    @property
    def logs(self) -> int:
        """How many logs were written."""
        return sum(len(b.rides) for b in self.bikes)

    def write(self, path: Path) -> None:
        """Write truth.json."""
        content = {
            "schema": "ridecheck-truth/1",
            "seed": self.seed,
            "bikes": [asdict(bike) for bike in self.bikes],
        }
        path.write_text(json.dumps(content, indent=1, sort_keys=True) + "\n", "utf-8")


def ride_truth(rec: Recorder) -> RideTruth:
    """The truth of one recorded ride."""
    ride = rec.ride
    said = ride.record
    return RideTruth(
        start=ride.plan.start.isoformat().replace("+00:00", "Z"),
        duration_s=round(rec.end_s, 2),
        distance_km=round(ride.dist_m / 1000.0, 3),
        engaged_s=round(sum(b - a for a, b in said.engaged_s), 2),
        engagements=len(said.engaged_s),
        ignored_presses=ride.rider.ignored_presses,
        acts=tuple(ride.rider.acts),
        incidents=tuple(said.incidents),
        cancels=tuple(_cancel(rec, one) for one in said.let_go),
        events=tuple(_event(rec, one) for one in said.events),
    )


def _cancel(rec: Recorder, one: LetGo) -> CancelTruth:
    line = one.line
    if one.by_hand:
        hand = rec.ride.lines[line].hand_s if line in rec.ride.lines else []
        spans = [s for s in hand if s[0] <= one.t_s + 0.02 and s[1] > one.t_s - 0.6]
        start_s, end_s = spans[-1] if spans else (one.start_s, one.end_s)
    else:
        start_s, end_s = one.start_s, one.end_s
    return CancelTruth(
        time_s=round(one.t_s, 3),
        cause=CONTRACT_CAUSES.get(one.cause, one.cause),
        commanded=one.by_hand,
        fault=one.fault,
        visible=_visible(rec, line, start_s, end_s) or _limit_visible(rec, one),
    )


def _limit_visible(rec: Recorder, one: LetGo) -> bool:
    """Was the quantity of a passed limit logged in the second before cruise disengaged?"""
    if one.cause == "engine_off":
        return _stop_visible(rec, one.t_s)
    shown_by = LIMIT_SHOWN_BY.get(one.cause, ())
    if one.line in shown_by:
        return False  # a disturbed signal: only a sample within the disturbance shows it
    return any(
        name in rec.logger.channels and _visible(rec, name, one.t_s - SHOWN_S, one.t_s + 0.02)
        for name in shown_by
    )


def _stop_visible(rec: Recorder, t_s: float) -> bool:
    """Does a sample show the engine off? In gear the wheel turns it, and its speed does not."""
    before = (t_s - SHOWN_S, t_s + 0.02)
    if "run_switch" in rec.logger.channels:
        offs_s = rec.ride.lines["run_off"].hand_s
        if any(
            _sampled(rec, "run_switch", max(a, before[0]), min(b, before[1])) for a, b in offs_s
        ):
            return True
    if "engine_speed" not in rec.logger.channels:
        return False
    seen_s = rec.seen_s("engine_speed")
    near_s = seen_s[(seen_s >= before[0]) & (seen_s < before[1])]
    return bool((rec.at("rpm", near_s) < 0.5 * rec.ride.engine.idle_rpm).any())


def _event(rec: Recorder, one: FaultEvent) -> EventTruth:
    return EventTruth(
        fault=one.fault,
        part=FAULTS[one.fault].about.part if one.fault in FAULTS else "",
        start_s=round(one.start_s, 3),
        end_s=round(one.end_s, 3),
        channel=one.line,
        visible=_visible(rec, one.line, one.start_s, one.end_s),
    )


def _visible(rec: Recorder, channel: str, start_s: float, end_s: float) -> bool:
    """Does any logged sample of the channel fall into the span?

    A brake also shows on the lamp line. A latched switch shows in the row after.
    """
    names = {n for n, line in SWITCH_LINES.items() if line == channel} or {channel}
    if channel in ("front_brake", "rear_brake"):
        names.add("brake_lamp")
    return any(_sampled(rec, name, start_s, end_s) for name in names & set(rec.logger.channels))


def _sampled(rec: Recorder, name: str, start_s: float, end_s: float) -> bool:
    """Does a sample of a logged channel fall into the span, and a switch's one show it on?

    A contact that bounces for a second is off most of the time.
    """
    seen_s, latched = rec.seen_s(name), name in rec.logger.latched
    end = end_s + (1.0 / rec.logger.rate_hz if latched else 0.0)
    first, last = np.searchsorted(seen_s, (start_s, end))
    if name in SWITCH_LINES or name == "brake_lamp":
        shown = sample(rec.intervals(name), seen_s, latched=latched)
        return bool(shown[first:last].any())
    return bool(last > first)
