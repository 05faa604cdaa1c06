"""Faults of supply, earth, fuse, charging, the unit's plug and the unit itself."""

from ridecheck.core.catalog import BRAKES
from ridecheck.simulate.faults.base import About, DeafUnit, Fault, planted
from ridecheck.simulate.faults.brakes import SwitchDead
from ridecheck.simulate.riding import Riding
from ridecheck.simulate.signals import Disturbance

FOR_EVER_S = 1e9


@planted
class FuseBlown(SwitchDead):
    """A shared fuse blows: brake lines and cruise are dead from then on. No lamp: dangerous."""

    about = About("fuse-blown", "supply", "always", 0.0, 5.0, True)
    dead = BRAKES

    def begin(self, ride: Riding) -> None:
        """Some minutes into the ride, or before it."""
        self._at_s = self.between(0.0, 150.0)
        self._blown = False

    def tick(self, ride: Riding, t_s: float) -> None:
        """The moment itself."""
        if self._blown or t_s < self._at_s:
            return
        self._blown = True
        ride.cruise.fault.ignores_buttons = True
        if ride.cruise.engaged:
            ride.cruise.fault.drop_at_s = t_s
        for name in ("front_brake", "rear_brake"):
            ride.lines[name].gap(t_s, FOR_EVER_S)


@planted
class UnitWithoutSupply(DeafUnit):
    """The lamp is lit straight from the switch; the control unit has no supply."""

    about = About("unit-without-supply", "supply", "always", 0.0, 5.0)


@planted
class SupplyDips(Fault):
    """A loose battery lug or fuse clip: the supply dips, the unit starts anew and is off."""

    about = About("supply-dips", "supply", "bump", 0.8, 20.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """Down to 5 to 9 V for 40 to 400 ms."""
        end_s = t_s + self.between(0.04, 0.4)
        ride.supply_signal.add(Disturbance(t_s, end_s, "is", self.between(5.0, 9.0)))
        ride.event(self.about.name, t_s, end_s, "supply_voltage")
        self.quiet_until_s = end_s + 3.0


@planted
class EarthBad(Fault):
    """A bad earth: analogue channels shift together while a load is on."""

    about = About("earth-bad", "supply", "always", 60.0, 10.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """The supply reads low and the throttle high for some seconds; cruise may let go."""
        end_s = t_s + self.between(2.0, 15.0)
        ride.supply_signal.add(Disturbance(t_s, end_s, "plus", -self.between(0.9, 2.0)))
        ride.throttle_signal.add(Disturbance(t_s, end_s, "plus", self.between(3.0, 8.0)))
        if ride.cruise.engaged:
            ride.cruise.fault.reset_at_s = t_s + 0.05
        ride.event(self.about.name, t_s, end_s, "supply_voltage")
        self.quiet_until_s = end_s + 10.0


@planted
class ChargingWeak(Fault):
    """The alternator gives too little: the supply sags under load for minutes."""

    about = About("charging-weak", "supply", "always", 0.0, 1.0)

    def begin(self, ride: Riding) -> None:
        """From the start."""
        ride.load_v = 1.7 + 0.9 * self.severity
        ride.event(self.about.name, 30.0, 600.0, "supply_voltage")


@planted
class Overcharges(Fault):
    """The regulator lets the supply rise above 15 V."""

    about = About("overcharges", "supply", "always", 0.0, 1.0)

    def begin(self, ride: Riding) -> None:
        """From the start."""
        ride.load_v = -(1.3 + 0.9 * self.severity)
        ride.event(self.about.name, 30.0, 600.0, "supply_voltage")


class Drops(Fault):
    """The unit disengages with every input clean."""

    def show(self, ride: Riding, t_s: float) -> None:
        """Only while it holds."""
        if ride.cruise.engaged:
            ride.cruise.fault.drop_at_s = t_s
            ride.event(self.about.name, t_s, t_s + 0.1, "")
            self.quiet_until_s = t_s + 6.0


@planted
class UnitPlugDirty(Drops):
    """A loose or dirty plug at the unit: lets go in the wet, no channel shows why."""

    about = About("unit-plug-dirty", "supply", "rain", 240.0, 20.0)


@planted
class UnitPlugLoose(Drops):
    """The same plug, loose: lets go over bumps."""

    about = About("unit-plug-loose", "supply", "bump", 0.8, 20.0)


@planted
class UnitFaulty(Drops):
    """The control unit itself: lets go when hot."""

    about = About("unit-faulty", "control_unit", "heat", 360.0, 20.0)
