"""Faults of speed, engine speed and gear signals, of clutch and tyre."""

from ridecheck.simulate.faults.base import About, Fault, planted
from ridecheck.simulate.riding import Riding
from ridecheck.simulate.signals import Disturbance


@planted
class SpeedSensorDropsOut(Fault):
    """The speed signal falls to nothing for a moment: plug, cable, gap, swarf."""

    about = About("speed-sensor-drops-out", "speed_sensor", "bump", 1.0, 10.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Zero for 0.15 to 0.9 s."""
        if ride.v < 8.0:
            return
        end_s = t_s + self.between(0.15, 0.9)
        ride.speed_signal.add(Disturbance(t_s, end_s, "is", 0.0))
        ride.event(self.about.name, t_s, end_s, "wheel_speed")
        self.quiet_until_s = end_s + 2.0
