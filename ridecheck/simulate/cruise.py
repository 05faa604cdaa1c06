"""The cruise control of a simulated bike: states, permissions, speed control, actuator."""

from dataclasses import dataclass
from enum import IntEnum, StrEnum

from ridecheck.simulate.spec import CruiseSpec

RESUMES_WITHIN_S = 25.0
"""A resume that has not come near the stored speed after this long is given up."""


class State(IntEnum):
    """What the control unit is doing."""

    OFF = 0
    ARMED = 1
    ENGAGED = 2
    SUSPENDED = 3
    LATCHED = 4


class Phase(StrEnum):
    """What it does while engaged."""

    HOLD = "hold"
    OVERRIDE = "override"
    ACCELERATE = "accelerate"
    COAST = "coast"
    RESUMING = "resuming"


@dataclass(slots=True)
class Inputs:
    """What the control unit is reported in one step. Speeds as it senses them."""

    t_s: float = 0.0
    speed_kmh: float = 0.0
    rpm: float = 0.0
    gear: int = 0
    grip_percent: float = 0.0
    power: bool = False
    set_pressed: bool = False
    resume_pressed: bool = False
    engine_on: bool = True
    intervention: bool = False
    supply_v: float = 14.0
    stopped_by: str = ""


@dataclass(slots=True)
class Faultiness:
    """What is wrong with the unit or its actuator; all zero and False when in order."""

    deaf: bool = False
    ignores_buttons: bool = False
    ignores_brakes: bool = False
    reset_at_s: float = -1.0
    main_off_at_s: float = -1.0
    drop_at_s: float = -1.0
    self_engage_at_s: float = -1.0
    engage_delay_s: float = 0.0
    leak_percent_per_s: float = 0.0
    extra_slack_percent: float = 0.0
    gain: float = 1.0
    integral_gain: float = 1.0
    sticks_open: bool = False
    swaps_resume: bool = False
    hold_bias_kmh: float = 0.0
    weak_limit_percent: float = 100.0


class CruiseControl:
    """One control unit with its actuator. step() once a step; read state, phase, plate.

    short_percent: how much less a leaking actuator can pull than the control asks.
    """

    def __init__(self, spec: CruiseSpec) -> None:
        self.spec = spec
        self.fault = Faultiness()
        self.state = State.OFF
        self.phase = Phase.HOLD
        self.set_kmh = 0.0
        self.memory = False
        self.plate = 0.0
        self.demand = 0.0
        self.integral = 0.0
        self.cause = ""
        self.engage_cause = ""
        self._stop_at_s = -1.0
        self._stop_cause = ""
        self._engage_at_s = -1.0
        self._engage_by = ""
        self._set_since_s = -1.0
        self._resume_since_s = -1.0
        self._power_was = False
        self._far_since_s = -1.0
        self._fast_since_s = -1.0
        self._override_since_s = -1.0
        self._speed_was_kmh = 0.0
        self._rpm_was = 0.0
        self._engaged_at_s = 0.0
        self._vacuum = 0.0
        self.short_percent = 0.0

    @property
    def engaged(self) -> bool:
        """Is it holding?"""
        return self.state == State.ENGAGED

    @property
    def about_to_engage(self) -> bool:
        """Has a button been taken, and will it hold in a moment? Or is one still down?"""
        return self._engage_at_s >= 0.0 or self._set_since_s >= 0.0 or self._resume_since_s >= 0.0

    @property
    def armed(self) -> bool:
        """Is the main switch's lamp on?"""
        return self.state != State.OFF

    def step(self, said: Inputs, step_s: float) -> None:
        """Take in one step's inputs, change state, move the actuator."""
        t_s = said.t_s
        fault = self.fault
        if said.power and not self._power_was:
            self._main_switch(t_s)
        self._power_was = said.power
        if said.supply_v < 9.5 or (0.0 <= fault.reset_at_s <= t_s):
            fault.reset_at_s = -1.0
            if self.state != State.OFF:
                self._let_go("supply")
                self.state, self.memory = State.OFF, False
        if 0.0 <= fault.main_off_at_s <= t_s:
            fault.main_off_at_s = -1.0
            self._let_go("power_switch")
            self.state, self.memory = State.OFF, False
        if 0.0 <= fault.drop_at_s <= t_s:
            fault.drop_at_s = -1.0
            if self.engaged:
                self._let_go("unit")
        if self.engaged:
            self._watch(said, step_s)
        elif self.state in (State.ARMED, State.SUSPENDED):
            self._listen(said)
        if self.engaged:
            self._buttons_engaged(said, step_s)
            self._control(said, step_s)
        elif not fault.sticks_open:
            self.plate = max(0.0, self.plate - 90.0 * step_s)
        self._speed_was_kmh += (said.speed_kmh - self._speed_was_kmh) * min(1.0, step_s / 0.12)
        self._rpm_was += (said.rpm - self._rpm_was) * min(1.0, step_s / 0.4)

    def _main_switch(self, t_s: float) -> None:
        if self.state == State.OFF:
            if not self.fault.deaf:
                self.state = State.ARMED
            return
        if self.engaged:
            self._stop_soon(t_s, "power_switch")
        else:
            self.state, self.memory = State.OFF, False

    def _stop_soon(self, t_s: float, cause: str) -> None:
        if self._stop_at_s < 0.0:
            self._stop_at_s = t_s + self.spec.latency_s
            self._stop_cause = cause

    def _let_go(self, cause: str) -> None:
        if self.engaged:
            self.cause = cause
            self.state = State.SUSPENDED
        self._stop_at_s = -1.0
        self._set_since_s = self._resume_since_s = -1.0

    def _watch(self, said: Inputs, step_s: float) -> None:
        """Permissions while holding; the first "no" ends it after the latency."""
        spec, t_s = self.spec, said.t_s
        stopped_by = said.stopped_by
        if self.fault.ignores_brakes and stopped_by in ("front_brake", "rear_brake"):
            stopped_by = ""
        if stopped_by:
            self._stop_soon(t_s, stopped_by)
        elif not said.engine_on:
            self._stop_soon(t_s, "engine_off")
        elif said.intervention:
            self._stop_soon(t_s, "intervention")
        elif said.gear == 0:
            self._stop_soon(t_s, "gear_change")
        elif abs(said.speed_kmh - self._speed_was_kmh) > 10.0:
            self._stop_soon(t_s, "speed_jump" if said.speed_kmh > 5.0 else "signal_lost")
        elif said.rpm - self._rpm_was > 900.0:
            self._stop_soon(t_s, "engine_flare")
        elif said.speed_kmh < spec.minimum_kmh - 4.0:
            self._stop_soon(t_s, "below_minimum")
        elif said.speed_kmh > spec.maximum_kmh + 12.0:
            self._stop_soon(t_s, "above_maximum")
        self._watch_slow(said)
        if 0.0 <= self._stop_at_s <= t_s + step_s:
            by_switch = self._stop_cause == "power_switch"
            self._let_go(self._stop_cause)
            if by_switch:
                self.state, self.memory = State.OFF, False

    def _watch_slow(self, said: Inputs) -> None:
        spec, t_s = self.spec, said.t_s
        on_the_way = self.phase == Phase.RESUMING and t_s - self._engaged_at_s < RESUMES_WITHIN_S
        far = said.speed_kmh < self.set_kmh - spec.far_from_set_kmh and not on_the_way
        self._far_since_s = (self._far_since_s if self._far_since_s >= 0 else t_s) if far else -1.0
        if far and t_s - self._far_since_s > 0.6:
            self._stop_soon(t_s, "far_from_set_speed")
        if self.phase == Phase.OVERRIDE:
            if self._override_since_s < 0:
                self._override_since_s = t_s
            if t_s - self._override_since_s > spec.override_limit_s:
                self._stop_soon(t_s, "override_limit")
        else:
            self._override_since_s = -1.0

    def _may_engage(self, said: Inputs) -> bool:
        spec = self.spec
        return (
            not self.fault.deaf
            and not said.stopped_by
            and said.engine_on
            and not said.intervention
            and said.gear >= spec.lowest_gear
            and spec.minimum_kmh <= said.speed_kmh <= spec.maximum_kmh
        )

    def _listen(self, said: Inputs) -> None:
        """Buttons while armed or suspended: set on release, resume on press."""
        t_s = said.t_s
        fault = self.fault
        if 0.0 <= fault.self_engage_at_s <= t_s:
            fault.self_engage_at_s = -1.0
            if self._may_engage(said):
                self._engage(said, "itself", new_set=True)
                return
        if self._engage_at_s >= 0.0:
            if t_s >= self._engage_at_s:
                self._engage_at_s = -1.0
                if self._may_engage(said):
                    self._engage(said, self._engage_by, new_set=self._engage_by == "set")
            return
        if fault.ignores_buttons:
            return
        delay_s = 0.08 + fault.engage_delay_s
        if said.set_pressed and self._set_since_s < 0.0:
            self._set_since_s = t_s
        elif not said.set_pressed and self._set_since_s >= 0.0:
            self._set_since_s = -1.0
            self._engage_at_s, self._engage_by = t_s + delay_s, "set"
        elif said.resume_pressed and self._resume_since_s < 0.0:
            self._resume_since_s = t_s
            if self.memory and not fault.swaps_resume:
                self._engage_at_s, self._engage_by = t_s + delay_s, "resume"
        elif not said.resume_pressed:
            self._resume_since_s = -1.0

    def _engage(self, said: Inputs, by: str, *, new_set: bool) -> None:
        self.state = State.ENGAGED
        self.engage_cause = by
        if new_set or not self.memory:
            self.set_kmh = said.speed_kmh
        self.memory = True
        error = self.set_kmh - said.speed_kmh
        self.phase = Phase.RESUMING if abs(error) > 3.0 else Phase.HOLD
        self.integral = min(self.spec.limit_percent, said.grip_percent)
        self.demand = self.integral
        self.plate = max(0.0, self.integral - self.spec.slack_percent)
        self.plate -= self.fault.extra_slack_percent
        self._vacuum, self.short_percent = self.demand + 2.0, 0.0
        self._stop_at_s = self._far_since_s = self._override_since_s = -1.0
        self._set_since_s = self._resume_since_s = -1.0
        self._engaged_at_s = said.t_s

    def _buttons_engaged(self, said: Inputs, step_s: float) -> None:
        t_s, spec = said.t_s, self.spec
        if said.set_pressed:
            if self._set_since_s < 0.0:
                self._set_since_s = t_s
            elif t_s - self._set_since_s > 0.6:
                self.phase = Phase.COAST
                self.set_kmh = said.speed_kmh
        elif self._set_since_s >= 0.0:
            if t_s - self._set_since_s <= 0.6:
                self.set_kmh -= spec.step_kmh
            elif self.phase == Phase.COAST:
                self.set_kmh = said.speed_kmh
                self.integral = max(self.integral, said.grip_percent)
            self.phase, self._set_since_s = Phase.RESUMING, -1.0
        if said.resume_pressed:
            if self._resume_since_s < 0.0:
                self._resume_since_s = t_s
                if self.fault.swaps_resume:
                    self._stop_soon(t_s, "unit")
            elif t_s - self._resume_since_s > 0.6:
                self.phase = Phase.ACCELERATE
                self.set_kmh += 3.2 * step_s
        elif self._resume_since_s >= 0.0:
            if t_s - self._resume_since_s <= 0.6:
                self.set_kmh += spec.step_kmh
            self.phase, self._resume_since_s = Phase.RESUMING, -1.0

    def _control(self, said: Inputs, step_s: float) -> None:
        """Proportional and integral action on the speed error, then the actuator."""
        spec, fault = self.spec, self.fault
        error = self.set_kmh + fault.hold_bias_kmh - said.speed_kmh
        pushed = said.grip_percent > self.plate + 1.5 and said.grip_percent > 2.0
        if pushed and error < -1.0 and self.phase in (Phase.HOLD, Phase.RESUMING, Phase.OVERRIDE):
            self.phase = Phase.OVERRIDE
        elif self.phase == Phase.OVERRIDE and not pushed:
            self.phase = Phase.RESUMING
        elif self.phase == Phase.RESUMING and abs(error) < 1.0:
            self.phase = Phase.HOLD
        limit = min(spec.limit_percent, fault.weak_limit_percent)
        if self.phase == Phase.COAST:
            target = 0.0
            self.integral += (0.0 - self.integral) * min(1.0, step_s / 1.5)
        else:
            if self.phase != Phase.OVERRIDE:
                wind_up = -12.0 < error < 12.0
                gain = spec.ki * fault.gain * fault.integral_gain * (1.0 if wind_up else 0.3)
                self.integral += gain * max(-8.0, min(8.0, error)) * step_s
                self.integral = max(0.0, min(limit, self.integral))
            near = max(-8.0, min(8.0, error))
            target = max(0.0, min(limit, self.integral + spec.kp * fault.gain * near))
        if fault.leak_percent_per_s:  # what vacuum is left bounds the pull, and it fades
            self._vacuum = max(0.0, self._vacuum - fault.leak_percent_per_s * step_s)
            self.short_percent = max(0.0, target - self._vacuum)
            target = min(target, self._vacuum)
        step = spec.rate_percent_per_s * step_s
        moved = (target - self.demand) * min(1.0, step_s / spec.lag_s)
        self.demand += max(-step, min(step, moved))
        slack = spec.slack_percent + fault.extra_slack_percent
        # backlash: the plate follows the pull, and only lets go after the slack is back
        if self.demand - slack > self.plate:
            self.plate = self.demand - slack
        elif self.demand < self.plate:
            self.plate = self.demand
        self.plate = max(self.plate, -slack)
