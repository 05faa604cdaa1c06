"""What a simulated ride is made of: the model, the bike, its logger, its rider, the plan."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from ridecheck.core.model import Drivetrain, SpeedSource
from ridecheck.simulate.physics import Engine


@dataclass(frozen=True, slots=True)
class CruiseSpec:
    """How the cruise control of a model behaves when it is in order.

    latency_s: from an input to disengaging. debounce_s: shorter pulses are not seen.
    slack_percent: plate travel before the actuator pulls; lag_s and rate_percent_per_s
    its speed; limit_percent the widest opening it can hold. kp and ki act on km/h.
    """

    minimum_kmh: float = 45.0
    maximum_kmh: float = 160.0
    far_from_set_kmh: float = 16.0
    throttle: Literal["cable", "by_wire"] = "cable"
    panel: tuple[str, ...] = ("power", "set", "resume")
    must_cancel: tuple[str, ...] = ("front_brake", "rear_brake", "roll_off", "clutch")
    lowest_gear: int = 3
    latency_s: float = 0.06
    debounce_s: float = 0.012
    slack_percent: float = 0.6
    lag_s: float = 0.25
    rate_percent_per_s: float = 25.0
    limit_percent: float = 75.0
    kp: float = 1.6
    ki: float = 0.22
    override_limit_s: float = 90.0
    step_kmh: float = 1.6


@dataclass(frozen=True, slots=True)
class ModelSpec:
    """One made-up bike model: ratios, tyre, engine, mass, speed signal, cruise."""

    name: str
    primary_ratio: float
    gear_ratios: tuple[float, ...]
    final_ratio: float
    circumference_m: float
    engine: Engine
    mass_kg: float = 300.0
    taken_from: SpeedSource = "driven_wheel"
    reads_high_percent: float = 0.0
    resolution_kmh: float = 0.1
    pulses_per_turn: int = 48
    clutch_nm: float = 260.0
    cruise: CruiseSpec = CruiseSpec()

    @property
    def overall_ratios(self) -> tuple[float, ...]:
        """Engine turns per driven-wheel turn, first gear to top."""
        return tuple(self.primary_ratio * g * self.final_ratio for g in self.gear_ratios)

    @property
    def drivetrain(self) -> Drivetrain:
        """The same as the judging side knows it."""
        return Drivetrain(
            overall_ratios=self.overall_ratios,
            circumference_m=self.circumference_m,
            idle_rpm=self.engine.idle_rpm,
            redline_rpm=self.engine.redline_rpm,
        )

    @property
    def radius_m(self) -> float:
        """Rolling radius of the driven wheel."""
        return self.circumference_m / (2.0 * math.pi)


FULL_CHANNELS = (
    "wheel_speed",
    "engine_speed",
    "gear",
    "throttle",
    "front_brake",
    "rear_brake",
    "clutch",
    "roll_off",
    "cruise_armed",
    "cruise_engaged",
    "cruise_set_speed",
    "switch_power",
    "switch_set",
    "switch_resume",
    "supply_voltage",
)


@dataclass(frozen=True, slots=True)
class LoggerSpec:
    """How one logger set-up records and writes.

    refresh_s: channels refreshed slower than the rows; between two refreshes they hold
    their value, or are blank where they are in blank_between. skew_s: by how much a
    channel is late. latched: switches that show "on at any time since the last row".
    """

    name: str
    dialect: str
    rate_hz: float = 20.0
    channels: tuple[str, ...] = FULL_CHANNELS
    refresh_s: Mapping[str, float] = field(default_factory=dict)
    blank_between: tuple[str, ...] = ()
    skew_s: Mapping[str, float] = field(default_factory=dict)
    latched: tuple[str, ...] = ()
    jitter_s: float = 0.0
    engine_lag_s: float = 0.15
    engine_step_rpm: float = 5.0
    gps_delay_s: float = 0.4
    gps_outages_per_h: float = 2.0
    dropout_below_kmh: float = 3.0
    gear_kind: Literal["sensor", "calculated"] = "sensor"
    drop_rows_share: float = 0.0


@dataclass(frozen=True, slots=True)
class RiderHabit:
    """How one rider rides. Shares are of the occasions that offer themselves.

    brakes: share of brakings with (front alone, both, rear alone). acts_every_s: mean
    time between free actions while cruise holds. speed_factor scales what the road asks.
    """

    name: str
    speed_factor: float = 1.0
    pull_mps2: float = 1.6
    brake_mps2: float = 2.4
    brakes: tuple[float, float, float] = (0.4, 0.45, 0.15)
    shift_s: float = 0.55
    shift_rpm_share: float = 0.48
    acts_every_s: float = 45.0
    uses_cruise: bool = True
    uses_panel_cancel: bool = True
    resumes: float = 0.75
    fingers_per_h: float = 0.0
    boot_per_h: float = 0.0
    flicks_share: float = 0.25
    marker_after_surprise: float = 0.0


LegKind = Literal["town", "country", "mountain", "motorway", "loop"]


@dataclass(frozen=True, slots=True)
class Leg:
    """A stretch of road of one kind."""

    kind: LegKind
    length_km: float


@dataclass(frozen=True, slots=True)
class Weather:
    """Rain between two minutes of the ride (None: dry), air temperature, gusts in m/s."""

    rain_min: tuple[float, float] | None = None
    air_c: float = 18.0
    gust_mps: float = 1.5
    headwind_mps: float = 0.0


@dataclass(frozen=True, slots=True)
class RidePlan:
    """One ride: when, where, by whom, in what weather, and what odd things befall it.

    incidents names look-alikes (see ridecheck.simulate.incidents) that are no faults.
    """

    start: datetime
    legs: tuple[Leg, ...]
    rider: RiderHabit
    weather: Weather = Weather()
    incidents: tuple[str, ...] = ()
    cold_start: bool = True
    luggage_kg: float = 20.0
    rider_kg: float = 80.0
    odometer_km: float = 12000.0
    altitude_m: float = 240.0


@dataclass(frozen=True, slots=True)
class PlantedFault:
    """A fault as planted in a bike: name, how bad (0..1), what brings it on.

    trigger "" is the fault's own usual one.
    """

    name: str
    severity: float = 0.6
    trigger: str = ""


@dataclass(frozen=True, slots=True)
class BikeSpec:
    """One bike of the fleet as it really is, the model it is said to be, its logger."""

    bike: str
    model: ModelSpec
    logger: LoggerSpec
    label: str = ""
    faults: tuple[PlantedFault, ...] = ()
    said_model: str = ""
    circumference_factor: float = 1.0
    mass_factor: float = 1.0
