"""Faults of brake switches, their wires and the cruise's own brake contact."""

import numpy as np

from ridecheck.core.catalog import BRAKES
from ridecheck.simulate.contacts import Interval, subtract
from ridecheck.simulate.faults.base import About, Fault, planted
from ridecheck.simulate.riding import TRACK, Riding


class Pulses(Fault):
    """A contact that closes by itself for a moment, once or in a burst."""

    line = ""
    length_s = (0.02, 0.1)
    burst = (1, 1)

    def show(self, ride: Riding, t_s: float) -> None:
        """Pulses on the line, unless the control is operated anyway."""
        line = ride.lines[self.line]
        if line.hand:
            return
        start_s = t_s
        for _ in range(int(self.rng.integers(self.burst[0], self.burst[1] + 1))):
            end_s = t_s + self.between(*self.length_s)
            line.pulse(t_s, end_s)
            t_s = end_s + self.between(0.02, 0.12)
        ride.event(self.about.name, start_s, end_s, self.line)
        self.quiet_until_s = end_s + 0.5


@planted
class RearSwitchSetTooEarly(Pulses):
    """No free play: a bump or a heavy boot closes the rear switch for a moment."""

    about = About("rear-switch-set-too-early", "rear_brake_switch", "bump", 1.0, 20.0)
    line = "rear_brake"
    length_s = (0.03, 0.18)


@planted
class RearSwitchStuckOn(Fault):
    """The rear switch does not return: on for minutes while the bike runs on."""

    about = About("rear-switch-stuck-on", "rear_brake_switch", "heat", 150.0, 1.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Stuck for one to three minutes."""
        if ride.v < 10.0 or ride.lines["rear_brake"].hand:
            return
        end_s = t_s + self.between(75.0, 80.0 + 100.0 * self.severity)
        ride.lines["rear_brake"].pulse(t_s, end_s)
        ride.event(self.about.name, t_s, end_s, "rear_brake")
        self.quiet_until_s = end_s + 45.0


@planted
class FrontSwitchChatters(Pulses):
    """A dirty or worn lever switch: short pulses in a row, in one band of vibration."""

    about = About("front-switch-chatters", "front_brake_switch", "vibration", 420.0, 50.0)
    line = "front_brake"
    length_s = (0.01, 0.09)
    burst = (1, 5)


@planted
class FrontContactResistive(Fault):
    """A film on the contact: the line says "on" for seconds with nobody at the lever."""

    about = About("front-contact-resistive", "front_brake_switch", "first_minutes", 90.0, 5.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """On for 4 to 40 s."""
        if ride.lines["front_brake"].hand:
            return
        end_s = t_s + self.between(4.0, 10.0 + 30.0 * self.severity)
        ride.lines["front_brake"].pulse(t_s, end_s)
        ride.event(self.about.name, t_s, end_s, "front_brake")
        self.quiet_until_s = end_s + 10.0


class LetsGoLate(Fault):
    """A control whose contact stays on for a while after it is released."""

    line = ""
    share = 0.5

    def late_s(self, ride: Riding) -> float:
        """How long it stays on this time."""
        return self.between(2.0, 4.0 + 10.0 * self.severity)

    def begin(self, ride: Riding) -> None:
        """Draw the next delay."""
        self._draw(ride)
        self._told = 0
        self._hung: list[Interval] = []

    def _draw(self, ride: Riding) -> None:
        hangs = self.rng.random() < self.share * self.severity * self.trigger(ride)
        ride.lines[self.line].hang_s = self.late_s(ride) if hangs else 0.0

    def tick(self, ride: Riding, t_s: float) -> None:
        """After each use: note the delay, draw the next."""
        line = ride.lines[self.line]
        if len(line.hand_s) == self._told:
            return
        self._told = len(line.hand_s)
        if line.hang_s > 0.0:
            start_s = line.hand_s[-1][1]
            self._hung.append((start_s, start_s + line.hang_s))
            self.hung(ride, start_s + line.hang_s)
        self._draw(ride)

    def hung(self, ride: Riding, until_s: float) -> None:
        """What else happens while it hangs."""

    def end(self, ride: Riding, t_s: float) -> None:
        """Each time it hung: an event until the control is used again.

        While the bike stands, or the control is used again at once, a signal that is on is
        what it should be: no channel shows that.
        """
        track = np.array(ride.record.track)
        at_s, speed = track[:, TRACK.index("t_s")], track[:, TRACK.index("speed_mps")]
        for start_s, until_s in self._hung:
            left = subtract([(start_s, until_s)], ride.lines[self.line].hand_s)
            end_s = left[0][1] if left and left[0][0] == start_s else start_s
            rolls = speed[np.searchsorted(at_s, start_s) : np.searchsorted(at_s, end_s)] > 0.5
            ride.event(
                self.about.name, start_s, max(end_s, start_s), self.line if rolls.any() else ""
            )


@planted
class FrontLeverHangs(LetsGoLate):
    """The lever does not return by itself: the switch stays on until it is flicked out."""

    about = About("front-lever-hangs", "front_brake_switch", "always", 0.0, 5.0)
    line = "front_brake"
    share = 0.45


@planted
class ResidualPressure(LetsGoLate):
    """No free play at the master cylinder: the brake drags on, the longer the hotter."""

    about = About("rear-brake-drags", "rear_brake_switch", "heat", 0.0, 5.0)
    line = "rear_brake"
    share = 1.0

    def late_s(self, ride: Riding) -> float:
        """Grows with heat."""
        return self.between(1.2, 2.0) + 4.0 * self.severity * self.trigger(ride)

    def hung(self, ride: Riding, until_s: float) -> None:
        """The pads drag."""
        ride.extra_drag_mps2 = 0.15
        ride.rider.at(until_s, lambda _: setattr(ride, "extra_drag_mps2", 0.0))


@planted
class RearPressureSwitchHot(Fault):
    """A pressure switch near the exhaust lights the lamp unasked once it is hot."""

    about = About("rear-pressure-switch-hot", "rear_brake_switch", "heat", 200.0, 5.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """On for 5 to 60 s, longer as the ride goes on."""
        if ride.lines["rear_brake"].hand:
            return
        end_s = t_s + self.between(5.0, 12.0 + 3.0 * ride.minutes * self.severity)
        ride.lines["rear_brake"].pulse(t_s, end_s)
        ride.event(self.about.name, t_s, end_s, "rear_brake")
        self.quiet_until_s = end_s + 8.0


@planted
class CruiseContactOpens(Fault):
    """The brake switch's second contact, which only the cruise unit sees, opens by itself."""

    about = About("cruise-contact-opens", "front_brake_switch", "vibration", 520.0, 20.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """The unit sees a brake; no logged line moves."""
        end_s = t_s + self.between(0.02, 0.15)
        ride.lines["front_brake"].unit_pulse(t_s, end_s)
        if ride.cruise.engaged:
            ride.event(self.about.name, t_s, end_s, "")
        self.quiet_until_s = t_s + 5.0


class SwitchDead(Fault):
    """A brake switch that never closes: no lamp, and cruise does not see it. Dangerous."""

    dead: tuple[str, ...] = ()

    def begin(self, ride: Riding) -> None:
        """Dead for good."""
        for name in self.dead:
            ride.lines[name].dead = True

    def end(self, ride: Riding, t_s: float) -> None:
        """Each use of a dead control on a rolling bike that no brake line shows."""
        track = np.array(ride.record.track)
        at_s, speed = track[:, TRACK.index("t_s")], track[:, TRACK.index("speed_mps")]
        used = [span for name in self.dead for span in ride.lines[name].hand_s]
        shown = [span for name in BRAKES for span in ride.lines[name].on_s()]
        for start_s, end_s in subtract(used, shown):
            rolls = speed[np.searchsorted(at_s, start_s) : np.searchsorted(at_s, end_s)] > 0.0
            if rolls.any():
                ride.event(self.about.name, start_s, end_s, "wheel_speed")


@planted
class FrontBrakeSwitchDead(SwitchDead):
    """The front lever lights no lamp and cancels nothing."""

    about = About("front-brake-switch-dead", "front_brake_switch", "always", 0.0, 5.0, True)
    dead = ("front_brake",)


@planted
class RearBrakeSwitchDead(SwitchDead):
    """The rear pedal lights no lamp and cancels nothing."""

    about = About("rear-brake-switch-dead", "rear_brake_switch", "always", 0.0, 5.0, True)
    dead = ("rear_brake",)


@planted
class BrakeLineDead(SwitchDead):
    """Both brake switches on one broken wire."""

    about = About("brake-line-dead", "front_brake_switch", "always", 0.0, 5.0, True)
    dead = ("front_brake", "rear_brake")


@planted
class LampBoxPulses(Fault):
    """A lamp modulator in the brake line: the line flashes through each braking."""

    about = About("lamp-box-pulses", "rear_brake_switch", "always", 0.0, 20.0)

    def begin(self, ride: Riding) -> None:
        """Two to seven flashes a second."""
        self._period_s = 1.0 / self.between(2.0, 7.0)
        self._until_s = 0.0
        self._told_s = -9.0

    def tick(self, ride: Riding, t_s: float) -> None:
        """Cut the line regularly while a brake is used."""
        for name in ("front_brake", "rear_brake"):
            line = ride.lines[name]
            if line.hand and t_s >= self._until_s:
                start_s = t_s + 0.4 * self._period_s
                line.gap(start_s, start_s + 0.5 * self._period_s)
                if t_s > self._told_s + 2.0:
                    ride.event(self.about.name, t_s, t_s + 2.0 * self._period_s, name)
                self._told_s = t_s
                self._until_s = t_s + self._period_s


@planted
class BrakeWireChafed(Pulses):
    """A wire chafed at the steering head touches when the bars are turned, and on bumps."""

    about = About("brake-wire-chafed", "front_brake_switch", "steering", 420.0, 20.0)
    line = "front_brake"
    length_s = (0.03, 0.25)
    burst = (1, 3)


@planted
class FrontBrakeDoesNotCancel(Fault):
    """The cruise does not see the front brake: it pulls on against the lever. Dangerous."""

    about = About("front-brake-does-not-cancel", "front_brake_switch", "always", 0.0, 10.0, True)

    def begin(self, ride: Riding) -> None:
        """Never seen by the unit; the lamp contact is good."""
        ride.lines["front_brake"].dead_to_unit = True

    def end(self, ride: Riding, t_s: float) -> None:
        """Each time it held on under the lever for longer than a unit in order takes."""
        for start_s, end_s in ride.overlaps("front_brake", longer_than_s=ride.unit_takes_s):
            ride.event(self.about.name, start_s, end_s, "front_brake")


@planted
class CruiseHoldsUnderBrakes(Fault):
    """A control unit that now and then does not let go under either brake. Dangerous."""

    about = About("cruise-holds-under-brakes", "control_unit", "heat", 0.0, 10.0, True)
    _was = False

    def tick(self, ride: Riding, t_s: float) -> None:
        """Drawn anew at each engagement."""
        if ride.cruise.engaged and not self._was:
            chance = (0.25 + 0.6 * self.severity) * max(0.3, self.trigger(ride))
            ride.cruise.fault.ignores_brakes = bool(self.rng.random() < chance)
        self._was = ride.cruise.engaged

    def end(self, ride: Riding, t_s: float) -> None:
        """Each time it held on under a brake for longer than a unit in order takes."""
        for line in BRAKES:
            for start_s, end_s in ride.overlaps(line, longer_than_s=ride.unit_takes_s):
                ride.event(self.about.name, start_s, end_s, line)
