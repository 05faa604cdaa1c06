"""Who acted first as cruise let go: the engine, the throttle plate, or a wheel."""

import pytest
from rides import ride_from

from ridecheck.signals.cancels import what_acted_first

COAST = {"pieces": ["100 km/h, gear 5, 10 s", "cruise 100 km/h, gear 5, 60 s",
                    "coast 0.7 m/s2 to 79, gear 5", "79 km/h, gear 5, 10 s"]}  # fmt: skip
LET_GO_S = 70.15


@pytest.mark.parametrize("rate_hz", [20.0, 50.0])
@pytest.mark.parametrize(("plate_open_until_s", "engine"), [(70.0, False), (70.2, True)])
def test_a_bike_that_slows_while_the_plate_is_open_has_an_engine_that_stopped(
    rate_hz, plate_open_until_s, engine
):
    held = {"set.throttle": [[69.0, plate_open_until_s, 20.0]]} if engine else {}
    ride = ride_from({**COAST, "rate_hz": rate_hz, **_nested(held)}, {})

    assert what_acted_first.engine_first(ride, LET_GO_S) is engine


def test_a_plate_that_opens_again_at_once_tells_nothing_of_the_engine():
    held = {"throttle": [[69.0, 70.2, 20.0], [70.4, 71.5, 20.0]]}
    ride = ride_from({**COAST, "rate_hz": 50.0, "set": held}, {})

    assert what_acted_first.engine_first(ride, LET_GO_S) is False


def test_nothing_is_said_of_the_engine_at_one_row_a_second():
    ride = ride_from({**COAST, "rate_hz": 1.0, "set": {"throttle": [[69.0, 73.0, 20.0]]}}, {})

    assert what_acted_first.engine_first(ride, LET_GO_S) is False


def test_engine_speed_that_leaves_the_wheel_is_a_wheel_that_spins_or_a_clutch():
    spun = ride_from({**COAST, "ramp": {"engine_speed": [[70.0, 70.3, 0.0, 250.0]]}}, {})

    assert what_acted_first.parted(spun, LET_GO_S)
    assert not what_acted_first.parted(ride_from(COAST, {}), LET_GO_S)


def test_wheel_and_engine_that_run_up_together_are_a_wheel_that_spins():
    both = {n: [[69.8, 70.4, 1.12]] for n in ("wheel_speed", "engine_speed")}
    lagging = {"wheel_speed": both["wheel_speed"], "engine_speed": [[70.0, 70.4, 1.05]]}

    spun_kmh = what_acted_first.spun_kmh(ride_from(COAST | {"times": both}), LET_GO_S)

    assert spun_kmh == pytest.approx(12, 1)
    assert what_acted_first.spun_kmh(ride_from(COAST | {"times": lagging}), LET_GO_S) > 10.0


@pytest.mark.parametrize(
    "times",
    [{}, {"wheel_speed": [[69.8, 70.4, 1.12]]}, {"engine_speed": [[69.8, 70.4, 1.12]]}],
    ids=["neither", "the wheel's signal alone", "the engine's alone"],
)
def test_one_of_them_alone_is_not(times):
    assert what_acted_first.spun_kmh(ride_from(COAST | {"times": times}), LET_GO_S) == 0.0


def test_hard_slowing_with_no_brake_signal_is_told_and_with_one_is_not():
    braked = {"pieces": [*COAST["pieces"][:2], "brake 3.5 m/s2 to 60, gear 5"]}
    dark = {c: [[0, 100]] for c in ("front_brake", "rear_brake", "brake_lamp")}

    assert what_acted_first.slowed_hard(ride_from({**braked, "off": dark}, {}), LET_GO_S)
    assert not what_acted_first.slowed_hard(ride_from(braked, {}), LET_GO_S)


def _nested(flat):
    return {key.split(".")[0]: {key.split(".")[1]: value} for key, value in flat.items()}
