# ruff: noqa: E501 (a case is one line, however long)
"""What a fleet folder comes to: defaults, nearest thresholds, figures ready for use."""

import pickle
from functools import partial
from pathlib import Path

import pytest
from fleet.folders import FULL, KNOWN, MINIMAL, load, write

from ridecheck.core.errors import FleetError, UsageError
from ridecheck.core.model import Cruise, Override, SpeedSignal
from ridecheck.fleet import load_fleet, read_layout, read_settings

RULE = "cruise/hold-offset"
DANGER = "cruise/engaged-under-braking"
MODEL = MINIMAL["models/grey-heron.toml"]
BIKE = MINIMAL["bikes/T07.toml"]


def _threshold(rule: str, name: str, value: float) -> str:
    return f'[thresholds."{rule}"]\n{name} = {value}\n'


def test_required_keys_alone_give_the_documented_defaults(tmp_path: Path) -> None:
    fleet = load(tmp_path)
    settings = fleet.settings("T07")

    assert fleet.mistakes == ()
    assert (fleet.name, fleet.time_zone, fleet.display_units) == (
        "Hollow Hill Tours",
        "UTC",
        "metric",
    )
    assert (fleet.verdict.rides, fleet.verdict.days, fleet.verdict.data_max_age_days) == (
        20,
        30,
        14,
    )
    assert fleet.verdict.must_assess == ("cruise/engaged-under-braking", "switches/brake-dead")
    assert fleet.samples_days == 90
    assert settings.cruise == Cruise()
    assert settings.speed_signal == SpeedSignal()
    assert settings.drivetrain.idle_rpm == 1000
    assert settings.drivetrain.redline_rpm == 9000
    assert settings.thresholds == {}
    assert fleet.bikes["T07"].hold is False
    assert fleet.layout_of("T07") is None


def test_a_folder_with_fleet_toml_alone_is_a_fleet_without_bikes(tmp_path: Path) -> None:
    fleet = load_fleet(write(tmp_path, {"fleet.toml": 'name = "A"\n'}), known_limits=KNOWN)

    assert (fleet.bikes, fleet.models, fleet.layouts, fleet.mistakes) == ({}, {}, {}, ())


def test_every_key_arrives(tmp_path: Path) -> None:
    fleet = load_fleet(write(tmp_path, FULL), known_limits=KNOWN)
    settings = fleet.settings("T07")

    assert (fleet.time_zone, fleet.display_units, fleet.samples_days) == (
        "Europe/Rome",
        "imperial",
        30,
    )
    assert settings.cruise == Cruise(
        fitted=True,
        minimum_kmh=50,
        maximum_kmh=150,
        hold_tolerance_kmh=3,
        must_cancel=("front_brake", "rear_brake", "clutch"),
        cancel_within_s=0.4,
        far_from_set_kmh=20,
        panel=("power", "set", "resume", "cancel"),
        throttle="by_wire",
        adaptive=True,
    )
    assert settings.speed_signal == SpeedSignal("driven_wheel", 3, 0.5, reading_stated=True)
    assert (settings.drivetrain.idle_rpm, settings.drivetrain.redline_rpm) == (1100, 8200)
    assert list(settings.other_models) == ["brown-owl"]
    assert settings.other_models["brown-owl"].overall_ratios == (10.1, 7, 5.4)
    layout = fleet.layout_of("T07")
    assert layout is not None
    assert layout.name == "bench"


@pytest.mark.outside
def test_overall_ratio_is_the_product_of_a_published_worked_example(tmp_path: Path) -> None:
    # A consumer how-to page on gearing: primary 1.741, third 1.545, final 2.388 give 6.423;
    # at 4000 rpm the wheel turns 622.76 times a minute.
    text = (
        "[drivetrain]\nprimary_ratio = 1.741\ngear_ratios = [2.5, 1.9, 1.545]\n"
        "final_ratio = 2.388\nrolling_circumference_m = 2.0\n"
    )
    overall = load(tmp_path, models__other=text).models["other"].drivetrain.overall_ratios[2]

    assert overall == pytest.approx(6.423, abs=0.001)
    assert 4000 / overall == pytest.approx(622.76, abs=0.1)


@pytest.mark.outside
def test_speed_in_each_gear_agrees_with_a_published_table(tmp_path: Path) -> None:
    # An owners' page on gear ratios: primary 63/22, final 50/14, sixth 0.904761904 and a
    # circumference of 81.78 in give 8.4 mph per 1000 rpm in sixth.
    text = (
        f"[drivetrain]\nprimary_ratio = {63 / 22}\ngear_ratios = [1.1, 0.904761904]\n"
        f"final_ratio = {50 / 14}\nrolling_circumference_m = {81.78 * 0.0254}\n"
    )
    drivetrain = load(tmp_path, models__other=text).models["other"].drivetrain
    mph_per_1000_rpm = 1000 / drivetrain.rpm_per_kmh(2) / 1.609344

    assert mph_per_1000_rpm == pytest.approx(8.4, abs=0.05)


def test_a_measured_circumference_wins_over_the_tyre(tmp_path: Path) -> None:
    measured = load(tmp_path, models__m=MODEL + "rolling_circumference_m = 1.9\n")

    assert measured.models["m"].drivetrain.circumference_m == 1.9
    assert measured.models["grey-heron"].drivetrain.circumference_m == pytest.approx(
        1.939, abs=1e-3
    )


@pytest.mark.parametrize(
    ("in_fleet", "in_model", "in_bike", "used"),
    [
        (1.5, None, None, Override(1.5, "fleet")),
        (1.5, 2.5, None, Override(2.5, "model")),
        (1.5, 2.5, 3.5, Override(3.5, "bike")),
        (1.5, None, 3.5, Override(3.5, "bike")),
        (None, 2.5, None, Override(2.5, "model")),
    ],
)
def test_the_nearest_threshold_wins(
    tmp_path: Path,
    in_fleet: float | None,
    in_model: float | None,
    in_bike: float | None,
    used: Override,
) -> None:
    def lines(value: float | None) -> str:
        return "" if value is None else _threshold(RULE, "offset_kmh", value)

    fleet = load(
        tmp_path,
        fleet=MINIMAL["fleet.toml"] + lines(in_fleet),
        models__grey_heron="",  # another model's mistakes are none of this bike's business
        **{"models__grey-heron": MODEL + lines(in_model), "bikes__T07": BIKE + lines(in_bike)},
    )

    assert fleet.settings("T07").thresholds == {RULE: {"offset_kmh": used}}


def test_a_danger_rule_may_be_made_stricter_anywhere(tmp_path: Path) -> None:
    fleet = load(
        tmp_path,
        fleet=MINIMAL["fleet.toml"] + _threshold(DANGER, "cancel_within_s", 0.4),
        bikes__T07=BIKE + _threshold(DANGER, "cancel_within_s", 0.3),
    )

    assert fleet.settings("T07").thresholds[DANGER]["cancel_within_s"] == Override(0.3, "bike")


@pytest.mark.parametrize(("figure_s", "refused"), [(0.8, False), (0.7, False), (0.6, True)])
def test_a_bike_may_not_be_looser_than_its_models_own_figure(
    tmp_path: Path, figure_s: float, refused: bool
) -> None:
    model = MODEL + f"[cruise]\ncancel_within_s = {figure_s}\n"
    bike = BIKE + _threshold(DANGER, "cancel_within_s", 0.7)
    fleet = load(tmp_path, **{"models__grey-heron": model, "bikes__T07": bike})

    assert bool(fleet.wrong("T07")) is refused


def test_a_fleet_wide_value_never_loosens_a_stricter_model(tmp_path: Path) -> None:
    fleet = load(
        tmp_path,
        fleet=MINIMAL["fleet.toml"] + _threshold(DANGER, "cancel_within_s", 0.4),
        **{"models__grey-heron": MODEL + "[cruise]\ncancel_within_s = 0.3\n"},
    )
    settings = fleet.settings("T07")

    assert settings.cruise.cancel_within_s == 0.3
    assert settings.thresholds == {}


@pytest.mark.parametrize("named", ["[]", '["roll_off"]', '["rear_brake", "clutch"]'])
def test_both_brakes_always_cancel(tmp_path: Path, named: str) -> None:
    model = MODEL + f"[cruise]\nmust_cancel = {named}\n"
    fleet = load(tmp_path, **{"models__grey-heron": model})

    assert fleet.mistakes == ()
    assert set(fleet.settings("T07").cruise.must_cancel) >= {"front_brake", "rear_brake"}


@pytest.mark.parametrize(("text", "fitted"), [("true", True), ("false", False), (None, None)])
def test_fitted_is_yes_no_or_as_logged(
    tmp_path: Path, text: str | None, fitted: bool | None
) -> None:
    model = MODEL + ("[cruise]\n" if text is None else f"[cruise]\nfitted = {text}\n")
    fleet = load(tmp_path, **{"models__grey-heron": model})

    assert fleet.settings("T07").cruise.fitted is fitted


def test_an_unknown_bike_is_told_the_nearest_one(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="T7") as caught:
        load(tmp_path).settings("T7")

    assert "did you mean T07?" in caught.value.what_to_do


def test_a_fleet_travels_to_a_worker_process(tmp_path: Path) -> None:
    fleet = load_fleet(write(tmp_path, FULL), known_limits=KNOWN)
    arrived = pickle.loads(pickle.dumps(fleet))

    assert arrived == fleet
    assert arrived.settings("T07") == fleet.settings("T07")
    assert arrived.layouts["bench"].name == "bench"
    assert arrived.layouts["bench"].channels["wheel_speed"].to_channel == (
        fleet.layouts["bench"].channels["wheel_speed"].to_channel
    )


def test_a_model_file_alone_gives_settings(tmp_path: Path) -> None:
    write(tmp_path, FULL)
    settings = read_settings(tmp_path / "models/grey-heron.toml", known_limits=KNOWN)

    assert settings.model == "grey-heron"
    assert settings.cruise.cancel_within_s == 0.4
    assert settings.thresholds == {RULE: {"offset_kmh": Override(2.5, "model")}}


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("m.toml", "[drivetrain]\n", "the ratios are incomplete"),
        ("m.toml", MODEL + _threshold("no/rule", "a", 1), "no such rule"),
        ("l.toml", "x = [", "not valid TOML"),
        ("l.toml", '[file]\nkind = "csv"\n[columns.time]\ncolumn = "t"\n[columns.gear]\ncolumn = "t"\n', "already read as time"),
        ("missing.toml", None, "cannot be read: no such file"),
    ],
)  # fmt: skip
def test_a_single_wrong_file_is_told_as_a_whole(
    tmp_path: Path, name: str, text: str | None, told: str
) -> None:
    if text is not None:
        write(tmp_path, {name: text})

    read = partial(read_settings, known_limits=KNOWN) if name == "m.toml" else read_layout

    with pytest.raises(FleetError) as caught:
        read(tmp_path / name)

    assert told in str(caught.value)
