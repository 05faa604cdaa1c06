"""Published worked examples of gearing, held against the model file and the whole job.

Each example names where it was printed. Where a source holds a misprint, the misprint is
used as a wrong model, and the program must not agree with it.
"""

from pathlib import Path

import numpy as np
import pytest
from outside.fleets import Screened, read_fleet, screen, write_fleet

from ridecheck.core.model import Drivetrain
from ridecheck.fleet.tyres import parse_tyre

pytestmark = pytest.mark.outside

MILE_KM = 1.609344
INCH_M = 0.0254

LAYOUT = """
[file]
kind = "csv"
bike_from = "name"
bike_pattern = "^(?P<bike>[A-Z]+[0-9]+)_"

[columns.time]
column = "time"
format = "iso8601"

[columns.wheel_speed]
column = "speed"
unit = "mph"

[columns.engine_speed]
column = "rpm"
unit = "rpm"

[columns.gear]
column = "gear"
"""

# Sprockets, overall ratio in sixth, mph for 1000 rpm: owners' table for a chain-driven
# motorcycle with primary 63/22, sixth 0.904761904 and a rolling circumference of 81.78 in.
SPROCKETS = (
    ("45/15", 7.773, 9.960),
    ("46/15", 7.946, 9.745),
    ("48/15", 8.291, 9.340),
    ("45/14", 8.327, 9.299),
    ("49/15", 8.464, 9.149),
    ("46/14", 8.514, 9.097),
    ("50/15", 8.635, 8.967),
    ("50/14", 9.253, 8.4),
)
MISPRINT = ("47/15", 6.117, 9.540)
"""The same table prints 6.117 for 47/15; its own arithmetic gives 8.117."""


def drivetrain_of(tmp_path: Path, model: str) -> Drivetrain:
    """What the program makes of a model file."""
    write_fleet(tmp_path, models={"one": model}, layout=LAYOUT, bikes={"A1": "one"})
    return read_fleet(tmp_path).settings("A1").drivetrain


def test_wheel_speed_in_third_of_a_shaft_driven_tourer(tmp_path):
    """Tip 94, "Reading Gear Ratios", msgroup.org: 2000 rpm in third is 340 rpm at the wheel."""
    model = """
        [drivetrain]
        primary_ratio = 1.661884   # 1.708 x 0.973: two reductions before the gearbox
        gear_ratios = [2.571, 1.667, 1.250, 1.000, 0.800]
        final_ratio = 2.833
        driven_tyre = "150/90-15"
    """

    drivetrain = drivetrain_of(tmp_path, model)

    assert 2000 / drivetrain.overall_ratios[2] == pytest.approx(340, abs=0.5)
    assert pytest.approx(1203, abs=0.5) == 2000 / 1.661884


def test_mph_for_1000_rpm_of_a_chain_driven_motorcycle(tmp_path):
    """Owners' page: overall reduction 10.227, sixth 9.253, 8.4 mph for 1000 rpm in sixth."""
    circumference_m = 81.78 * INCH_M
    model = f"""
        [drivetrain]
        primary_ratio = {63 / 22}
        gear_ratios = [0.904761904]
        final_ratio = {50 / 14}
        rolling_circumference_m = {circumference_m}
    """

    drivetrain = drivetrain_of(tmp_path, model)
    mph = 1000 / drivetrain.rpm_per_kmh(1) / MILE_KM

    assert drivetrain.overall_ratios[0] == pytest.approx(9.253246746, abs=1e-6)
    assert mph == pytest.approx(8.4, abs=0.05)


def test_overall_ratio_of_a_how_to_page(tmp_path):
    """Primary 1.741, third 1.545, final 2.388: total 6.423; 4000 rpm is 622.76 at the wheel.

    The page's tyre (130/80 R17 as 27.24 in) is wrong and must not come out of the tyre code.
    """
    model = """
        [drivetrain]
        primary_ratio = 1.741
        gear_ratios = [1.545]
        final_ratio = 2.388
        driven_tyre = "130/80-17"
    """

    drivetrain = drivetrain_of(tmp_path, model)

    assert drivetrain.overall_ratios[0] == pytest.approx(6.423, abs=0.001)
    assert 4000 / drivetrain.overall_ratios[0] == pytest.approx(622.76, abs=0.05)
    assert parse_tyre("130/80-17").diameter_mm / 25.4 == pytest.approx(25.19, abs=0.005)


def test_speed_from_engine_speed_as_a_regulation_writes_it():
    """French order of 27 March 1979, article 2: V = 0.06 x D x n x R, R wheel over engine."""
    drivetrain = Drivetrain((6.25,), 1.98)

    by_the_order_kmh = 0.06 * 1.98 * 5000 * (1 / 6.25)

    assert 5000 / drivetrain.rpm_per_kmh(1) == pytest.approx(by_the_order_kmh, rel=1e-12)


@pytest.fixture(scope="module")
def screened(tmp_path_factory) -> Screened:
    """One bike for each line of the sprocket table, ridden in sixth at its printed speeds."""
    root = tmp_path_factory.mktemp("sprockets")
    lines = (*SPROCKETS, MISPRINT)
    models = {
        f"m{n}": f"[drivetrain]\noverall_ratios = [{overall}]\n"
        f"rolling_circumference_m = {81.78 * INCH_M}\n"
        for n, (_, overall, _) in enumerate(lines, start=1)
    }
    bikes = {f"S{n}": f"m{n}" for n in range(1, len(lines) + 1)}
    write_fleet(root, models=models, layout=LAYOUT, bikes=bikes)
    for n, (_, _, mph) in enumerate(lines, start=1):
        (root / "inbox" / f"S{n}_ride.csv").write_text(ride_in_top(mph, seed=n), "utf-8")
    return screen(root)


def ride_in_top(mph_per_1000_rpm: float, *, seed: int) -> str:
    """Ten minutes at 10 Hz in the only gear: rpm rises and falls slowly, speed follows."""
    t_s = np.arange(0, 600, 0.1)
    rpm = 4000 + 800 * np.sin(2 * np.pi * t_s / 240)
    rpm *= 1 + 0.003 * np.random.default_rng(seed).standard_normal(len(t_s))
    mph = (4000 + 800 * np.sin(2 * np.pi * t_s / 240)) / 1000 * mph_per_1000_rpm
    instants = np.datetime64("2026-05-04T08:00:00.000") + (t_s * 1000).round().astype("m8[ms]")
    rows = [f"{i}Z,{v:.2f},{r:.0f},1" for i, v, r in zip(instants, mph, rpm, strict=True)]
    return "\n".join(["time,speed,rpm,gear", *rows, ""])


@pytest.mark.parametrize(("n", "line"), list(enumerate(SPROCKETS, start=1)))
def test_a_ride_at_the_printed_speeds_fits_its_ratio(screened, n, line):
    assert screened.above_note(f"S{n}") == [], line
    assert screened.state(f"S{n}", "drivetrain/speed-against-engine") == "ok", line


def test_a_ride_at_the_printed_speed_does_not_fit_the_misprinted_ratio(screened):
    """A third off and one gear alone: which of the two is wrong cannot be told, but not "ok"."""
    bike = f"S{len(SPROCKETS) + 1}"

    assert screened.state(bike, "drivetrain/speed-against-engine") != "ok"
    assert screened.state(bike, "data/wrong-model") != "ok"
