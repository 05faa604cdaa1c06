"""Faults of the logger and its wiring: the bike is good, the log is not."""

from ridecheck.simulate.faults.base import About, Fault, planted
from ridecheck.simulate.riding import Riding
from ridecheck.simulate.signals import Disturbance


@planted
class LoggerTapLoose(Fault):
    """A loose splice in the speed and brake wires, fitted with the logger, causes cancels."""

    about = About("logger-tap-loose", "logger", "bump", 0.7, 10.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Speed, brake line and supply twitch together."""
        if ride.v < 8.0 or ride.lines["rear_brake"].hand:
            return
        end_s = t_s + self.between(0.08, 0.5)
        ride.speed_signal.add(Disturbance(t_s, end_s, "is", 0.0))
        ride.lines["rear_brake"].pulse(t_s, end_s)
        ride.event(self.about.name, t_s, end_s, "wheel_speed")
        self.quiet_until_s = end_s + 2.0


@planted
class LoggedSpeedFreezes(Fault):
    """The logger repeats the last speed for a while; the bike's own signal is good."""

    about = About("logged-speed-freezes", "logger", "always", 60.0, 5.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Frozen for 3 to 15 s in the log alone."""
        if ride.v < 8.0:
            return
        end_s = t_s + self.between(3.0, 6.0 + 10.0 * self.severity)
        ride.logged_speed.add(Disturbance(t_s, end_s, "frozen"))
        ride.event(self.about.name, t_s, end_s, "wheel_speed")
        self.quiet_until_s = end_s + 10.0
