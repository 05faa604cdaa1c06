"""Which inputs that can end cruise a log shows, and how sharply: what may be hidden at a cancel."""

from ridecheck.core.catalog import PANEL
from ridecheck.core.model import Span
from ridecheck.signals import brakes
from ridecheck.signals.cancels.candidates import LOOK_BACK_S
from ridecheck.signals.ride import SHARP_S, Ride, once


def must_cancel_channels(ride: Ride) -> tuple[str, ...]:
    """Inputs the model says must end cruise: brakes, clutch, throttle closed as it lists them."""
    return tuple(dict.fromkeys(("front_brake", "rear_brake", *ride.settings.cruise.must_cancel)))


@once
def not_logged(ride: Ride) -> tuple[str, ...]:
    """Inputs that could end cruise and are not in this log."""
    wanted = [*must_cancel_channels(ride), *(PANEL[p] for p in ride.settings.cruise.panel)]
    missing = [c for c in wanted if not ride.has(_shown_by(ride, c))]
    missing += [c for c in ("side_stand", "supply_voltage") if not ride.has(c)]
    return tuple(dict.fromkeys(missing))


@once
def fully_logged(ride: Ride) -> bool:
    """Whether every must-cancel input and panel switch is logged at 10 Hz or faster."""
    panel = [PANEL[p] for p in ride.settings.cruise.panel]
    wanted = [*must_cancel_channels(ride), *panel, "cruise_engaged"]
    return all(ride.interval_s(_shown_by(ride, c)) <= SHARP_S for c in wanted)


def nothing_hidden(ride: Ride, t_s: float) -> bool:
    """Whether no cause can be hidden at a cancel: all inputs logged sharply and not blank."""
    if not fully_logged(ride):
        return False
    span = Span(t_s - LOOK_BACK_S, t_s)
    controls = [s.runs.any_on(span) for s in brakes.signals(ride)]
    others = [c for c in must_cancel_channels(ride) if c not in brakes.CONTROLS]
    others += [_shown_by(ride, PANEL[p]) for p in ride.settings.cruise.panel]
    return None not in [*controls, *(ride.runs(c).any_on(span) for c in others)]


def _shown_by(ride: Ride, control: str) -> str:
    """The channel that shows a control: its own where logged, else one that must follow it."""
    names = [control]
    if control in brakes.CONTROLS:
        names += ["brake_lamp", f"{control}_pressure"]
    elif control == PANEL["power"]:
        names += ["cruise_armed"]
    return next((name for name in names if ride.has(name)), control)
