"""Controls that must end cruise, and whether the rides that count could have shown them fail.

For a bike with cruise control these are the model's must_cancel and the panel's cancel button,
or its main switch where it has none, each by its own channel or by one that stands in for it.
"""

from collections.abc import Iterator, Mapping, Sequence

from ridecheck.bike.case import Case
from ridecheck.bike.coverage import has_cruise
from ridecheck.core.catalog import PANEL
from ridecheck.core.model import ChannelFacts, RideResult

STAND_INS: Mapping[str, tuple[str, ...]] = {
    "front_brake": ("brake_lamp", "front_brake_pressure"),
    "rear_brake": ("brake_lamp", "rear_brake_pressure"),
    "switch_power": ("cruise_armed",),
}
RULES_OF = {
    "front_brake": "cruise/engaged-under-braking",
    "rear_brake": "cruise/engaged-under-braking",
    "clutch": "cruise/engaged-after-clutch",
}
AFTER_COMMAND = "cruise/engaged-after-command"
"""The rule that sees every other control fail."""
JITTER = 1.1
"""A measured refresh this much over the one needed still meets it, as in the rules' engine."""
LOST_CELLS = 0.0005
"""A control that was never on and is blank in more rows than this may be blank when it is on."""


def unseen_controls(case: Case) -> dict[str, str]:
    """Control -> why no ride that counts could have shown that it does not end cruise."""
    if not has_cruise(case) or not case.counting:
        return {}
    why = {control: _why(case, control) for control in must_be_logged(case)}
    return {control: reason for control, reason in why.items() if reason}


def must_be_logged(case: Case) -> tuple[str, ...]:
    """The controls of this bike's model."""
    panel = case.context.panel
    button = "cancel" if "cancel" in panel else "power" if "power" in panel else ""
    of_panel = (PANEL[button],) if button else ()
    return tuple(dict.fromkeys((*case.context.must_cancel, *of_panel)))


def _why(case: Case, control: str) -> str:
    """Why a control could not be seen; "" where one of its channels in one ride could show it."""
    reasons = list(_reasons(case, control))
    return "" if "" in reasons else next(iter(reasons), "not logged")


def _reasons(case: Case, control: str) -> Iterator[str]:
    """What is wrong with each channel that shows it, the control's own first."""
    rule = case.rules.get(RULES_OF.get(control, AFTER_COMMAND))
    slowest_s = (rule.clear_interval_s if rule is not None else 0.1) * JITTER
    for channel in (control, *STAND_INS.get(control, ())):
        rides = [r for r in case.counting if channel in r.channels]
        logged = [r for r in rides if r.channels[channel].present > 0]
        if not logged:
            continue
        fast = [r for r in logged if _refresh_s(r.channels[channel]) <= slowest_s]
        if not fast:
            interval_s = min(_refresh_s(r.channels[channel]) for r in logged)
            yield f"logged at {1 / interval_s:.2g} Hz; {JITTER / slowest_s:.2g} Hz needed"
        elif _blank_when_on(channel, fast):
            lost = max(_lost(channel, r) for r in fast)
            yield f"never on, and blank in {100 * lost:.2g} % of its rows: see the layout's words"
        else:
            yield ""


def _refresh_s(facts: ChannelFacts) -> float:
    """Refresh interval; a latched switch shows every press."""
    return 0.0 if facts.latched else facts.interval_s


def _blank_when_on(channel: str, rides: Sequence[RideResult]) -> bool:
    """Whether a switch was on in no ride and is blank where a value was due."""
    on = any(r.measures.get(f"times_on.{channel}", 1.0) > 0 for r in rides)
    return not on and any(_lost(channel, r) > LOST_CELLS for r in rides)


def _lost(channel: str, ride: RideResult) -> float:
    """Share of values that were due, by the channel's own rate, and are blank."""
    facts = ride.channels[channel]
    row_s = ride.duration_s / max(1, ride.samples - 1)
    due = min(1.0, row_s / facts.interval_s) if facts.interval_s > 0 else 1.0
    return max(0.0, due - facts.present)
