"""Faults of speed, engine speed and gear signals, of clutch, tyre and final drive."""

from ridecheck.simulate.faults.base import TICK_S, About, Fault, planted
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


@planted
class SpeedSignalFreezes(Fault):
    """The speed signal stands still for seconds while the engine shows otherwise."""

    about = About("speed-signal-freezes", "speed_sensor", "heat", 200.0, 5.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Frozen for 3 to 15 s."""
        if ride.v < 8.0:
            return
        end_s = t_s + self.between(3.0, 6.0 + 10.0 * self.severity)
        ride.speed_signal.add(Disturbance(t_s, end_s, "frozen"))
        ride.event(self.about.name, t_s, end_s, "wheel_speed")
        self.quiet_until_s = end_s + 6.0


@planted
class SpeedSignalSpikes(Fault):
    """Interference on the speed wire under load: a jump of a sample or two."""

    about = About("speed-signal-spikes", "speed_sensor", "load", 1500.0, 20.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Half as much again for 30 to 80 ms."""
        if ride.v < 8.0:
            return
        end_s = t_s + self.between(0.03, 0.08)
        ride.speed_signal.add(Disturbance(t_s, end_s, "times", self.between(1.35, 1.7)))
        ride.event(self.about.name, t_s, end_s, "wheel_speed")
        self.quiet_until_s = end_s + 1.5


@planted
class EngineSpeedSpikes(Fault):
    """Interference on the tachometer wire under load."""

    about = About("engine-speed-spikes", "engine_speed_signal", "load", 1600.0, 20.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Two thirds more for 30 to 120 ms."""
        end_s = t_s + self.between(0.03, 0.12)
        ride.rpm_signal.add(Disturbance(t_s, end_s, "times", self.between(1.5, 1.9)))
        ride.event(self.about.name, t_s, end_s, "engine_speed")
        self.quiet_until_s = end_s + 1.5


@planted
class EngineSpeedLost(Fault):
    """The engine-speed signal is gone for seconds while the bike rolls in gear."""

    about = About("engine-speed-lost", "engine_speed_signal", "heat", 200.0, 5.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Zero for 1.2 to 8 s."""
        if ride.v < 8.0:
            return
        end_s = t_s + self.between(1.2, 8.0)
        ride.rpm_signal.add(Disturbance(t_s, end_s, "is", 0.0))
        ride.event(self.about.name, t_s, end_s, "engine_speed")
        self.quiet_until_s = end_s + 5.0


@planted
class ClutchSlips(Fault):
    """Worn plates: in high gears under load the engine runs ahead of the wheel."""

    about = About("clutch-slips", "clutch_plates", "always", 0.0, 5.0)

    def begin(self, ride: Riding) -> None:
        """The plates pass only part of the engine's torque."""
        holds_nm = ride.engine.peak_nm * (0.72 - 0.26 * self.severity)
        ride.clutch_grip = holds_nm / ride.clutch_nm
        self._since_s = -1.0

    def tick(self, ride: Riding, t_s: float) -> None:
        """An event is slip with the lever at rest, for longer than one look at it."""
        slipping = not ride.locked and ride.gear > 0 and not ride.lines["clutch"].hand
        slipping = slipping and not ride.rider.launching and ride.clutch_share > 0.95
        if slipping and self._since_s < 0.0:
            self._since_s = t_s
        elif not slipping and self._since_s >= 0.0:
            if t_s - self._since_s > TICK_S:
                ride.event(self.about.name, self._since_s, t_s, "engine_speed")
            self._since_s = -1.0


@planted
class ToneRingDamaged(Fault):
    """A missing tooth or run-out: the speed ripples once a turn of the wheel."""

    about = About("tone-ring-damaged", "speed_sensor", "always", 0.0, 50.0)

    def begin(self, ride: Riding) -> None:
        """A ripple of one to five per cent."""
        ride.ring_ripple = 0.012 + 0.04 * self.severity
        ride.event(self.about.name, 20.0, 1e5, "wheel_speed")


MISCOUNTS = (2.0, 0.5, 1.25)
"""Every edge counted, every other pulse lost, five teeth where four belong."""


@planted
class SpeedReadsDouble(Fault):
    """Extra or missed pulses: speed reads twice, half, or a tooth too many."""

    about = About("speed-reads-double", "speed_sensor", "always", 0.0, 1.0)

    def begin(self, ride: Riding) -> None:
        """For the whole ride, and the same on every ride: what counts wrong is part of the bike."""
        kind = round(1000.0 * self.severity) % len(MISCOUNTS)
        factor = MISCOUNTS[kind]
        ride.speed_signal.add(Disturbance(0.0, 1e6, "times", factor))
        ride.event(self.about.name, 10.0, 1e5, "wheel_speed")


@planted
class GearSensorFlickers(Fault):
    """The gear signal jumps in steady running; the ratio does not."""

    about = About("gear-sensor-flickers", "gear_sensor", "vibration", 450.0, 10.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Another gear for 0.1 to 0.8 s."""
        if ride.gear < 2 or ride.rider.shifting or ride.v < 8.0:
            return
        end_s = t_s + self.between(0.1, 0.8)
        others = [g for g in range(1, len(ride.ratios) + 1) if g != ride.gear]
        wrong = float(self.rng.choice(others))
        ride.gear_signal.add(Disturbance(t_s, end_s, "is", wrong))
        ride.event(self.about.name, t_s, end_s, "gear")
        self.quiet_until_s = end_s + 2.0


@planted
class NeutralSwitchChatters(Fault):
    """The neutral contact closes at speed: gear reads neutral, cruise disengages."""

    about = About("neutral-switch-chatters", "gear_sensor", "vibration", 400.0, 20.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Neutral for 50 to 400 ms with the ratio locked."""
        if ride.gear < 2 or ride.rider.shifting or ride.v < 8.0:
            return
        end_s = t_s + self.between(0.05, 0.4)
        ride.gear_signal.add(Disturbance(t_s, end_s, "is", 0.0))
        ride.event(self.about.name, t_s, end_s, "gear")
        self.quiet_until_s = end_s + 2.0


@planted
class FinalDriveChanged(Fault):
    """Other sprockets than the model file says.

    A sensor on the gearbox shaft turns with the engine as before: there the ratio stays
    and speed reads wrong against the ground, which GPS alone shows.
    """

    about = About("final-drive-changed", "tyre_or_final_drive", "always", 0.0, 1.0)

    def begin(self, ride: Riding) -> None:
        """One or two teeth: 4.5 to 9 per cent, up or down."""
        change = self.between(0.045, 0.06 + 0.03 * self.severity)
        factor = 1.0 + change * float(self.rng.choice((-1.0, 1.0)))
        ride.ratios = tuple(r * factor for r in ride.ratios)
        if ride.model.taken_from == "gearbox_output":
            ride.speed_signal.add(Disturbance(0.0, 1e6, "times", factor))
            ride.event(self.about.name, 10.0, 1e5, "gps_speed")
        else:
            ride.event(self.about.name, 10.0, 1e5, "wheel_speed")


@planted
class WrongTyre(Fault):
    """A tyre of another size: speed reads wrong against the ground, not against the engine."""

    about = About("wrong-tyre", "tyre_or_final_drive", "always", 0.0, 1.0, needs=("gps_speed",))

    def begin(self, ride: Riding) -> None:
        """Five to nine per cent smaller or larger."""
        change = self.between(0.05, 0.06 + 0.03 * self.severity)
        ride.change_tyre(1.0 + change * float(self.rng.choice((-1.0, 1.0))))
        ride.event(self.about.name, 10.0, 1e5, "gps_speed")


@planted
class FrontSensorDropsOut(Fault):
    """The front wheel's own sensor drops out; the bike's speed signal is good."""

    about = About(
        "front-sensor-drops-out", "speed_sensor", "bump", 1.0, 10.0, needs=("front_wheel_speed",)
    )

    def show(self, ride: Riding, t_s: float) -> None:
        """Zero for 0.3 to 2 s."""
        if ride.v < 8.0:
            return
        end_s = t_s + self.between(0.3, 2.0)
        ride.front_signal.add(Disturbance(t_s, end_s, "is", 0.0))
        ride.event(self.about.name, t_s, end_s, "front_wheel_speed")
        self.quiet_until_s = end_s + 2.0
