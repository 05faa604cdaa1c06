"""What the BIKE stage may know besides the results."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from ridecheck.core.dangers import Register
from ridecheck.core.model import Cruise
from ridecheck.fleet.events import Event


@dataclass(frozen=True, slots=True)
class Context:
    """One bike's settings and events, as far as the verdict needs them.

    wrong: why a file of this bike cannot be used, a sentence each. bikes_by_model: which
    bikes of the fleet each model has. time_zone: of dates in events, and of wording.
    accept_unlogged: controls that may go unseen, as the fleet's file says.
    register: its dangers; one that is not in it counts as open.
    """

    bike: str
    label: str = ""
    model: str = ""
    rides: int = 20
    days: float = 30
    data_max_age_days: float = 14
    must_assess: tuple[str, ...] = ("cruise/engaged-under-braking", "switches/brake-dead")
    events: tuple[Event, ...] = ()
    cruise_fitted: bool | None = None
    must_cancel: tuple[str, ...] = Cruise().must_cancel
    panel: tuple[str, ...] = Cruise().panel
    accept_unlogged: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()
    bikes_by_model: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    time_zone: str = "UTC"
    register: Register = field(default_factory=Register)
