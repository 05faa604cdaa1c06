"""Controls at the bench: what hands do is ok, what contacts do is a fault, the rest is open."""

from dataclasses import replace

import pytest

from ridecheck.core.model import Cruise, Drivetrain, Settings, State
from ridecheck.signals.ride import Ride
from ridecheck.simulate.standing import STANDING_FAULTS, StandingLog, standing_log
from ridecheck.trace.bench import BenchReading, plan, read_bench

SETTINGS = Settings(
    model="tourer",
    drivetrain=Drivetrain((5.0, 4.0), 2.0),
    cruise=Cruise(panel=("power", "set", "resume", "cancel")),
)


def read(log: StandingLog) -> BenchReading:
    return read_bench(Ride("r", "B00", [log.part], SETTINGS))


def states(reading: BenchReading) -> dict[str, State]:
    return {c.channel: c.state for c in reading.controls}


def faults(reading: BenchReading) -> set[tuple[str, str]]:
    return {(c.channel, f.kind) for c in reading.controls for f in c.faults}


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0, 100.0, 200.0])
def test_a_sound_bike_has_no_fault_and_every_worked_control_is_ok(rate_hz):
    reading = read(standing_log(rate_hz=rate_hz, seed=(1, 7)))

    assert faults(reading) == set()
    worked = {n: s for n, s in states(reading).items() if n not in ("wheel_speed",)}
    assert set(worked.values()) == {State.OK}
    assert states(reading)["wheel_speed"] is State.NOT_ASSESSED, "nobody turned the wheel"


@pytest.mark.parametrize("rate_hz", [1.0, 5.0])
def test_a_slow_log_clears_nothing(rate_hz):
    reading = read(standing_log(rate_hz=rate_hz, seed=(1, 8)))

    assert State.OK not in {s for n, s in states(reading).items() if n != "wheel_speed"}
    assert reading.checks == ()


@pytest.mark.parametrize("fault", STANDING_FAULTS)
def test_each_planted_fault_is_seen_on_its_control(fault):
    for number in range(5):
        log = standing_log(rate_hz=100.0, seed=(2, number), fault=fault)
        found = faults(read(log))
        named = {
            name for c in read(log).controls for f in c.faults for name in (c.channel, f.other)
        }

        assert log.visible
        assert found, (fault, number)
        assert log.channel in named


def test_a_bounce_below_the_rate_is_not_claimed_and_said_so():
    log = standing_log(rate_hz=20.0, seed=(2, 1), fault="worn-contact")
    (control,) = (c for c in read(log).controls if c.channel == log.channel)

    assert not log.visible
    assert control.faults == ()
    assert "too_slow_for_contact" in {f.kind for f in control.facts}


def test_what_was_never_on_is_never_ok():
    log = standing_log(rate_hz=50.0, seed=(3, 1))
    samples = log.part.samples.with_columns(clutch=False)
    reading = read(replace(log, part=replace(log.part, samples=samples)))

    assert states(reading)["clutch"] is State.NOT_ASSESSED
    assert "clutch" not in reading.done
    assert "clutch-switch-continuity" not in {c.check for c in reading.checks}


def test_a_blank_control_is_left_out_and_its_step_named_as_not_seen():
    reading = read(standing_log(rate_hz=50.0, seed=(3, 2), blank="rear_brake"))

    assert "rear_brake" not in states(reading)
    assert "rear_brake" not in reading.done
    assert "lamp-by-each-control" not in {c.check for c in reading.checks}


def test_steps_are_known_by_what_moves_whatever_their_order():
    reading = read(standing_log(rate_hz=50.0, seed=(3, 3)))

    assert {"front_brake", "rear_brake", "clutch", "roll_off", "throttle"} <= set(reading.done)
    assert "wheel_speed" not in reading.done


def test_the_checks_it_answers_are_those_whose_every_control_was_assessed():
    sound = {c.check: c.result for c in read(standing_log(rate_hz=50.0, seed=(4, 1))).checks}
    dark = read(standing_log(rate_hz=50.0, seed=(4, 1), fault="lamp-ignores-a-brake"))

    assert sound["lamp-by-each-control"] == "ok"
    assert sound["throttle-snaps-shut"] == "ok"
    assert {c.check: c.result for c in dark.checks}["lamp-by-each-control"] == "fault"


def test_the_plan_puts_the_suspects_steps_first_and_leaves_out_what_the_model_lacks():
    bare = replace(SETTINGS, cruise=replace(SETTINGS.cruise, panel=("set",), must_cancel=()))
    steps = [s.id for s in plan(bare)]
    suspected = plan(SETTINGS, ("clutch_switch", "supply"))

    assert "switch_resume" not in steps
    assert "roll_off" not in steps
    assert steps[0] == "rest"
    assert [s.id for s in suspected[:4]] == ["rest", "clutch", "lock-to-lock", "wiggle"]
    assert suspected[1].suspect == "clutch_switch"


def test_a_ride_read_as_a_bench_log_says_how_long_it_moved():
    log = standing_log(rate_hz=20.0, seed=(5, 1))
    samples = log.part.samples.with_columns(wheel_speed=80.0)
    reading = read(replace(log, part=replace(log.part, samples=samples)))

    assert reading.moving_s > 30.0
