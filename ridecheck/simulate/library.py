"""Made-up models, loggers, riders and routes to build fleets from."""

from dataclasses import replace

from ridecheck.simulate.physics import Engine
from ridecheck.simulate.spec import (
    FULL_CHANNELS,
    CruiseSpec,
    Leg,
    LoggerSpec,
    ModelSpec,
    RiderHabit,
)

MODELS: dict[str, ModelSpec] = {
    m.name: m
    for m in (
        ModelSpec(
            "touring-triple-five", 1.62, (2.55, 1.78, 1.36, 1.09, 0.91), 2.45, 1.98,
            Engine(104.0, 5200.0, 1000.0, 8500.0), mass_kg=285.0,
            cruise=CruiseSpec(panel=("power", "set", "resume")),
        ),
        ModelSpec(
            "grand-tourer-six", 1.55, (2.31, 1.59, 1.22, 1.00, 0.84, 0.72), 2.75, 1.955,
            Engine(165.0, 4600.0, 950.0, 7000.0, drag_nm=12.0, drag_nm_per_krpm=3.6),
            mass_kg=345.0, reads_high_percent=0.0,
            cruise=CruiseSpec(
                throttle="by_wire", panel=("power", "set", "resume", "cancel"),
                latency_s=0.04, slack_percent=0.2, lag_s=0.15, rate_percent_per_s=40.0,
            ),
        ),
        ModelSpec(
            "travel-twin-six", 1.74, (2.75, 1.92, 1.48, 1.21, 1.03, 0.90), 2.62, 2.047,
            Engine(98.0, 5600.0, 1150.0, 8200.0), mass_kg=250.0, taken_from="front_wheel",
            cruise=CruiseSpec(panel=("power", "set", "resume", "cancel"), latency_s=0.08),
        ),
    )
}  # fmt: skip

_BUTTONS = ("switch_power", "switch_set", "switch_resume")

LOGGERS: dict[str, LoggerSpec] = {
    s.name: s
    for s in (
        LoggerSpec("bench-20hz", "comma", 20.0),
        LoggerSpec(
            "workshop-10hz", "semicolon", 10.0, (*FULL_CHANNELS, "switch_cancel"),
            engine_step_rpm=10.0, jitter_s=0.004,
        ),
        LoggerSpec(
            "volts-20hz", "tab", 20.0,
            (*tuple(c for c in FULL_CHANNELS if c != "roll_off"), "roll_off", "switch_cancel"),
            jitter_s=0.006, engine_lag_s=0.25,
        ),
        LoggerSpec(
            "card-50hz", "parquet", 50.0, (*FULL_CHANNELS, "switch_cancel", "throttle_grip"),
            refresh_s={"supply_voltage": 0.1, "gear": 0.04}, engine_lag_s=0.1,
        ),
        LoggerSpec(
            "plug-1hz", "comma", 1.0,
            ("wheel_speed", "engine_speed", "gear", "throttle", "brake_lamp", "cruise_armed",
             "cruise_engaged", "supply_voltage"),
            engine_lag_s=0.4, engine_step_rpm=10.0,
        ),
    )
}  # fmt: skip

RIDERS: dict[str, RiderHabit] = {
    r.name: r
    for r in (
        RiderHabit("steady"),
        RiderHabit(
            "brisk", speed_factor=1.06, pull_mps2=2.2, brake_mps2=3.2, shift_s=0.42,
            shift_rpm_share=0.56, brakes=(0.5, 0.42, 0.08), acts_every_s=32.0,
        ),
        RiderHabit(
            "easy", speed_factor=0.94, pull_mps2=1.2, brake_mps2=2.1, shift_s=0.7,
            brakes=(0.3, 0.4, 0.3), acts_every_s=60.0, flicks_share=0.35,
        ),
        RiderHabit("two-fingers", brakes=(0.72, 0.2, 0.08), acts_every_s=40.0),
    )
}  # fmt: skip

PLANS: dict[str, tuple[Leg, ...]] = {
    "proving-loop": (Leg("loop", 6.4),),
    "proving-loop-short": (Leg("loop", 5.9),),
    "short-errand": (Leg("town", 0.9),),
    "valley": (Leg("town", 0.8), Leg("country", 6.5)),
    "day-out": (Leg("town", 1.2), Leg("country", 9.0), Leg("motorway", 8.0)),
    "pass": (Leg("country", 4.0), Leg("mountain", 8.0)),
    "transfer": (Leg("town", 0.6), Leg("motorway", 16.0)),
}


def at_rate(logger: LoggerSpec, rate_hz: float) -> LoggerSpec:
    """The same logger at another rate."""
    return replace(logger, name=f"{logger.name}-at-{rate_hz:g}hz", rate_hz=rate_hz)
