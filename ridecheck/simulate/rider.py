"""The rider: follows the road, shifts, brakes, and works the cruise panel."""

import heapq
from collections.abc import Callable
from typing import TYPE_CHECKING

from numpy.random import Generator

from ridecheck.simulate.route import POINT_M, Route
from ridecheck.simulate.spec import RiderHabit

if TYPE_CHECKING:
    from ridecheck.simulate.riding import Riding

REACTION_S = (0.7, 2.2)
"""How long a rider takes to notice that cruise has disengaged by itself."""

NEXT_MOVE_S = 0.35
"""From one act of hand or foot to the next, unless the road forces it (common practice)."""


class Rider:
    """One rider on one ride. tick() ten to forty times a second; hands act through lines."""

    def __init__(self, habit: RiderHabit, route: Route, rng: Generator) -> None:
        self.habit = habit
        self.rng = rng
        self.route = route
        self.allowed = route.allowed_mps.tolist()
        self.free = (route.free_kmh / 3.6).tolist()
        self.cruise_here = route.cruise.tolist()
        self.stops = list(route.stops)
        self.grip = 0.0
        self.brake_mps2 = 0.0
        self.shifting = False
        self._blip = False
        self.launching = False
        self.waiting_until_s = -1.0
        self.arrived = False
        self.acts: list[tuple[float, str]] = []
        self.ignored_presses = 0
        self._todo: list[tuple[float, int, Callable[[float], None]]] = []
        self._count = 0
        self._braking = (False, False)
        self._next_try_s = 6.0
        self._tries = 0
        self._thinks_stored = False
        self._expect_until_s = -1.0
        self._acted_at_s = -10.0
        self._was_engaged = False
        self._next_act_s = 0.0
        self._override_until_s = -1.0
        self._hands_off_until_s = -1.0
        self._shift_after_s = 0.0
        self._brake_hold_s = -1.0
        self._armed_try_s = float(rng.uniform(8.0, 25.0))
        self._hard_until_s = -1.0
        self._fighting_since_s = -1.0
        self._patience_s = float(rng.uniform(2.0, 5.0))
        self._short = float(rng.uniform(0.97, 1.03))

    # ------------------------------------------------------------ doing things at instants

    def at(self, t_s: float, act: Callable[[float], None]) -> None:
        """Do something at an instant."""
        self._count += 1
        heapq.heappush(self._todo, (t_s, self._count, act))

    def run_due(self, t_s: float) -> None:
        """Do what is due."""
        while self._todo and self._todo[0][0] <= t_s:
            due_s, _, act = heapq.heappop(self._todo)
            act(due_s)

    def push(self, ride: "Riding", name: str, t_s: float, length_s: float) -> None:
        """Press a button or touch a control for a while."""
        line = ride.lines[name]
        self.at(t_s, line.press)
        self.at(t_s + length_s, line.release)

    def note(self, t_s: float, what: str) -> None:
        """Remember an act for the truth."""
        self.acts.append((round(t_s, 2), what))

    def hand_acted(self, t_s: float) -> None:
        """The rider knows why cruise disengages now."""
        self._acted_at_s = t_s

    def override(self, until_s: float) -> None:
        """Open the throttle over cruise until an instant."""
        self._override_until_s = until_s

    def brake_hard(self, ride: "Riding", t_s: float, mps2: float, length_s: float) -> None:
        """Brake hard with both controls for a while, whatever the road says."""
        self.grip = 0.0
        self._braking = (True, True)
        ride.lines["front_brake"].press(t_s)
        ride.lines["rear_brake"].press(t_s)
        self.brake_mps2 = mps2
        self._hard_until_s = t_s + length_s
        self._acted_at_s = t_s

    # ------------------------------------------------------------ riding

    def tick(self, ride: "Riding", t_s: float) -> None:
        """Look, decide, move hands and feet."""
        v = ride.v
        at = min(int(ride.dist_m / POINT_M), len(self.allowed) - 2)
        ahead = min(int((ride.dist_m + 0.6 * v + 1.0) / POINT_M), len(self.allowed) - 2)
        if self._waits(ride, t_s):
            return
        if t_s < self._hard_until_s and v > 4.0:
            return
        allowed = self.allowed[ahead] * self._short
        here, next_ = self.allowed[at], self.allowed[at + 1]
        planned = (next_ * next_ - here * here) / (2.0 * POINT_M) if next_ < here else 0.0
        gap = allowed - v
        past_m = ride.dist_m - self.stops[0][0] if self.stops else -100.0
        if past_m > -3.0:  # at the stop line, or a little over it
            wanted, gap = -2.5, -3.0
        elif gap < 0.6 and planned < -0.2:
            wanted = max(-7.5, planned + 1.1 * gap)
        else:
            wanted = max(-4.5, min(self.habit.pull_mps2, 0.55 * gap))
        if self._cruising(ride, t_s, wanted, gap, ahead):
            return
        self._drive(ride, t_s, wanted)

    def _waits(self, ride: "Riding", t_s: float) -> bool:
        """Standing at a stop: hold the brake, find first gear or neutral, wait, go."""
        if self.waiting_until_s >= 0.0:
            if t_s < self.waiting_until_s:
                return True
            self.waiting_until_s = -1.0
            self._release_brakes(ride, t_s)
            self.launching = True
            ride.lines["clutch"].press(t_s)
            ride.select(t_s, 1)
            return False
        if self.stops and ride.v < 1.2 and ride.dist_m > self.stops[0][0] - 14.0:
            _, wait_s = self.stops.pop(0)
            ride.lines["clutch"].press(t_s)
            self.grip = 0.0
            self.brake_mps2 = 2.0
            self._press_brakes(ride, t_s, rear_only=bool(self.rng.random() < 0.5))
            self.waiting_until_s = t_s + wait_s
            if wait_s > 6.0:
                self.at(t_s + 1.5, lambda s: ride.select(s, 0))
                self.at(t_s + 2.1, ride.lines["clutch"].release)
            ride.dist_m = max(ride.dist_m, 0.0)
            if not self.stops:
                self.arrived = True
            return True
        return False

    def _drive(self, ride: "Riding", t_s: float, wanted: float) -> None:
        """Ride by hand: grip for the acceleration wanted, brakes for what closing leaves."""
        if self.launching:
            self._launch(ride, t_s, max(wanted, 0.6))
            return
        force_n = ride.force_for(wanted)
        ratio = ride.ratio()
        closed_n = -ride.engine.drag(ride.rpm) * ratio / ride.radius_m if ratio else 0.0
        short_mps2 = (closed_n - force_n) / ride.mass_kg
        if short_mps2 > (0.12 if self.brake_mps2 > 0.0 else 0.45):
            self.grip = 0.0
            if self.brake_mps2 <= 0.0:
                self._press_brakes(ride, t_s)
                self._brake_hold_s = t_s + float(self.rng.uniform(0.35, 0.8))
            self.brake_mps2 = max(0.2, short_mps2)
        elif self.brake_mps2 > 0.0:
            if t_s >= self._brake_hold_s:
                self._release_brakes(ride, t_s)
            else:
                self.brake_mps2 = max(0.15, short_mps2)
        elif self.shifting:
            if self._blip:
                wheel_rpm = ride.v / ride.circumference_m * ride.ratios[ride.gear - 1] * 60.0
                catch_up = 0.04 * (wheel_rpm + 60.0 - ride.rpm)
                self.grip = min(60.0, ride.engine.throttle_for(catch_up, ride.rpm))
        elif ratio:
            torque = force_n * ride.radius_m / ratio / 0.93
            opening = ride.engine.throttle_for(torque, max(ride.rpm, ride.engine.idle_rpm))
            self.grip += (opening - self.grip) * 0.35
        if ride.lines["roll_off"].hand:
            self.grip = 0.0  # it cannot be past closed and open
        self._gears(ride, t_s, wanted)

    def _press_brakes(self, ride: "Riding", t_s: float, *, rear_only: bool = False) -> None:
        front, both, _ = self.habit.brakes
        draw = float(self.rng.random())
        use_front = not rear_only and draw < front + both
        use_rear = rear_only or draw >= front
        self._braking = (use_front, use_rear)
        if use_front:
            ride.lines["front_brake"].press(t_s)
        if use_rear:
            ride.lines["rear_brake"].press(t_s + (0.0 if not use_front else 0.04))
        # closing the grip in haste often turns it past closed
        if use_front and self.rng.random() < 0.25:
            self.push(ride, "roll_off", t_s, float(self.rng.uniform(0.15, 0.6)))
        self._acted_at_s = t_s

    def _release_brakes(self, ride: "Riding", t_s: float) -> None:
        self.brake_mps2 = 0.0
        ride.lines["front_brake"].release(t_s)
        ride.lines["rear_brake"].release(t_s + 0.01)

    def brakes_with(self, name: str) -> bool:
        """Is the rider braking with this control now?"""
        front, rear = self._braking
        return self.brake_mps2 > 0.0 and (front if name == "front_brake" else rear)

    @property
    def front_share(self) -> float:
        """Share of the braking done in front."""
        front, rear = self._braking
        return 0.72 if front and rear else 1.0 if front else 0.0

    def _launch(self, ride: "Riding", t_s: float, wanted: float) -> None:
        """Slip the clutch until the wheel has caught up with the engine."""
        ratio = ride.ratio()
        if not ratio:
            ride.lines["clutch"].press(t_s)
            ride.select(t_s, 1)
            return
        torque = ride.force_for(min(wanted, 1.8)) * ride.radius_m / ratio / 0.93
        ride.clutch_share = max(0.0, min(1.0, torque / ride.clutch_nm))
        lift = 0.02 * (ride.engine.idle_rpm * 1.7 - ride.rpm)
        self.grip = ride.engine.throttle_for(torque + lift, ride.rpm)
        if ride.locked and ride.v > 1.5:
            self.launching = False
            ride.lines["clutch"].release(t_s)
            self._shift_after_s = t_s + 0.5

    def _gears(self, ride: "Riding", t_s: float, wanted: float) -> None:
        if self.shifting or t_s < self._shift_after_s:
            return
        gears = len(ride.ratios)
        gear, rpm, engine = ride.gear, ride.rpm, ride.engine
        clutch = ride.lines["clutch"]
        if gear == 0 or clutch.hand:
            if wanted > 0.0 or ride.v > 4.0:
                best = ride.gear_for(engine.idle_rpm * 2.3)
                if ride.v < 2.0:
                    self.launching = True
                    ride.select(t_s, 1)
                else:
                    ride.select(t_s, best)
                    self.at(t_s + 0.25, clutch.release)
                    self._shift_after_s = t_s + 0.8
            elif ride.v < 3.0 and gear > 1:
                ride.select(t_s, gear - 1)
                self._shift_after_s = t_s + 0.25
            return
        if ride.v < 3.2 and wanted < 0.0 and rpm < engine.idle_rpm * 1.35:
            clutch.press(t_s)
            return
        climb = rpm * ride.ratios[min(gear, gears - 1)] / ride.ratios[gear - 1]
        relaxed = wanted < 0.5 and climb > engine.idle_rpm * 2.1
        hurried = rpm > engine.redline_rpm * (self.habit.shift_rpm_share + 0.06 * max(0.0, wanted))
        if gear < gears and wanted > -0.4 and (relaxed or hurried):
            self.shift(ride, t_s, gear + 1)
        elif (gear > 1 and rpm < engine.idle_rpm * (1.75 if wanted < 0.3 else 2.0)) or (
            gear > 2 and wanted > 0.9 and self.grip > 75.0 and rpm < engine.peak_rpm * 0.7
        ):
            self.shift(ride, t_s, gear - 1)

    def shift(self, ride: "Riding", t_s: float, gear: int) -> None:
        """Change gear: clutch in, grip shut (a blip going down), gear, clutch out."""
        self.shifting = True
        up = gear > ride.gear
        if up:
            self.grip = 0.0
        length_s = self.habit.shift_s * float(self.rng.uniform(0.8, 1.3))
        ride.lines["clutch"].press(t_s)
        self._acted_at_s = t_s

        def engage(s: float) -> None:
            ride.select(s, gear)
            self._blip = not up

        def out(s: float) -> None:
            ride.lines["clutch"].release(s)
            self.shifting = self._blip = False
            self._shift_after_s = s + 0.7

        self.at(t_s + 0.4 * length_s, engage)
        self.at(t_s + length_s, out)

    # ------------------------------------------------------------ cruise

    def _cruising(self, ride: "Riding", t_s: float, wanted: float, gap: float, ahead: int) -> bool:
        """Work the panel; True while cruise does the riding."""
        cruise = ride.cruise
        if not self.habit.uses_cruise or ride.model.cruise.maximum_kmh <= 0.0:
            return False
        engaged = cruise.engaged
        if engaged and not self._was_engaged:
            self._tries = 0
            self._thinks_stored = True
            self._next_act_s = t_s + 4.0 + float(self.rng.exponential(self.habit.acts_every_s))
            self._expect_until_s = -1.0
        if self._was_engaged and not engaged:
            self._on_let_go(ride, t_s)
        self._was_engaged = engaged
        if engaged:
            return self._while_engaged(ride, t_s, wanted, gap)
        if t_s < self._hands_off_until_s and self.brake_mps2 <= 0.0 and gap > -2.0:
            self.grip = 0.0
            return True
        if 0.0 <= self._expect_until_s < t_s:
            self._expect_until_s = -1.0
            self._thinks_stored = cruise.memory  # a look at the display shows
            self.ignored_presses += 1
            self._tries += 1
            pause_s = 50.0 if self._tries % 4 == 0 else 2.0
            self._next_try_s = t_s + pause_s * float(self.rng.uniform(0.7, 1.6))
        self._try_engage(ride, t_s, ahead)
        return False

    def _on_let_go(self, ride: "Riding", t_s: float) -> None:
        if t_s - self._acted_at_s > 1.6:  # not the rider's doing
            pause_s = float(self.rng.uniform(*REACTION_S))
            self._hands_off_until_s = t_s + pause_s
            if self.rng.random() < 0.85:
                self._next_try_s = t_s + pause_s + float(self.rng.uniform(0.2, 2.5))
            else:
                self._next_try_s = t_s + float(self.rng.uniform(15.0, 50.0))
            if self.rng.random() < self.habit.marker_after_surprise:
                self.push(ride, "marker", t_s + pause_s + 1.0, 0.4)
        else:
            self._hands_off_until_s = t_s + NEXT_MOVE_S
            self._next_try_s = t_s + float(self.rng.uniform(5.0, 26.0))

    def _try_engage(self, ride: "Riding", t_s: float, ahead: int) -> None:
        cruise, spec = ride.cruise, ride.model.cruise
        if not cruise.armed:
            self._thinks_stored = False
            if t_s > self._armed_try_s:
                self.push(ride, "switch_power", t_s, float(self.rng.uniform(0.2, 0.6)))
                self.note(t_s, "main switch pressed")
                self._armed_try_s = t_s + float(self.rng.uniform(2.0, 6.0))
            return
        if t_s < self._next_try_s or self._expect_until_s >= 0.0 or self._todo:
            return
        far = min(ahead + int(5.0 * ride.v / POINT_M) + 1, len(self.allowed) - 1)
        calm = (
            self.cruise_here[ahead]
            and self.brake_mps2 <= 0.0
            and self.allowed[far] > ride.v - 2.0
            and ride.gear >= max(spec.lowest_gear, len(ride.ratios) - 1)
            and spec.minimum_kmh + 4.0 < ride.v * 3.6 < spec.maximum_kmh - 2.0
        )
        if not calm:
            return
        wish_kmh = self.free[ahead] * 3.6
        press_s = float(self.rng.uniform(0.14, 0.42))
        close = abs(ride.v * 3.6 - wish_kmh) < 5.0
        stored = self._thinks_stored and abs(cruise.set_kmh - wish_kmh) < 9.0
        if (
            stored
            and ride.v * 3.6 > cruise.set_kmh - 14.0
            and self.rng.random() < self.habit.resumes
        ):
            name = "switch_resume"
        elif close:
            name = "switch_set"
        else:
            self._next_try_s = t_s + 1.0
            return
        self.push(ride, name, t_s, press_s)
        self.note(t_s, "resume pressed" if name == "switch_resume" else "set pressed")
        self._expect_until_s = t_s + press_s + 2.0

    def _while_engaged(self, ride: "Riding", t_s: float, wanted: float, gap: float) -> bool:
        if self.brake_mps2 > 0.0:
            self._fight(ride, t_s, wanted)
            return True
        self._fighting_since_s = -1.0
        if gap < -1.2 and wanted < -0.45 and t_s - self._acted_at_s > 1.5:
            self._slow_down(ride, t_s, wanted)
            return True
        if t_s < self._override_until_s:
            force_n = ride.force_for(0.7)
            ratio = ride.ratio()
            if ratio:
                torque = force_n * ride.radius_m / ratio / 0.93
                opening = ride.engine.throttle_for(torque, ride.rpm)
                self.grip += (opening - self.grip) * 0.25
            return True
        self.grip = max(0.0, self.grip - 4.0)
        if t_s >= self._next_act_s and gap > -0.8:
            self._act(ride, t_s)
            self._next_act_s = t_s + 6.0 + float(self.rng.exponential(self.habit.acts_every_s))
        if ride.rpm < ride.engine.idle_rpm * 1.6 and ride.gear > 1 and not self.shifting:
            self.shift(ride, t_s, ride.gear - 1)
        return True

    def _fight(self, ride: "Riding", t_s: float, wanted: float) -> None:
        """Braking, and it has not let go (yet): pull harder, at last pull the clutch."""
        self.grip = 0.0
        if self._fighting_since_s < 0.0:
            self._fighting_since_s = t_s
        fought_s = t_s - self._fighting_since_s
        if fought_s > 0.5:
            self.brake_mps2 = min(8.0, max(self.brake_mps2, 0.8) + 0.12)
        else:
            self._drive(ride, t_s, min(wanted, -0.8))
        if fought_s > self._patience_s:
            self.push(ride, "clutch", t_s, 1.2)
            self.note(t_s, "pulls the clutch against cruise")
            self._fighting_since_s = t_s

    def _slow_down(self, ride: "Riding", t_s: float, wanted: float) -> None:
        """Something is ahead: most brake, some roll the grip off, some use the panel."""
        draw = float(self.rng.random())
        self._acted_at_s = t_s
        if wanted < -1.3 or draw < 0.55:
            self._press_brakes(ride, t_s)
            self.brake_mps2 = max(0.6, -wanted)
            self._brake_hold_s = t_s + float(self.rng.uniform(0.4, 0.9))
            self.note(t_s, "brakes")
        elif draw < 0.55 + self.habit.flicks_share:
            self.push(ride, "roll_off", t_s, float(self.rng.uniform(0.2, 0.7)))
            self.note(t_s, "rolls the grip off")
        elif draw < 0.9 and self.habit.uses_panel_cancel and "cancel" in ride.model.cruise.panel:
            self.push(ride, "switch_cancel", t_s, float(self.rng.uniform(0.15, 0.4)))
            self.note(t_s, "presses cancel")
        elif draw < 0.94:
            self.push(ride, "switch_power", t_s, float(self.rng.uniform(0.2, 0.5)))
            self._armed_try_s = t_s + float(self.rng.uniform(8.0, 25.0))
            self.note(t_s, "switches cruise off")
        else:
            self.push(ride, "clutch", t_s, float(self.rng.uniform(0.6, 1.4)))
            self.note(t_s, "pulls the clutch")

    def _act(self, ride: "Riding", t_s: float) -> None:
        """Something a rider does of free will while cruise holds."""
        self._acted_at_s = t_s
        draw = float(self.rng.random())
        if draw < 0.22:
            self._override_until_s = t_s + float(self.rng.uniform(4.0, 11.0))
            self.note(t_s, "opens the throttle over cruise")
        elif draw < 0.38:
            self.push(ride, "switch_resume", t_s, float(self.rng.uniform(0.12, 0.3)))
            self.note(t_s, "one step up")
        elif draw < 0.52:
            self.push(ride, "switch_set", t_s, float(self.rng.uniform(0.12, 0.3)))
            self.note(t_s, "one step down")
        elif draw < 0.58:
            self.push(ride, "switch_resume", t_s, float(self.rng.uniform(1.2, 2.6)))
            self.note(t_s, "holds accelerate")
        elif draw < 0.64:
            self.push(ride, "switch_set", t_s, float(self.rng.uniform(1.2, 2.6)))
            self.note(t_s, "holds coast")
        elif draw < 0.78:
            self._press_brakes(ride, t_s)
            self.brake_mps2 = 0.9
            self._brake_hold_s = t_s + float(self.rng.uniform(0.5, 1.2))
            self.note(t_s, "brakes lightly")
        elif draw < 0.88:
            self.push(ride, "roll_off", t_s, float(self.rng.uniform(0.2, 0.6)))
            self.note(t_s, "rolls the grip off")
        elif draw < 0.94 and self.habit.uses_panel_cancel and "cancel" in ride.model.cruise.panel:
            self.push(ride, "switch_cancel", t_s, float(self.rng.uniform(0.15, 0.4)))
            self.note(t_s, "presses cancel")
        else:
            self.push(ride, "clutch", t_s, float(self.rng.uniform(0.6, 1.2)))
            self.note(t_s, "pulls the clutch")
