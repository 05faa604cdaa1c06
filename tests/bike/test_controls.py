"""No release while a control that must end cruise could fail and nobody would see it."""

from dataclasses import replace

import pytest
from kept import DAY, LOGGED, RULES, result

from ridecheck.bike.context import Context
from ridecheck.bike.verdict import assess
from ridecheck.core.model import BikeReport, ChannelFacts, RideResult, Verdict

SWITCH = ChannelFacts(0.05, 1.0)
PANEL_WITH_CANCEL = ("power", "set", "resume", "cancel")


def judged(*rides: RideResult, **context) -> BikeReport:
    return assess(rides, Context(bike="T01", **context), as_of=rides[-1].end, rules=RULES)


def without(*names: str, **others: ChannelFacts) -> RideResult:
    """A ride whose logger lacks some channels and has others."""
    ride = result(DAY)
    left = {n: f for n, f in ride.channels.items() if n not in names}
    return replace(ride, channels=left | others)


def test_a_logger_that_shows_every_control_is_no_hindrance():
    assert judged(result(DAY)).verdict is Verdict.RELEASE


@pytest.mark.parametrize("control", [n for n in LOGGED if n != "cruise_engaged"])
def test_a_control_that_is_not_logged_is_no_opinion_and_is_named(control):
    report = judged(without(control))

    assert report.verdict is Verdict.NO_OPINION
    assert report.because[0].startswith("not known whether these end cruise: ")
    assert "not logged" in report.because[0]


@pytest.mark.parametrize(
    ("control", "stand_in"),
    [
        ("front_brake", "brake_lamp"),
        ("rear_brake", "brake_lamp"),
        ("front_brake", "front_brake_pressure"),
        ("rear_brake", "rear_brake_pressure"),
        ("switch_power", "cruise_armed"),
    ],
)
def test_what_stands_in_for_a_control_will_do(control, stand_in):
    assert judged(without(control, **{stand_in: SWITCH})).verdict is Verdict.RELEASE


def test_the_other_brakes_pressure_does_not_stand_in():
    ride = without("front_brake", rear_brake_pressure=SWITCH)

    assert judged(ride).verdict is Verdict.NO_OPINION


@pytest.mark.parametrize(
    ("interval_s", "verdict"), [(0.1, Verdict.RELEASE), (0.2, Verdict.NO_OPINION)]
)
def test_a_control_must_be_logged_fast_enough_to_show_its_danger(interval_s, verdict):
    rules = {i: replace(r, clear_interval_s=0.1) for i, r in RULES.items()}
    ride = without(clutch=ChannelFacts(interval_s, 1.0))
    report = assess([ride], Context(bike="T01"), as_of=ride.end, rules=rules)

    assert report.verdict is verdict


def test_too_slow_a_control_is_told_with_both_rates():
    report = judged(without(roll_off=ChannelFacts(1.0, 1.0)))

    assert "throttle-closed switch, logged at 1 Hz; 10 Hz needed" in report.because[0]


@pytest.mark.parametrize(
    ("present", "times_on", "verdict"),
    [
        (1.0, 0.0, Verdict.RELEASE),
        (0.98, 3.0, Verdict.RELEASE),
        (0.98, 0.0, Verdict.NO_OPINION),
    ],
    ids=["never used", "used, with cells lost", "blank whenever it would be on"],
)
def test_a_mistyped_word_for_on_is_no_opinion(present, times_on, verdict):
    ride = without(clutch=ChannelFacts(0.05, present))
    ride = replace(
        ride,
        samples=int(ride.duration_s / 0.05),
        measures=ride.measures | {"times_on.clutch": times_on},
    )
    report = judged(ride)

    assert report.verdict is verdict
    assert ("never on, and blank in 2 % of its rows" in " ".join(report.because)) == (
        verdict is Verdict.NO_OPINION
    )


def test_a_control_logged_at_its_own_slower_rate_is_not_blank():
    """Rows every 20 ms, the clutch asked for every 80 ms and never pulled."""
    ride = without(clutch=ChannelFacts(0.08, 0.25))
    ride = replace(
        ride, samples=int(ride.duration_s / 0.02), measures=ride.measures | {"times_on.clutch": 0.0}
    )

    assert judged(ride).verdict is Verdict.RELEASE


def test_cancel_is_asked_for_where_the_panel_has_it_and_the_main_switch_where_not():
    with_cancel = without("switch_power", switch_cancel=SWITCH)

    assert judged(with_cancel, panel=PANEL_WITH_CANCEL).verdict is Verdict.RELEASE
    assert judged(result(DAY), panel=PANEL_WITH_CANCEL).verdict is Verdict.NO_OPINION
    assert judged(without("switch_power")).verdict is Verdict.NO_OPINION


def test_what_the_fleet_accepts_by_name_is_released_and_said():
    accepted = judged(without("clutch"), accept_unlogged=("clutch",))

    assert accepted.verdict is Verdict.RELEASE
    assert "clutch (not logged; accepted in fleet.toml)" in accepted.not_covered
    assert judged(without("clutch", "roll_off"), accept_unlogged=("clutch",)).verdict is (
        Verdict.NO_OPINION
    )


def test_one_ride_that_counts_and_shows_a_control_is_enough():
    later = replace(without("clutch"), ride="T01-later")

    assert judged(result(DAY), later).verdict is Verdict.RELEASE


def test_a_bike_without_cruise_needs_none_of_them():
    assert judged(without(*LOGGED[3:]), cruise_fitted=False).verdict is Verdict.RELEASE


def test_a_cruise_control_that_nobody_states_or_logs_is_not_passed_over_in_silence():
    ride = without("cruise_engaged", "switch_power")
    report = judged(ride, must_assess=())

    assert report.verdict is Verdict.RELEASE
    assert "cruise control (neither stated in the model's file nor logged)" in report.not_covered
    assert judged(ride, must_assess=(), cruise_fitted=True).verdict is Verdict.NO_OPINION
