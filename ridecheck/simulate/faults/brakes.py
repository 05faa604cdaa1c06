"""Faults of brake switches, their wires and the cruise's own brake contact."""

from ridecheck.simulate.faults.base import About, Fault, planted
from ridecheck.simulate.riding import Riding


@planted
class RearSwitchSetTooEarly(Fault):
    """No free play: a bump or a heavy boot closes the rear switch for a moment."""

    about = About("rear-switch-set-too-early", "rear_brake_switch", "bump", 1.0, 20.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """A pulse of 30 to 180 ms, when the foot is not on the pedal anyway."""
        if ride.lines["rear_brake"].hand:
            return
        end_s = t_s + self.between(0.03, 0.18)
        ride.lines["rear_brake"].pulse(t_s, end_s)
        ride.event(self.about.name, t_s, end_s, "rear_brake")


@planted
class RearSwitchStuckOn(Fault):
    """The rear switch does not return: on for minutes while the bike runs on."""

    about = About("rear-switch-stuck-on", "rear_brake_switch", "heat", 60.0, 1.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Stuck for one to three minutes."""
        if ride.v < 10.0 or ride.lines["rear_brake"].hand:
            return
        end_s = t_s + self.between(75.0, 80.0 + 100.0 * self.severity)
        ride.lines["rear_brake"].pulse(t_s, end_s)
        ride.event(self.about.name, t_s, end_s, "rear_brake")
        self.quiet_until_s = end_s + 45.0


@planted
class CruiseContactOpens(Fault):
    """The brake switch's second contact, which only the cruise unit sees, opens by itself."""

    about = About("cruise-contact-opens", "control_unit", "vibration", 420.0, 20.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """The unit sees a brake; no logged line moves."""
        end_s = t_s + self.between(0.02, 0.15)
        ride.lines["front_brake"].unit_pulse(t_s, end_s)
        if ride.cruise.engaged:
            ride.event(self.about.name, t_s, end_s, "")
        self.quiet_until_s = t_s + 5.0


@planted
class FrontBrakeDoesNotCancel(Fault):
    """The cruise does not see the front brake: it pulls on against the lever. Dangerous."""

    about = About("front-brake-does-not-cancel", "front_brake_switch", "always", 0.0, 10.0, True)

    def begin(self, ride: Riding) -> None:
        """Never seen by the unit; the lamp contact is good."""
        ride.lines["front_brake"].dead_to_unit = True

    def end(self, ride: Riding, t_s: float) -> None:
        """Each time it held on for more than half a second under the lever."""
        for start_s, end_s in ride.overlaps("front_brake", longer_than_s=0.5):
            ride.event(self.about.name, start_s, end_s, "front_brake")
