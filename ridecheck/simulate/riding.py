"""One ride, step by step: bike, road, rider, cruise control and faults together."""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from ridecheck.simulate.contacts import Interval, Line
from ridecheck.simulate.cruise import CruiseControl, Inputs, Phase, State
from ridecheck.simulate.physics import (
    GRAVITY_MPS2,
    ROTATING_SHARE,
    RPM_PER_RADPS,
    lean_rad,
    reads_high_in_lean,
    road_load_coefficients,
)
from ridecheck.simulate.rider import Rider
from ridecheck.simulate.route import POINT_M, Route, build_route
from ridecheck.simulate.signals import Disturbed
from ridecheck.simulate.spec import BikeSpec, RidePlan

Floats = NDArray[np.float64]

STEP_S = 0.025
TICK_STEPS = 4
LONGEST_S = 4 * 3600.0
CANCELLING_LINES = ("front_brake", "rear_brake", "clutch", "roll_off", "switch_cancel")
LINES = (
    *CANCELLING_LINES,
    "switch_power",
    "switch_set",
    "switch_resume",
    "side_stand",
    "run_off",
    "abs_active",
    "traction_active",
    "marker",
    "fault_lamp",
)
TRACK = (
    "t_s", "speed_mps", "rear_factor", "front_factor", "rpm", "gear", "throttle",
    "throttle_grip", "front_mps2", "rear_mps2", "lean_rad", "slope", "acceleration",
    "distance_m", "load_v", "coolant_c", "actuator", "extra_slope",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class FaultEvent:
    """One time a planted fault showed itself. line: the channel it touches, "" if none."""

    fault: str
    start_s: float
    end_s: float
    line: str = ""


@dataclass(frozen=True, slots=True)
class LetGo:
    """One end of an engagement: what the unit acted on, and who was behind it."""

    t_s: float
    cause: str
    by_hand: bool
    fault: str
    start_s: float
    end_s: float
    line: str


@dataclass(slots=True)
class Telling:
    """Everything that is remembered of a ride while it runs."""

    track: list[tuple[float, ...]] = field(default_factory=list)
    engaged_s: list[Interval] = field(default_factory=list)
    armed_s: list[Interval] = field(default_factory=list)
    phases: list[tuple[float, str]] = field(default_factory=list)
    set_kmh: list[tuple[float, float]] = field(default_factory=list)
    gears: list[tuple[float, int]] = field(default_factory=list)
    engaged_by: list[tuple[float, str]] = field(default_factory=list)
    events: list[FaultEvent] = field(default_factory=list)
    let_go: list[LetGo] = field(default_factory=list)
    incidents: list[tuple[float, str]] = field(default_factory=list)


class Riding:
    """The state of a ride. Faults and incidents reach in through its public fields."""

    def __init__(self, bike: BikeSpec, plan: RidePlan, rng: Generator) -> None:
        self.bike = bike
        self.plan = plan
        self.rng = rng
        self.model = bike.model
        self.engine = bike.model.engine
        self.ratios = bike.model.overall_ratios
        self.circumference_m = bike.model.circumference_m * bike.circumference_factor
        self.radius_m = self.circumference_m / (2.0 * math.pi)
        self.mass_kg = bike.model.mass_kg * bike.mass_factor + plan.rider_kg + plan.luggage_kg
        self.load_n, self.load_n_per_kmh2 = road_load_coefficients(self.mass_kg)
        self.route: Route = build_route(plan.legs, plan.rider, rng)
        self.rider = Rider(plan.rider, self.route, rng)
        self.cruise = CruiseControl(bike.model.cruise)
        self.lines = {name: Line(name) for name in LINES}
        self._cancelling = tuple(self.lines[name] for name in CANCELLING_LINES)
        self._panel = tuple(self.lines[n] for n in ("switch_power", "switch_set", "switch_resume"))
        self.speed_signal = Disturbed()
        self.front_signal = Disturbed()
        self.rpm_signal = Disturbed()
        self.gear_signal = Disturbed()
        self.throttle_signal = Disturbed()
        self.supply_signal = Disturbed()
        self.logged_speed = Disturbed()
        self.ring_ripple = 0.0
        self.tyre_factor = 1.0
        self.plate_before = 0.0
        self.record = Telling()
        self.t_s = 0.0
        self.v = 0.0
        self.dist_m = 0.0
        self.idle_rpm = self.engine.idle_rpm
        self.rpm = self.engine.idle_rpm
        self.gear = 0
        self.clutch_share = 1.0
        self.clutch_nm = bike.model.clutch_nm
        self.clutch_grip = 1.0
        self.locked = False
        self.plate = 0.0
        self.stuck_plate = -1.0
        self.accel = 0.0
        self.slip = 0.0
        self.spin = 0.0
        self._spun_at_s = -9.0
        self.lean = 0.0
        self.slope = 0.0
        self.curvature = 0.0
        self.extra_slope = 0.0
        self.wind_mps = plan.weather.headwind_mps
        self.coolant_c = plan.weather.air_c + 2.0 if plan.cold_start else 80.0
        self.raining = False
        self.bump = False
        self.supply_v = 14.1
        self.load_v = 0.0
        self.engine_on = True
        self.intervention = False
        self.front_mps2 = 0.0
        self.rear_mps2 = 0.0
        self.unit_hears_panel = True
        self.extra_drag_mps2 = 0.0  # pads that touch: boot, dragging pedal, residual pressure
        self._gust_mps = 0.0
        self._next_bump = 0
        self._engaged_since_s = -1.0
        self._armed_since_s = -1.0
        self._rear_factor = 1.0
        self._front_factor = 1.0

    # ------------------------------------------------------------ asked by rider and faults

    def ratio(self) -> float:
        """Engine turns per wheel turn in the gear in use; 0 in neutral or clutch in."""
        if self.gear == 0 or (self.lines["clutch"].hand and not self.rider.launching):
            return 0.0
        return self.ratios[self.gear - 1]

    def force_for(self, acceleration_mps2: float) -> float:
        """Wheel force in N for an acceleration here and now."""
        air_kmh = (self.v + self.wind_mps + self._gust_mps) * 3.6
        load_n = self.load_n + self.load_n_per_kmh2 * air_kmh * abs(air_kmh)
        return load_n + self.mass_kg * (acceleration_mps2 * 1.05 + GRAVITY_MPS2 * self.slope)

    def select(self, t_s: float, gear: int) -> None:
        """Put a gear in."""
        if gear != self.gear:
            self.gear = gear
            self.record.gears.append((t_s, gear))

    def gear_for(self, rpm: float) -> int:
        """Highest gear that keeps at least this engine speed at the present speed."""
        for gear in range(len(self.ratios), 1, -1):
            if self.v / self.circumference_m * self.ratios[gear - 1] * 60.0 >= rpm:
                return gear
        return 1

    def event(self, fault: str, start_s: float, end_s: float, line: str = "") -> None:
        """A planted fault shows itself."""
        self.record.events.append(FaultEvent(fault, start_s, end_s, line))

    def change_tyre(self, factor: float) -> None:
        """Fit a tyre of another circumference; the speed signal's calibration stays."""
        self.tyre_factor *= factor
        self.circumference_m *= factor
        self.radius_m *= factor

    @property
    def minutes(self) -> float:
        """Minutes since the ride began."""
        return self.t_s / 60.0

    @property
    def speed_kmh(self) -> float:
        """True speed over ground."""
        return self.v * 3.6

    # ------------------------------------------------------------ the loop

    def run(self, actors: "list[Actor]") -> Telling:
        """Ride to the end of the route."""
        for actor in actors:
            actor.begin(self)
        n = 0
        rider = self.rider
        started_s = -1.0
        inputs = Inputs()
        rider.waiting_until_s = 4.0 + 4.0 * float(self.rng.random())
        self.lines["rear_brake"].press(0.5)
        longest_s = min(LONGEST_S, 300.0 + self.route.length_m / 4.0)
        while self.t_s < longest_s:
            self.t_s = t_s = n * STEP_S
            if n % TICK_STEPS == 0:
                self._look(t_s)
                for actor in actors:
                    actor.tick(self, t_s)
                rider.tick(self, t_s)
            rider.run_due(t_s)
            if self.lines["roll_off"].hand:  # a hand cannot turn it past closed and open it
                rider.grip = 0.0
            self._advance(STEP_S)
            if self._unit_at_work():
                self._unit(inputs, t_s, STEP_S)
            elif n % TICK_STEPS == 0:
                self._unit(inputs, t_s, STEP_S * TICK_STEPS)
            self._remember(t_s)
            if rider.arrived and started_s < 0.0:
                started_s = t_s
            if started_s >= 0.0 and t_s > started_s + 6.0:
                break
            n += 1
        self._finish(actors)
        return self.record

    def _look(self, t_s: float) -> None:
        """Ten times a second: road, weather, temperature, supply."""
        route = self.route
        at = min(int(self.dist_m / POINT_M), len(route.slope) - 1)
        self.slope = float(route.slope[at]) + self.extra_slope
        self.curvature = float(route.curvature_per_m[at])
        target = lean_rad(self.v, self.curvature)
        self.lean += (target - self.lean) * 0.22
        self._rear_factor = reads_high_in_lean(self.lean, radius_m=self.radius_m, crown_m=0.09)
        self._front_factor = reads_high_in_lean(self.lean, radius_m=0.30, crown_m=0.06)
        weather = self.plan.weather
        rain = weather.rain_min
        self.raining = rain is not None and rain[0] <= t_s / 60.0 <= rain[1]
        gust = weather.gust_mps * (1.0 if self.v > 8.0 else 0.3)
        self._gust_mps += -0.04 * self._gust_mps + 0.28 * gust * float(self.rng.normal())
        warm_c = 86.0 + 6.0 * math.sin(t_s / 140.0)
        self.coolant_c += (warm_c - self.coolant_c) * 0.1 / 170.0
        cold = max(0.0, min(1.0, (55.0 - self.coolant_c) / 35.0))
        self.idle_rpm = self.engine.idle_rpm * (1.0 + 0.35 * cold)
        charging = min(1.0, max(0.0, (self.rpm - 700.0) / 900.0))
        self.supply_v += (12.6 + 1.55 * charging - self.load_v - self.supply_v) * 0.25
        bumps = route.bumps_m
        self.bump = False
        while self._next_bump < len(bumps) and bumps[self._next_bump] <= self.dist_m:
            self._next_bump += 1
            self.bump = True

    def _advance(self, step_s: float) -> None:
        """Engine, clutch, wheel, brakes and road over one step.

        m dv/dt = F_drive - (A + C v_air^2) - m g sin - F_brake; with the clutch locked the
        engine turns at v K / R, else it has its own momentum and the clutch passes what it can.
        """
        rider = self.rider
        lever = self.lines["clutch"].hand
        if not rider.launching:
            if lever:
                self.clutch_share = max(0.0, self.clutch_share - step_s / 0.09)
            elif self.locked or self.gear == 0:
                self.clutch_share = min(1.0, self.clutch_share + step_s / 0.15)
            else:  # eased in until the engine runs with the wheel
                self.clutch_share = min(1.0, self.clutch_share + step_s * self._ease())
        plate = max(rider.grip, self.cruise.plate if self.model.cruise.maximum_kmh else 0.0)
        if self.stuck_plate >= 0.0:
            plate = max(plate, self.stuck_plate)
        self.plate += (plate - self.plate) * min(1.0, step_s / 0.06)
        torque = -14.0
        if self.engine_on:
            torque = self.engine.torque_nm(self.rpm, self.plate, idle_rpm=self.idle_rpm)
        turn = self._rear_factor * (1.0 + self.slip + self.spin)
        drive_n = 0.0
        mass_kg = self.mass_kg * (1.0 + ROTATING_SHARE)
        if self.gear == 0 or self.clutch_share <= 0.0:
            self.locked = False
            self._free_engine(torque, step_s)
        else:
            ratio = self.ratios[self.gear - 1]
            wheel_rpm = self.v * turn / self.circumference_m * ratio * 60.0
            inertia = self.engine.inertia_kgm2
            syncing = torque + inertia * (self.rpm - wheel_rpm) / RPM_PER_RADPS / step_s
            capacity = self.clutch_share * self.clutch_nm * self.clutch_grip
            passed = max(-capacity, min(capacity, syncing))
            self.locked = passed == syncing
            if self.locked:
                self.rpm = wheel_rpm
                passed = torque
                mass_kg += inertia * (ratio / self.radius_m) ** 2
            else:
                self.rpm += (torque - passed) / inertia * step_s * RPM_PER_RADPS
            drive_n = passed * ratio / self.radius_m * (0.93 if passed > 0.0 else 1.0)
        self._brakes(step_s)
        air_kmh = (self.v + self.wind_mps + self._gust_mps) * 3.6
        load_n = self.load_n + self.load_n_per_kmh2 * air_kmh * abs(air_kmh)
        force_n = drive_n - load_n - self.mass_kg * GRAVITY_MPS2 * self.slope
        accel = force_n / mass_kg - self.front_mps2 - self.rear_mps2 - self.extra_drag_mps2
        v = self.v + accel * step_s
        if v <= 0.0 or (self.v < 0.06 and drive_n < 30.0 and rider.waiting_until_s >= 0.0):
            v = 0.0
        self.accel = (v - self.v) / step_s
        self.v = v
        self.dist_m += v * step_s
        self.slip += (0.012 * drive_n / (self.mass_kg * 2.5) - self.slip) * min(1.0, step_s / 0.1)

    def _ease(self) -> float:
        """How fast the hand lets the clutch in, share per second: gently while it slips."""
        return 0.9 if self.clutch_share < 0.13 else 0.25

    def _free_engine(self, torque: float, step_s: float) -> None:
        self.rpm += torque / self.engine.inertia_kgm2 * step_s * RPM_PER_RADPS
        lowest = self.idle_rpm * 0.96 if self.engine_on else 0.0
        self.rpm = max(lowest, min(self.engine.redline_rpm * 1.02, self.rpm))

    def _brakes(self, step_s: float) -> None:
        """Pressure follows the hand: it rises as fast as a hand pulls, and falls faster."""
        wanted = self.rider.brake_mps2
        front, rear = self.front_mps2, self.rear_mps2
        if wanted <= 0.0 and front <= 0.0 and rear <= 0.0:
            return
        share = self.rider.front_share
        rise = 9.0 * step_s
        self.front_mps2 = front + max(-2.0 * rise, min(rise, wanted * share - front))
        self.rear_mps2 = rear + max(-2.0 * rise, min(rise, wanted * (1.0 - share) - rear))

    def _unit_at_work(self) -> bool:
        """Must the control unit be followed step by step? Idle, ten times a second will do."""
        cruise = self.cruise
        if cruise.state == State.ENGAGED or cruise.plate > 0.0 or cruise.about_to_engage:
            return True
        power, set_, resume = self._panel
        return (
            power.hand
            or set_.hand
            or resume.hand
            or any(line.pulses or line.unit_pulses for line in self._panel)
        )

    def _unit(self, inputs: Inputs, t_s: float, step_s: float) -> None:
        """Show the control unit what it senses; note when it takes hold or lets go."""
        cruise, spec = self.cruise, self.model.cruise
        if spec.maximum_kmh <= 0.0:
            return
        sensed = self.v * self.sensed_factor() * 3.6 if self.v > 0.8 else 0.0
        if self.ring_ripple:
            turn = 2.0 * math.pi * self.dist_m / self.circumference_m
            sensed *= 1.0 + self.ring_ripple * math.sin(turn)
        inputs.t_s = t_s
        inputs.speed_kmh = self.speed_signal.now(t_s, sensed) if self.speed_signal.all else sensed
        inputs.rpm = self.rpm_signal.now(t_s, self.rpm) if self.rpm_signal.all else self.rpm
        inputs.gear = self.gear
        if self.gear_signal.all:
            inputs.gear = int(self.gear_signal.now(t_s, float(self.gear)))
        inputs.grip_percent = self.rider.grip
        inputs.engine_on = self.engine_on
        inputs.intervention = self.intervention
        if self.spin > 0.0:
            self._spun_at_s = t_s
        inputs.supply_v = self.supply_v
        if self.supply_signal.all:
            inputs.supply_v = self.supply_signal.now(t_s, self.supply_v)
        inputs.stopped_by = self._stopped_by(t_s, spec.debounce_s)
        power, set_, resume = self._panel
        inputs.power = _pressed(power, t_s)
        inputs.set_pressed = _pressed(set_, t_s)
        inputs.resume_pressed = _pressed(resume, t_s)
        self.plate_before = cruise.plate if cruise.engaged else self.plate_before
        was, phase_was, set_was = cruise.state, cruise.phase, cruise.set_kmh
        cruise.step(inputs, step_s)
        if cruise.state != was:
            self._changed(was, cruise.state, t_s + STEP_S)
        if cruise.engaged and (cruise.phase != phase_was or was != State.ENGAGED):
            self.record.phases.append((t_s, str(cruise.phase)))
        if cruise.memory and cruise.set_kmh != set_was:
            self.record.set_kmh.append((t_s, cruise.set_kmh))

    def _stopped_by(self, t_s: float, debounce_s: float) -> str:
        """The first input that says "no" in this step; "" where all say yes."""
        for line in self._cancelling:
            if (line.hand or line.pulses or line.unit_pulses) and line.seen_by_unit(
                t_s, STEP_S, debounce_s
            ):
                return line.name if line.name != "switch_cancel" else "cancel_switch"
        if self.lines["run_off"].hand:
            return "engine_off"
        return "side_stand" if self.lines["side_stand"].hand else ""

    @property
    def unit_takes_s(self) -> float:
        """Longest time from an input to disengaging for a unit of this model in order."""
        spec = self.model.cruise
        return spec.latency_s + spec.debounce_s + STEP_S

    def overlaps(self, line: str, *, longer_than_s: float) -> list[Interval]:
        """When a control was operated while cruise was engaged, longer than so many seconds."""
        both = []
        for on_s, off_s in self.lines[line].hand_s:
            for start_s, end_s in self.record.engaged_s:
                first, last = max(on_s, start_s), min(off_s, end_s)
                if last - first > longer_than_s:
                    both.append((first, last))
        return both

    def sensed_factor(self) -> float:
        """What the unit's speed sensor reads, as a factor on the true speed."""
        if self.model.taken_from == "front_wheel":
            return self._front_factor
        return self._rear_factor * (1.0 + self.slip + self.spin) / self.tyre_factor

    def _changed(self, was: State, now: State, t_s: float) -> None:
        if now == State.ENGAGED:
            self._engaged_since_s = t_s
            self.record.engaged_by.append((t_s, self.cruise.engage_cause))
        elif was == State.ENGAGED:
            self.record.engaged_s.append((self._engaged_since_s, t_s))
            self.record.let_go.append(self._why(t_s))
        if was == State.OFF:
            self._armed_since_s = t_s
        elif now == State.OFF:
            self.record.armed_s.append((self._armed_since_s, t_s))
            self.record.set_kmh.append((t_s, math.nan))

    def _why(self, t_s: float) -> LetGo:
        """What was behind the end of an engagement: a hand, a planted fault, or the road."""
        cause = self.cruise.cause
        line_name = {"cancel_switch": "switch_cancel", "power_switch": "switch_power"}.get(
            cause, cause
        )
        line = self.lines.get(line_name)
        if line is not None and line.hand:
            return LetGo(t_s, cause, True, "", t_s, t_s, line_name)
        if line is not None and line.hand_s and line.hand_s[-1][1] > t_s - 0.5:
            return LetGo(t_s, cause, True, "", *line.hand_s[-1], line_name)
        for event in reversed(self.record.events):
            near = event.start_s <= t_s + 0.02 and event.end_s > t_s - 1.2
            spun = cause in ("speed_jump", "engine_flare") and t_s - self._spun_at_s < 1.0
            if near and not spun and _may_be_behind(cause, event):
                return LetGo(t_s, cause, False, event.fault, event.start_s, event.end_s, event.line)
            if event.end_s < t_s - 20.0:
                break
        return LetGo(t_s, cause, False, "", t_s, t_s, line_name if line is not None else "")

    def _remember(self, t_s: float) -> None:
        self.record.track.append(
            (
                t_s,
                self.v,
                self._rear_factor * (1.0 + self.slip + self.spin),
                self._front_factor,
                self.rpm,
                self.gear,
                self.plate,
                self.rider.grip,
                self.front_mps2,
                self.rear_mps2 + self.extra_drag_mps2,
                self.lean,
                self.slope,
                self.accel,
                self.dist_m,
                self.supply_v,
                self.coolant_c,
                self.cruise.plate,
                self.extra_slope,
            )
        )

    def _finish(self, actors: "list[Actor]") -> None:
        end_s = self.t_s + STEP_S
        for line in self.lines.values():
            line.finish(end_s)
        if self.cruise.engaged:
            self.record.engaged_s.append((self._engaged_since_s, end_s))
        if self.cruise.armed:
            self.record.armed_s.append((self._armed_since_s, end_s))
        for actor in actors:
            actor.end(self, end_s)


NO_FAULTS = {"engine_off", "intervention", "override_limit"}
"""Causes that no planted fault brings about: fuel, run switch, traction control, the rider."""


def _may_be_behind(cause: str, event: FaultEvent) -> bool:
    """May a planted fault that shows now be what the unit acted on?"""
    if event.line == "supply_voltage":
        return cause in ("supply", "unit")
    return cause not in NO_FAULTS


def _pressed(line: Line, t_s: float) -> bool:
    touched = line.hand or bool(line.pulses) or bool(line.unit_pulses)
    return touched and line.seen_by_unit(t_s, STEP_S, 0.02)


class Actor:
    """Anything that acts on a ride besides the rider: a fault or an incident."""

    def begin(self, ride: Riding) -> None:
        """Called once before the first step."""

    def tick(self, ride: Riding, t_s: float) -> None:
        """Called ten times a second."""

    def end(self, ride: Riding, t_s: float) -> None:
        """Called once after the last step."""


__all__ = ["Actor", "FaultEvent", "LetGo", "Phase", "Riding", "Telling"]
