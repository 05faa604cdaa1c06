"""Odd things that happen on rides of healthy bikes and look like faults.

Each is an actor named in RidePlan.incidents. What a rider's hand or foot does is done by
the hand: the truth calls it so.
"""

from typing import ClassVar

from numpy.random import Generator

from ridecheck.simulate.physics import GRAVITY_MPS2
from ridecheck.simulate.riding import STEP_S, TICK_STEPS, Actor, Riding

TICK_S = STEP_S * TICK_STEPS


class Incident(Actor):
    """Something that befalls a ride a few times an hour. per_h: mean number, engaged or not."""

    name: ClassVar[str] = ""
    per_h: ClassVar[float] = 30.0
    quiet_s: ClassVar[float] = 20.0

    def __init__(self, rng: Generator) -> None:
        self.rng = rng
        self._quiet_until_s = 10.0

    def tick(self, ride: Riding, t_s: float) -> None:
        """Draw whether it happens now."""
        if t_s < self._quiet_until_s or self.rng.random() > self.per_h * TICK_S / 3600.0:
            return
        if self.fits(ride) and self.happen(ride, t_s):
            ride.record.incidents.append((round(t_s, 2), self.name))
            self._quiet_until_s = t_s + self.quiet_s

    def fits(self, ride: Riding) -> bool:
        """May it happen here?"""
        return ride.v > 8.0

    def happen(self, ride: Riding, t_s: float) -> bool:
        """Make it happen; False where it could not after all."""
        raise AssertionError("an incident says what happens")

    def touch(self, ride: Riding, name: str, t_s: float, length_s: float) -> None:
        """A hand or foot on a brake for a while; braking that began meanwhile keeps it."""
        line = ride.lines[name]

        def let_go(s: float) -> None:
            if not ride.rider.brakes_with(name):
                line.release(s)

        ride.rider.at(t_s, line.press)
        ride.rider.at(t_s + length_s, let_go)

    def between(self, low: float, high: float) -> float:
        """A draw between two values."""
        return float(self.rng.uniform(low, high))


INCIDENTS: dict[str, type[Incident]] = {}


def incident(kind: type[Incident]) -> type[Incident]:
    """Class decorator: an incident that can be named in a plan."""
    INCIDENTS[kind.name] = kind
    return kind


@incident
class FingersOnLever(Incident):
    """A rider who rests two fingers on the lever: the lamp lights, nothing slows."""

    name = "fingers-on-lever"
    per_h = 24.0

    def happen(self, ride: Riding, t_s: float) -> bool:
        """The lever moves its switch for 0.1 to 0.9 s."""
        if ride.lines["front_brake"].hand:
            return False
        self.touch(ride, "front_brake", t_s, self.between(0.1, 0.9))
        return True


@incident
class BootOnPedal(Incident):
    """A heavy boot on the pedal: the lamp lights, the pads just touch."""

    name = "boot-on-pedal"
    per_h = 20.0

    def happen(self, ride: Riding, t_s: float) -> bool:
        """The pedal moves its switch for 0.2 to 3 s."""
        if ride.lines["rear_brake"].hand:
            return False
        length_s = self.between(0.2, 3.0)
        self.touch(ride, "rear_brake", t_s, length_s)
        ride.extra_drag_mps2 = 0.12
        ride.rider.at(t_s + length_s, lambda _: setattr(ride, "extra_drag_mps2", 0.0))
        return True


@incident
class GripFlick(Incident):
    """The smooth way to cancel: the grip is flicked past closed and comes back."""

    name = "grip-flick"
    per_h = 60.0

    def fits(self, ride: Riding) -> bool:
        """While cruise holds."""
        return ride.cruise.engaged

    def happen(self, ride: Riding, t_s: float) -> bool:
        """A flick of 0.12 to 0.4 s."""
        ride.rider.push(ride, "roll_off", t_s, self.between(0.12, 0.4))
        ride.rider.hand_acted(t_s)
        return True


@incident
class SteepHill(Incident):
    """A hill that asks all that cruise can give in this gear, or more: speed falls from set."""

    name = "steep-hill"
    per_h = 40.0
    quiet_s = 90.0

    def fits(self, ride: Riding) -> bool:
        """While cruise holds."""
        return ride.cruise.engaged and ride.gear > 2

    def happen(self, ride: Riding, t_s: float) -> bool:
        """Up to fourteen per cent against the wind, for half a minute."""
        limit = ride.model.cruise.limit_percent
        torque = ride.engine.torque_nm(ride.rpm, limit)
        pull_n = torque * ride.ratios[ride.gear - 1] / ride.radius_m * 0.93
        spare_mps2 = (pull_n - ride.force_for(0.0)) / ride.mass_kg
        ride.extra_slope = min(0.14, (spare_mps2 + self.between(0.25, 0.5)) / GRAVITY_MPS2)
        calm_mps = ride.wind_mps
        ride.wind_mps = calm_mps + self.between(3.0, 9.0)
        ride.rider.at(t_s + self.between(20.0, 35.0), lambda _: _over_the_top(ride, calm_mps))
        return True


def _over_the_top(ride: Riding, calm_mps: float) -> None:
    ride.extra_slope = 0.0
    ride.wind_mps = calm_mps


@incident
class LongDownhill(Incident):
    """A slope on which a shut throttle is not enough: speed runs over what was set."""

    name = "long-downhill"
    per_h = 40.0
    quiet_s = 60.0

    def fits(self, ride: Riding) -> bool:
        """While cruise holds."""
        return ride.cruise.engaged

    def happen(self, ride: Riding, t_s: float) -> bool:
        """Ten to fourteen per cent down for 15 to 40 s."""
        ride.extra_slope = -self.between(0.10, 0.15)
        ride.rider.at(t_s + self.between(15.0, 40.0), lambda _: setattr(ride, "extra_slope", 0.0))
        return True


@incident
class LongOverride(Incident):
    """The rider rides faster than cruise for a minute or two, cruise still engaged."""

    name = "long-override"
    per_h = 40.0
    quiet_s = 120.0

    def fits(self, ride: Riding) -> bool:
        """While cruise holds."""
        return ride.cruise.engaged

    def happen(self, ride: Riding, t_s: float) -> bool:
        """Half a minute to two minutes."""
        ride.rider.override(t_s + self.between(30.0, 120.0))
        return True


@incident
class EmergencyStop(Incident):
    """A hard braking, anti-lock at work now and then."""

    name = "emergency-braking"
    per_h = 30.0
    quiet_s = 60.0

    def happen(self, ride: Riding, t_s: float) -> bool:
        """Six to eight m/s2 for a second or more."""
        length_s = self.between(1.0, 1.8)
        ride.rider.brake_hard(ride, t_s, self.between(6.0, 8.0), length_s)
        if ride.raining or self.rng.random() < 0.5:
            start_s = t_s + 0.3
            ride.lines["abs_active"].press(start_s)
            ride.rider.at(t_s + length_s, ride.lines["abs_active"].release)
        return True


@incident
class TractionEvent(Incident):
    """A patch of wet paint: the wheel spins a little, traction control steps in."""

    name = "wheelspin"
    per_h = 40.0

    def fits(self, ride: Riding) -> bool:
        """With some drive on the wheel."""
        return ride.v > 8.0 and ride.plate > 4.0 and ride.locked

    def happen(self, ride: Riding, t_s: float) -> bool:
        """Ten to thirty per cent for 0.3 to 1 s; the unit disengages."""
        length_s = self.between(0.3, 1.0)
        size = self.between(0.10, 0.30)
        ride.rider.at(t_s, lambda _: setattr(ride, "spin", size))
        ride.rider.at(t_s + 0.12, lambda _: setattr(ride, "intervention", True))
        ride.lines["traction_active"].press(t_s + 0.1)
        ride.rider.at(t_s + length_s, lambda s: _grips_again(ride, s))
        ride.rider.hand_acted(t_s)
        return True


def _grips_again(ride: Riding, t_s: float) -> None:
    ride.spin = 0.0
    ride.intervention = False
    ride.lines["traction_active"].release(t_s)


@incident
class FalseNeutral(Incident):
    """A gear that did not go in: neutral at speed, the engine revs up."""

    name = "false-neutral"
    per_h = 40.0
    quiet_s = 60.0

    def fits(self, ride: Riding) -> bool:
        """Riding by hand, in a middle gear."""
        if ride.cruise.engaged:
            return False
        return ride.v > 9.0 and ride.gear > 1 and not ride.rider.shifting and ride.plate > 3.0

    def happen(self, ride: Riding, t_s: float) -> bool:
        """Half a second to one second in neutral, then the clutch and the gear again."""
        gear = ride.gear
        ride.select(t_s, 0)
        back_s = t_s + self.between(0.5, 1.0)
        ride.rider.at(back_s - 0.15, ride.lines["clutch"].press)
        ride.rider.at(back_s, lambda s: ride.select(s, gear))
        ride.rider.at(back_s + 0.35, ride.lines["clutch"].release)
        ride.rider.hand_acted(t_s)
        return True


@incident
class LoadsSwitched(Incident):
    """Heated grips, horn, fan: the supply gives way by a few tenths of a volt."""

    name = "loads-switched"
    per_h = 120.0
    quiet_s = 2.0

    def happen(self, ride: Riding, t_s: float) -> bool:
        """Two to five tenths for 0.3 to 20 s."""
        size = self.between(0.2, 0.5)
        ride.load_v += size
        end_s = t_s + self.between(0.3, 20.0)
        ride.rider.at(end_s, lambda _: setattr(ride, "load_v", ride.load_v - size))
        return True


@incident
class RunSwitch(Incident):
    """The rider stops the engine with the run switch for a moment while rolling."""

    name = "run-switch"
    per_h = 10.0
    quiet_s = 120.0

    def happen(self, ride: Riding, t_s: float) -> bool:
        """Off for one to two seconds; the clutch stays out, so the wheel turns the engine."""
        length_s = self.between(1.0, 2.0)
        ride.rider.push(ride, "run_off", t_s, length_s)
        ride.rider.at(t_s, lambda _: setattr(ride, "engine_on", False))
        ride.rider.at(t_s + length_s, lambda _: setattr(ride, "engine_on", True))
        ride.rider.hand_acted(t_s)
        return True


@incident
class FuelRunsLow(Incident):
    """The engine misses for a second or two on the last of its fuel."""

    name = "fuel-runs-low"
    per_h = 12.0
    quiet_s = 60.0

    def happen(self, ride: Riding, t_s: float) -> bool:
        """No torque for 0.8 to 2.5 s; the unit sees the engine stop."""
        ride.engine_on = False
        ride.rider.at(t_s + self.between(0.8, 2.5), lambda _: setattr(ride, "engine_on", True))
        return True


@incident
class RoughRoad(Incident):
    """A road full of bumps: good switches do not mind."""

    name = "rough-road"
    per_h = 400.0
    quiet_s = 1.0

    def happen(self, ride: Riding, t_s: float) -> bool:
        """One more bump."""
        ride.bump = True
        return True


@incident
class BrakeCovered(Incident):
    """Downhill in town the rider drags the rear brake for a while on purpose.

    Who wants to go faster takes the foot off first: nobody gains speed against his own brake.
    """

    name = "brake-dragged"
    per_h = 12.0
    quiet_s = 60.0
    gains_mps2 = 0.35
    _until_s = -1.0

    def tick(self, ride: Riding, t_s: float) -> None:
        """End a drag that is over, or against which the bike gains speed."""
        super().tick(ride, t_s)
        if self._until_s >= 0.0 and (t_s >= self._until_s or ride.accel > self.gains_mps2):
            self._until_s = -1.0
            if not ride.rider.brakes_with("rear_brake"):
                ride.lines["rear_brake"].release(t_s)
            _lets_go(ride)

    def fits(self, ride: Riding) -> bool:
        """Riding by hand."""
        return ride.v > 8.0 and not ride.cruise.engaged and ride.rider.brake_mps2 <= 0.0

    def happen(self, ride: Riding, t_s: float) -> bool:
        """Light braking down a slope for 8 to 25 s."""
        self._until_s = t_s + self.between(8.0, 25.0)
        ride.extra_slope = -0.07
        ride.lines["rear_brake"].press(t_s)
        ride.extra_drag_mps2 = 0.6
        return True


def _lets_go(ride: Riding) -> None:
    ride.extra_slope = 0.0
    ride.extra_drag_mps2 = 0.0


@incident
class SetWhileNotAllowed(Incident):
    """Set pressed too slow, in a low gear or with the clutch in: rightly ignored."""

    name = "set-while-not-allowed"
    per_h = 60.0

    def fits(self, ride: Riding) -> bool:
        """Below the lowest speed."""
        slow = ride.v * 3.6 < ride.model.cruise.minimum_kmh - 4.0
        return slow and ride.v > 2.0 and ride.cruise.armed and not ride.cruise.engaged

    def happen(self, ride: Riding, t_s: float) -> bool:
        """A press of a quarter of a second."""
        ride.rider.push(ride, "switch_set", t_s, self.between(0.15, 0.4))
        return True
