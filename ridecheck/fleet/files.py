"""fleet.toml, models/<model>.toml, bikes/<bike>.toml: their keys, defaults and limits.

Where a default is also a default of the frozen records of ``ridecheck.core.model``, it is taken
from there, so that no figure stands in two places.
"""

from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, field_validator
from pydantic_core.core_schema import ValidationInfo

from ridecheck.core.catalog import BRAKES, channels
from ridecheck.core.model import Cruise, Drivetrain, SpeedSignal, SpeedSource
from ridecheck.core.names import nearest_name
from ridecheck.core.strict_toml import (
    BIKE_ID,
    BIKE_ID_RULE,
    OneLine,
    Table,
    TimeZone,
    as_tuple,
    one_of,
    wrong,
)
from ridecheck.fleet.events import Event
from ridecheck.fleet.tyres import TyreError, parse_tyre

Thresholds = dict[str, dict[str, float]]
"""Rule id -> threshold -> value."""

LONGEST_CANCEL_S = 1.0
"""No model may allow a cancel to take longer than this."""

CANCELLING = (
    "front_brake",
    "rear_brake",
    "roll_off",
    "clutch",
    "switch_cancel",
    "switch_power",
    "side_stand",
    "run_switch",
    "neutral_switch",
)
"""The channels a model may name as ending an engagement."""

_SPEED = SpeedSignal()
_CRUISE = Cruise()
_IDLE_RPM = 1000.0
_REDLINE_RPM = 9000.0


# ---------------------------------------------------------------- fleet.toml


def _cancelling(names: tuple[str, ...]) -> tuple[str, ...]:
    for i, name in enumerate(names):
        if name not in CANCELLING:
            near = nearest_name(name, CANCELLING)
            raise wrong("not a control that cancels", one_of(CANCELLING), nearest=near, at=(i,))
    return names


class VerdictTable(Table):
    """``[verdict]``: which rides count, and which rules must have been ok in them."""

    rides: int = Field(20, ge=1)
    days: float = Field(30, gt=0)
    data_max_age_days: float = Field(14, gt=0)
    must_assess: Annotated[tuple[OneLine, ...], BeforeValidator(as_tuple)] = (
        "cruise/engaged-under-braking",
        "switches/brake-dead",
    )
    accept_unlogged: Annotated[
        tuple[OneLine, ...], BeforeValidator(as_tuple), AfterValidator(_cancelling)
    ] = ()


class RetentionTable(Table):
    """``[retention]``: how long every sample is kept."""

    samples_days: float = Field(90, ge=0)


class ReadingTable(Table):
    """``[reading]``: how much CPU time a log may take; stopped by it, it is tried again."""

    cpu_s: float = Field(60.0, gt=0)
    cpu_s_per_mb: float = Field(1.0, ge=0)


class FleetFile(Table):
    """``fleet.toml``."""

    name: Annotated[OneLine, Field(min_length=1)]
    time_zone: TimeZone = "UTC"
    display_units: Literal["metric", "imperial"] = "metric"
    verdict: VerdictTable = VerdictTable()
    retention: RetentionTable = RetentionTable()
    reading: ReadingTable = ReadingTable()
    thresholds: Thresholds = Field(default_factory=dict)


# ---------------------------------------------------------------- models/<model>.toml


def _falling_ratios(ratios: tuple[float, ...]) -> tuple[float, ...]:
    for i, ratio in enumerate(ratios):
        if ratio <= 0:
            raise wrong("out of range", "more than 0", at=(i,))
        if i and ratio >= ratios[i - 1]:
            raise wrong("not below the gear before", "ratios fall from first to top", at=(i,))
    return ratios


def _known_tyre(text: str) -> str:
    try:
        parse_tyre(text)
    except TyreError as error:
        raise wrong(error.what, error.what_to_do) from None
    return text


Ratio = Annotated[float, Field(gt=0)]
GearRatios = Annotated[
    tuple[float, ...],
    BeforeValidator(as_tuple),
    Field(min_length=1, max_length=int(channels()["gear"].maximum or 8)),
    AfterValidator(_falling_ratios),
]


class DrivetrainTable(Table):
    """``[drivetrain]``: the three ratios or their products, and the driven wheel."""

    primary_ratio: Ratio | None = None
    gear_ratios: GearRatios | None = None
    final_ratio: Ratio | None = None
    overall_ratios: GearRatios | None = Field(None, validate_default=True)
    driven_tyre: Annotated[str, AfterValidator(_known_tyre)] | None = None
    rolling_circumference_m: float | None = Field(None, ge=0.8, le=3.0, validate_default=True)
    idle_rpm: float = Field(_IDLE_RPM, gt=0)
    redline_rpm: float = Field(_REDLINE_RPM, gt=0, validate_default=True)

    @field_validator("overall_ratios")
    @classmethod
    def _ratios_are_stated_once(
        cls, value: tuple[float, ...] | None, info: ValidationInfo
    ) -> tuple[float, ...] | None:
        three = ("primary_ratio", "gear_ratios", "final_ratio")
        # A key with a mistake of its own is not in info.data, and is reported there.
        absent = [k for k in three if k in info.data and info.data[k] is None]
        how = f"{', '.join(three)}; or overall_ratios alone"
        if value is None and absent:
            raise wrong(f"the ratios are incomplete, without {', '.join(absent)}", how)
        if value is not None and len(absent) < len(three):
            raise wrong("the ratios are stated twice", how)
        return value

    @field_validator("rolling_circumference_m")
    @classmethod
    def _the_wheel_is_known(cls, value: float | None, info: ValidationInfo) -> float | None:
        if value is None and info.data.get("driven_tyre", "") is None:
            raise wrong(
                "the driven wheel is not stated",
                'driven_tyre = "170/60R17", or rolling_circumference_m = 1.94',
            )
        return value

    @field_validator("redline_rpm")
    @classmethod
    def _redline_above_idle(cls, value: float, info: ValidationInfo) -> float:
        if value <= info.data.get("idle_rpm", 0):
            raise wrong("not above idle_rpm", "more than idle_rpm")
        return value

    def drivetrain(self) -> Drivetrain:
        """Overall ratios and rolling circumference; a stated circumference wins over the tyre."""
        ratios = self.overall_ratios
        if ratios is None:
            assert self.primary_ratio, "validated"
            assert self.gear_ratios, "validated"
            assert self.final_ratio, "validated"
            ratios = tuple(self.primary_ratio * g * self.final_ratio for g in self.gear_ratios)
        circumference_m = self.rolling_circumference_m
        if circumference_m is None:
            assert self.driven_tyre, "validated"
            circumference_m = parse_tyre(self.driven_tyre).rolling_circumference_m
        return Drivetrain(
            overall_ratios=ratios,
            circumference_m=circumference_m,
            idle_rpm=self.idle_rpm,
            redline_rpm=self.redline_rpm,
        )


class SpeedSignalTable(Table):
    """``[speed_signal]``: which wheel or shaft the bike's own speed is taken from."""

    taken_from: SpeedSource = _SPEED.taken_from
    reads_high_percent: float = Field(_SPEED.reads_high_percent, ge=-20, le=20)
    resolution_kmh: float = Field(_SPEED.resolution_kmh, ge=0, le=20)

    def speed_signal(self) -> SpeedSignal:
        """The frozen record of it."""
        stated = "reads_high_percent" in self.model_fields_set
        return SpeedSignal(**self.model_dump(), reading_stated=stated)


def _with_both_brakes(names: tuple[str, ...]) -> tuple[str, ...]:
    for i, name in enumerate(names):
        if name not in CANCELLING:
            near = nearest_name(name, CANCELLING)
            raise wrong("not a channel that cancels", one_of(CANCELLING), nearest=near, at=(i,))
    return tuple(dict.fromkeys((*BRAKES, *names)))


Panel = Literal["power", "set", "resume", "cancel"]


class CruiseTable(Table):
    """``[cruise]``. Both brakes belong to must_cancel, named or not.

    These figures are the defaults of the thresholds that name them.
    """

    fitted: bool | None = _CRUISE.fitted
    minimum_kmh: float = Field(_CRUISE.minimum_kmh, ge=0)
    maximum_kmh: float = Field(_CRUISE.maximum_kmh, gt=0, validate_default=True)
    hold_tolerance_kmh: float = Field(_CRUISE.hold_tolerance_kmh, gt=0)
    must_cancel: Annotated[
        tuple[str, ...], BeforeValidator(as_tuple), AfterValidator(_with_both_brakes)
    ] = _CRUISE.must_cancel
    cancel_within_s: float = Field(_CRUISE.cancel_within_s, gt=0, le=LONGEST_CANCEL_S)
    far_from_set_kmh: float = Field(_CRUISE.far_from_set_kmh, gt=0)
    panel: Annotated[tuple[Panel, ...], BeforeValidator(as_tuple)] = ("power", "set", "resume")
    throttle: Literal["cable", "by_wire"] = _CRUISE.throttle
    adaptive: bool = _CRUISE.adaptive

    @field_validator("maximum_kmh")
    @classmethod
    def _maximum_above_minimum(cls, value: float, info: ValidationInfo) -> float:
        if value <= info.data.get("minimum_kmh", 0):
            raise wrong("not above minimum_kmh", "more than minimum_kmh")
        return value

    def cruise(self) -> Cruise:
        """The frozen record of it."""
        return Cruise(**self.model_dump())


class ModelFile(Table):
    """``models/<model>.toml``: what bikes of one model share."""

    drivetrain: DrivetrainTable
    speed_signal: SpeedSignalTable = SpeedSignalTable()
    cruise: CruiseTable = CruiseTable()
    thresholds: Thresholds = Field(default_factory=dict)


# ---------------------------------------------------------------- bikes/<bike>.toml


def _bike_id(text: str) -> str:
    if not BIKE_ID.fullmatch(text):
        raise wrong("not a bike id", BIKE_ID_RULE)
    return text


class BikeFile(Table):
    """``bikes/<bike>.toml``: one bike, and what happened to it."""

    bike: Annotated[str, AfterValidator(_bike_id)]
    label: OneLine = ""
    model: str
    layout: str | None = None
    hold: bool = False
    thresholds: Thresholds = Field(default_factory=dict)
    events: Annotated[tuple[Event, ...], BeforeValidator(as_tuple)] = ()
