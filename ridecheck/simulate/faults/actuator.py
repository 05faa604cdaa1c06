"""Faults of the actuator, its cable or vacuum, and of how well the unit controls."""

from ridecheck.simulate.faults.base import About, Fault, planted
from ridecheck.simulate.riding import Riding


class AtEachHold(Fault):
    """Something that is wrong with every engagement: each of 8 s or more is an event."""

    def end(self, ride: Riding, t_s: float) -> None:
        """Note the engagements it could be seen in."""
        for start_s, end_s in ride.record.engaged_s:
            if end_s - start_s > 8.0:
                ride.event(self.about.name, start_s, end_s, "cruise_engaged")


@planted
class VacuumLeaks(Fault):
    """The servo loses its vacuum: once the reserve is gone, speed sags until cruise disengages.

    An event is the time in which the control asks for more pull than is left: before
    that the engagement is as any other, and so is one that ends sooner.
    """

    about = About("vacuum-leaks", "actuator", "always", 0.0, 2.0)

    def begin(self, ride: Riding) -> None:
        """The pull fades and the control cannot make it good."""
        ride.cruise.fault.leak_percent_per_s = 0.06 + 0.14 * self.severity
        self._short: list[tuple[float, float]] = []
        self._since_s = -1.0
        self._from_mps = 0.0

    def tick(self, ride: Riding, t_s: float) -> None:
        """Note when the pull falls short by a per cent of plate or more."""
        short = ride.cruise.engaged and ride.cruise.short_percent >= 1.0
        if short and self._since_s < 0.0:
            self._since_s, self._from_mps = t_s, ride.v
        elif not short and self._since_s >= 0.0:
            self._lacked(ride, t_s)

    def end(self, ride: Riding, t_s: float) -> None:
        """Each lack that cost speed."""
        if self._since_s >= 0.0:
            self._lacked(ride, t_s)
        for start_s, end_s in self._short:
            ride.event(self.about.name, start_s, end_s, "wheel_speed")

    def _lacked(self, ride: Riding, t_s: float) -> None:
        if ride.v < self._from_mps:
            self._short.append((self._since_s, t_s))
        self._since_s = -1.0


@planted
class ActuatorCableSlack(AtEachHold):
    """A slack cable: speed drops after each set until the slack is wound up."""

    about = About("actuator-cable-slack", "actuator", "always", 0.0, 5.0)

    def begin(self, ride: Riding) -> None:
        """Six to fifteen per cent of plate travel."""
        ride.cruise.fault.extra_slack_percent = 6.0 + 9.0 * self.severity


@planted
class CruiseHunts(AtEachHold):
    """Too much gain on a sticky cable: speed swings to and fro all the time."""

    about = About("cruise-hunts", "actuator", "always", 0.0, 2.0)

    def begin(self, ride: Riding) -> None:
        """Integral far too strong, cable sticky."""
        ride.cruise.fault.gain = 0.6
        ride.cruise.fault.integral_gain = 8.0 + 14.0 * self.severity
        ride.cruise.fault.extra_slack_percent = 2.0 + 4.0 * self.severity


@planted
class HoldsWrongSpeed(AtEachHold):
    """The unit holds some km/h beside the speed it stored."""

    about = About("holds-wrong-speed", "control_unit", "always", 0.0, 1.0)

    def begin(self, ride: Riding) -> None:
        """Four to eight km/h off, up or down."""
        size = 4.0 + 4.0 * self.severity
        ride.cruise.fault.hold_bias_kmh = size * float(self.rng.choice((-1.0, 1.0)))


@planted
class ThrottleSticksOpen(Fault):
    """The plate stays open after cruise disengages, with the grip closed. Dangerous."""

    about = About(
        "throttle-sticks-open", "actuator", "heat", 0.0, 10.0, True, needs=("throttle_grip",)
    )
    _was = False

    def tick(self, ride: Riding, t_s: float) -> None:
        """Drawn at each end of an engagement."""
        if self._was and not ride.cruise.engaged:
            likely = self.rng.random() < 0.3 + 0.6 * self.severity
            if likely and ride.plate_before > 5.5 and ride.stuck_plate < 0.0:
                ride.stuck_plate = max(ride.plate_before, 6.0 + 4.0 * self.severity)
                end_s = t_s + self.between(2.6, 3.5 + 3.0 * self.severity)
                ride.rider.at(end_s, lambda _: setattr(ride, "stuck_plate", -1.0))
                ride.event(self.about.name, t_s, end_s, "throttle")
        self._was = ride.cruise.engaged


@planted
class MemoryLost(Fault):
    """The stored speed is lost whenever cruise is suspended: resume does nothing."""

    about = About("memory-lost", "supply", "always", 0.0, 5.0)
    _was = False

    def tick(self, ride: Riding, t_s: float) -> None:
        """Right after each end of an engagement."""
        cruise = ride.cruise
        if self._was and not cruise.engaged and cruise.armed:
            cruise.memory = False
            ride.record.set_kmh.append((t_s, float("nan")))
            ride.event(self.about.name, t_s, t_s + 1.0, "cruise_set_speed")
        self._was = cruise.engaged
