"""Faults of clutch switch, throttle-closed switch, panel buttons and their harness."""

from ridecheck.simulate.contacts import Line
from ridecheck.simulate.faults.base import About, DeafUnit, Fault, planted
from ridecheck.simulate.faults.brakes import Pulses
from ridecheck.simulate.riding import Riding

PANEL_LINES = ("switch_set", "switch_resume", "switch_cancel", "switch_power")


@planted
class ClutchSwitchBypassed(DeafUnit):
    """Cut and joined by an earlier owner: cruise never engages, the line never moves."""

    about = About("clutch-switch-bypassed", "clutch_switch", "always", 0.0, 5.0)

    def begin(self, ride: Riding) -> None:
        """The unit takes the clutch for pulled for good."""
        super().begin(ride)
        ride.lines["clutch"].dead = True


@planted
class ClutchSwitchChatters(Pulses):
    """Short pulses while the lever is at rest and the clutch locked."""

    about = About("clutch-switch-chatters", "clutch_switch", "vibration", 420.0, 50.0)
    line = "clutch"
    length_s = (0.02, 0.1)
    burst = (1, 3)

    def show(self, ride: Riding, t_s: float) -> None:
        """As any pulse, but the lever itself is not pulled: the clutch stays locked."""
        if not ride.rider.shifting:
            super().show(ride, t_s)


@planted
class ClutchSwitchStuckIn(Fault):
    """The clutch line says "pulled" for minutes with the clutch locked."""

    about = About("clutch-switch-stuck-in", "clutch_switch", "always", 40.0, 1.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """On for one to three minutes."""
        if ride.v < 10.0 or ride.lines["clutch"].hand:
            return
        end_s = t_s + self.between(60.0, 80.0 + 100.0 * self.severity)
        ride.lines["clutch"].pulse(t_s, end_s)
        ride.event(self.about.name, t_s, end_s, "clutch")
        self.quiet_until_s = end_s + 40.0


@planted
class ClutchSwitchDead(Fault):
    """The clutch line never moves; cruise learns of the clutch by the engine's flare."""

    about = About("clutch-switch-dead", "clutch_switch", "always", 0.0, 10.0)

    def begin(self, ride: Riding) -> None:
        """Dead for good."""
        ride.lines["clutch"].dead = True

    def end(self, ride: Riding, t_s: float) -> None:
        """Every pull that the line does not show."""
        for start_s, end_s in ride.lines["clutch"].hand_s:
            ride.event(self.about.name, start_s, end_s, "engine_speed")


@planted
class RollOffMisadjusted(Pulses):
    """Shifted by new bars or grips: it operates at bar angles with the throttle open."""

    about = About("roll-off-misadjusted", "roll_off_switch", "steering", 500.0, 20.0)
    line = "roll_off"
    length_s = (0.06, 0.7)


@planted
class ClosingCableTight(Fault):
    """The closing cable pulls as the bars turn: the roll-off contact moves, cruise disengages."""

    about = About("closing-cable-tight", "roll_off_switch", "steering", 380.0, 10.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """A pulse as long as the bend lasts, and the throttle a little open with it."""
        if ride.lines["roll_off"].hand or ride.v < 6.0:
            return
        end_s = t_s + self.between(0.2, 1.2)
        ride.lines["roll_off"].pulse(t_s, end_s)
        ride.event(self.about.name, t_s, end_s, "roll_off")
        self.quiet_until_s = end_s + 2.0


@planted
class MainSwitchWorn(Fault):
    """The main switch opens for a moment: lamp off, stored speed gone, state off."""

    about = About("main-switch-worn", "panel_switches", "first_minutes", 160.0, 20.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """The unit loses its main switch."""
        if ride.cruise.armed:
            ride.cruise.fault.main_off_at_s = t_s
            ride.event(self.about.name, t_s, t_s + 0.3, "cruise_armed")
            self.quiet_until_s = t_s + 20.0


@planted
class SetButtonWorn(Fault):
    """Set and resume bounce and often do not reach the unit; a tap may end the hold."""

    about = About("set-button-worn", "panel_switches", "always", 0.0, 20.0)

    def begin(self, ride: Riding) -> None:
        """Nothing pressed yet."""
        self._was = {"switch_set": False, "switch_resume": False}

    def tick(self, ride: Riding, t_s: float) -> None:
        """Break a press into short pulses."""
        for name in self._was:
            line = ride.lines[name]
            if line.hand and not self._was[name] and self.rng.random() < 0.3 + 0.6 * self.severity:
                self._break(ride, line, t_s)
            self._was[name] = line.hand

    def _break(self, ride: Riding, line: Line, t_s: float) -> None:
        at_s = t_s
        for _ in range(6):
            at_s += self.between(0.01, 0.05)
            end_s = at_s + self.between(0.03, 0.09)
            line.gap(at_s, end_s)
            at_s = end_s
        ride.event(self.about.name, t_s, at_s, line.name)
        if ride.cruise.engaged and self.rng.random() < 0.5:
            ride.cruise.fault.drop_at_s = t_s + 0.1
        elif not ride.cruise.engaged:
            ride.cruise.fault.ignores_buttons = True
            ride.rider.at(t_s + 1.2, lambda _: _hear_again(ride))


def _hear_again(ride: Riding) -> None:
    ride.cruise.fault.ignores_buttons = False


@planted
class ResumeActsAsCancel(Fault):
    """Drifted resistors on the one wire of several buttons: resume is taken for cancel."""

    about = About("resume-acts-as-cancel", "panel_switches", "always", 0.0, 10.0)

    def begin(self, ride: Riding) -> None:
        """For good."""
        ride.cruise.fault.swaps_resume = True

    def end(self, ride: Riding, t_s: float) -> None:
        """Every resume press."""
        for start_s, end_s in ride.lines["switch_resume"].hand_s:
            ride.event(self.about.name, start_s, end_s, "switch_resume")


@planted
class PodHarnessBroken(Fault):
    """The panel's harness breaks at the steering head: its lines twitch together."""

    about = About("pod-harness-broken", "panel_switches", "steering", 300.0, 10.0)

    def show(self, ride: Riding, t_s: float) -> None:
        """All buttons there are pulse in the same instant; holding ends."""
        if any(ride.lines[name].hand for name in PANEL_LINES):
            return
        end_s = t_s + self.between(0.08, 0.3)
        has_cancel = "cancel" in ride.model.cruise.panel
        for name in ("switch_set", "switch_resume", *(["switch_cancel"] if has_cancel else [])):
            ride.lines[name].pulse(t_s, end_s)
        if ride.cruise.engaged and not has_cancel:
            ride.cruise.fault.drop_at_s = t_s + 0.03
        ride.event(self.about.name, t_s, end_s, "switch_resume")
        self.quiet_until_s = end_s + 4.0


@planted
class PodWet(Fault):
    """Water in the panel: bursts of chatter on one button, dying away after the rain."""

    about = About("pod-wet", "panel_switches", "rain", 150.0, 10.0)

    def begin(self, ride: Riding) -> None:
        """One button takes the water."""
        panel = ("switch_set", "switch_resume")
        self._line = str(self.rng.choice(panel))

    def show(self, ride: Riding, t_s: float) -> None:
        """A burst; while engaged one that the unit takes for a cancel."""
        line = ride.lines[self._line]
        if line.hand:
            return
        start_s = t_s
        for _ in range(int(self.rng.integers(3, 9))):
            end_s = t_s + self.between(0.03, 0.2)
            line.pulse(t_s, end_s)
            t_s = end_s + self.between(0.03, 0.3)
        if ride.cruise.engaged and self.rng.random() < 0.5:
            ride.cruise.fault.drop_at_s = start_s + 0.1
        ride.event(self.about.name, start_s, end_s, self._line)
        self.quiet_until_s = end_s + 2.0


@planted
class RollOffDoesNotCancel(Fault):
    """The cruise does not see the grip turned past closed: it pulls on. Dangerous."""

    about = About("roll-off-does-not-cancel", "roll_off_switch", "always", 0.0, 10.0, True)

    def begin(self, ride: Riding) -> None:
        """Never seen by the unit."""
        ride.lines["roll_off"].dead_to_unit = True

    def end(self, ride: Riding, t_s: float) -> None:
        """Each time it held on after the grip was turned past closed."""
        for start_s, end_s in ride.lines["roll_off"].hand_s:
            for on_s, off_s in ride.record.engaged_s:
                if on_s < start_s and off_s > start_s + ride.unit_takes_s:
                    ride.event(self.about.name, start_s, end_s, "roll_off")


@planted
class EngagesByItself(Fault):
    """Cruise takes hold with no button pressed. Dangerous."""

    about = About("engages-by-itself", "control_unit", "always", 200.0, 20.0, True)

    def show(self, ride: Riding, t_s: float) -> None:
        """Where it could hold at all."""
        cruise = ride.cruise
        quick = ride.v * 3.6 > ride.model.cruise.minimum_kmh + 3.0
        able = cruise.armed and not cruise.engaged and quick and ride.gear >= 3
        if able and not any(line.hand for line in ride.lines.values()):
            cruise.fault.self_engage_at_s = t_s
            ride.event(self.about.name, t_s, t_s + 1.0, "cruise_engaged")
            self.quiet_until_s = t_s + 8.0
