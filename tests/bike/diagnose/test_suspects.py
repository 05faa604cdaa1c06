"""What a technician is told: who is suspected, how sure, why, and what is not known."""

from dataclasses import replace
from datetime import timedelta

import pytest
from bike.diagnose.made import CHANNELS, FIRST_RIDE, ride, settings
from hypothesis import given
from hypothesis import settings as tries
from hypothesis import strategies as st

from ridecheck.bike.checks import checks
from ridecheck.bike.diagnose import Diagnosis, case_of, diagnose, ordered_checks
from ridecheck.bike.diagnose.causes import knowledge
from ridecheck.core.model import Severity
from ridecheck.fleet.events import Event
from ridecheck.rules import all_rules

PULSES, LOST = "switches/short-pulses", "speed/signal-lost"
UNDER_BRAKING, WRONG = "cruise/engaged-under-braking", "data/wrong-model"
RULES = sorted(
    {s.rule for s in knowledge().signs.values() if s.rule} | {"cruise/cancel-without-cause"}
)
NO_ROLL_OFF = [c for c in CHANNELS if c not in ("roll_off", "side_stand")]


def told(rides, *, events=(), closed=frozenset(), **cruise) -> Diagnosis:
    return diagnose(rides, settings=settings(**cruise), events=events, closed=closed)


def parts(diagnosis: Diagnosis) -> list[str]:
    return [s.part for s in diagnosis.suspects]


def probability(diagnosis: Diagnosis, part: str) -> float:
    return next((s.probability for s in diagnosis.suspects if s.part == part), 0.0)


def event(kind, *, days=0.0, **fields) -> Event:
    return Event(when=FIRST_RIDE + timedelta(days=days), kind=kind, **fields)


def seen(rule, suspected, **kw):
    """Three rides, each of which shows the same thing four times."""
    kw = {"times": 4, "ok": RULES} | kw
    return [ride(i, found={rule: suspected}, **kw) for i in (1, 2, 3)]


def unexplained(**kw):
    """Three rides with four cancels each that nobody asked for and nothing explains."""
    return [ride(i, ok=RULES, cancels=["unexplained"] * 4, **kw) for i in (1, 2, 3)]


SIGNATURES = [
    ("speed_sensor", LOST, ("wheel_speed",), ["signal_lost"]),
    ("front_brake_switch", PULSES, ("front_brake",), ["front_brake"]),
    ("rear_brake_switch", PULSES, ("rear_brake",), ["rear_brake"]),
    ("clutch_switch", PULSES, ("clutch",), ["clutch"]),
    ("roll_off_switch", PULSES, ("roll_off",), ["roll_off"]),
    ("panel_switches", PULSES, ("cruise_armed",), ["power_switch"]),
    ("supply", "electrical/supply-dips", ("supply_voltage",), ["supply"]),
    ("gear_sensor", "drivetrain/neutral-in-gear", ("gear",), ["gear_change"]),
    ("gear_sensor", "drivetrain/gear-disagrees", ("gear",), []),
    ("clutch_plates", "drivetrain/clutch-slips", ("engine_speed",), []),
    ("engine_speed_signal", "drivetrain/engine-speed-lost", ("engine_speed",), []),
    ("actuator", "cruise/hunts", ("wheel_speed",), []),
    ("actuator", "cruise/throttle-stays-open", ("throttle",), []),
    ("rear_brake_switch", "switches/brake-stuck-on", ("rear_brake",), []),
    ("wrong_model", WRONG, ("wheel_speed",), []),
]


@pytest.mark.parametrize(("part", "rule", "channels", "cancels"), SIGNATURES)
def test_a_plain_signature_names_its_part_first(part, rule, channels, cancels):
    found = told(seen(rule, channels, cancels=cancels, channels=set(CHANNELS) - {"brake_lamp"}))

    assert parts(found)[0] == part
    assert found.suspects[0].probability > 0.5


def test_a_bike_with_no_finding_has_no_suspect_and_no_check():
    assert told([ride(i, ok=RULES) for i in range(5)]) == Diagnosis((), (), 1.0)


def test_a_bike_with_no_rides_has_no_suspect():
    assert told([]) == Diagnosis((), (), 1.0)


@pytest.mark.parametrize("severity", [Severity.WATCH, Severity.NOTE])
def test_what_is_only_watched_makes_no_suspect(severity):
    assert told(seen(PULSES, ("front_brake",), severity=severity)).suspects == ()


def test_closed_findings_make_no_suspect():
    rides = seen(PULSES, ("front_brake",), cancels=["front_brake"])
    closed = frozenset(f.id for r in rides for f in r.findings)

    assert told(rides, closed=closed).suspects == ()


def test_the_order_of_rides_plays_no_part():
    rides = seen(PULSES, ("front_brake",), cancels=["front_brake", "unexplained"])

    assert told(rides) == told(rides[::-1])


def test_one_pulse_in_many_clean_rides_is_rather_no_fault():
    rides = [ride(0, ok=RULES, found={PULSES: ("front_brake",)})]
    rides += [ride(i, ok=RULES) for i in range(1, 12)]

    assert told(rides).unassigned > 0.5


@pytest.mark.parametrize(
    ("never_on", "part"),
    [
        (["front_brake"], "front_brake_switch"),
        (["rear_brake"], "rear_brake_switch"),
    ],
)
def test_a_dead_brake_switch_is_the_one_that_was_never_on(never_on, part):
    both = ("front_brake", "rear_brake")
    # No lamp and no pressure is logged, so nothing was held against them.
    ran = set(RULES) - {"switches/lamp-disagrees", "switches/pressure-disagrees"}
    dead = seen(
        "switches/brake-dead",
        both,
        never_on=never_on,
        severity=Severity.DANGER,
        channels=set(CHANNELS) - {"brake_lamp"},
        ok=ran,
    )

    found = told(dead)

    assert parts(found)[0] == part
    assert found.suspects[0].probability > 0.5


def test_both_brakes_dead_with_set_ignored_is_rather_the_fuse_they_share():
    dead = {"switches/brake-dead": ("front_brake",), "cruise/set-ignored": ("switch_set",)}
    rides = [
        ride(
            i,
            ok=RULES,
            found=dead,
            times=4,
            never_on=["front_brake", "rear_brake"],
            severity=Severity.DANGER,
        )
        for i in range(3)
    ]

    assert parts(told(rides))[0] == "supply"


def test_guesses_spread_over_many_parts_name_nobody():
    lone = ride(1, ok=RULES, hz=1.0, hours=0.2, cancels=["unexplained"])

    found = told([lone, ride(2, ok=RULES, hz=1.0)])

    assert found.suspects == ()
    assert found.unassigned == 1.0


class TestProbabilities:
    @tries(max_examples=40, deadline=None)
    @given(st.data())
    def test_sum_to_one_with_what_is_left_whatever_was_found(self, data):
        rides = []
        for number in range(data.draw(st.integers(1, 4))):
            rules = data.draw(st.lists(st.sampled_from(RULES), max_size=6, unique=True))
            channel = data.draw(st.sampled_from(CHANNELS))
            kinds = ["unexplained", *knowledge().cancels]
            rides.append(
                ride(
                    number,
                    ok=RULES,
                    found=dict.fromkeys(rules, (channel,)),
                    cancels=data.draw(st.lists(st.sampled_from(kinds), max_size=5)),
                    hz=data.draw(st.sampled_from([1.0, 10.0, 50.0])),
                    fits_model=data.draw(st.booleans()),
                    dated=data.draw(st.booleans()),
                )
            )

        found = told(rides)

        assert sum(s.probability for s in found.suspects) + found.unassigned == pytest.approx(1.0)
        assert all(0.0 < s.probability <= 1.0 for s in found.suspects)

    def test_two_faults_at_once_are_both_named(self):
        both = {PULSES: ("front_brake",), LOST: ("wheel_speed",)}
        rides = [
            ride(i, ok=RULES, found=both, times=4, cancels=["front_brake", "signal_lost"])
            for i in range(3)
        ]

        assert set(parts(told(rides))[:2]) == {"front_brake_switch", "speed_sensor"}

    def test_a_slow_log_clears_a_switch_less_than_a_fast_one(self):
        slow, fast = (
            probability(
                told([ride(ok=RULES, cancels=["unexplained"] * 2, hz=hz)]), "front_brake_switch"
            )
            for hz in (10.0, 50.0)
        )

        assert slow > fast

    def test_an_input_not_logged_stays_open(self):
        with_it = told(unexplained(hz=50.0))
        without_it = told(unexplained(hz=50.0, channels=NO_ROLL_OFF))

        assert probability(without_it, "roll_off_switch") > probability(with_it, "roll_off_switch")
        suspect = next(s for s in without_it.suspects if s.part == "roll_off_switch")
        assert "throttle-closed switch not logged" in suspect.not_logged


class TestTheControlUnit:
    EVIDENCE = ("cruise/engages-by-itself", ("cruise_engaged",))

    def measured(self, **results):
        named = {"supply-at-the-plug": "ok", "earth-drop": "ok"} | results
        return [event("checked", days=9, check=c, result=r) for c, r in named.items()]

    def test_is_never_first_before_its_plug_is_measured(self):
        found = told(seen(*self.EVIDENCE, severity=Severity.DANGER))

        assert parts(found)[0] != "control_unit"
        suspect = next(s for s in found.suspects if s.part == "control_unit")
        assert "Measure supply and ground at the connector first." in suspect.against

    def test_shares_evenly_with_its_plug_until_that_is_measured(self):
        found = told(seen("cruise/hold-offset", ("wheel_speed",), times=6))

        unit, supply = (probability(found, p) for p in ("control_unit", "supply"))
        assert unit == pytest.approx(supply, rel=0.02)
        assert found.unassigned < 0.2

    def test_takes_the_share_of_its_plug_no_more_once_that_is_good(self):
        rides = seen(*self.EVIDENCE, severity=Severity.DANGER)

        before, after = told(rides), told(rides, events=self.measured())

        assert probability(after, "supply") < 0.5 * probability(before, "supply")
        assert probability(after, "control_unit") > probability(before, "control_unit")

    def test_is_told_to_look_the_same_as_its_plug(self):
        found = told(seen(*self.EVIDENCE, severity=Severity.DANGER))

        suspect = next(s for s in found.suspects if s.part == "control_unit")
        assert (
            "a bad supply or ground at its connector looks the same in every log" in suspect.against
        )

    def test_can_be_first_once_supply_and_earth_are_good(self):
        rides = seen(*self.EVIDENCE, severity=Severity.DANGER)

        found = told(rides, events=self.measured())

        assert parts(found)[0] == "control_unit"

    def test_one_of_the_two_measurements_is_not_enough(self):
        rides = seen(*self.EVIDENCE, severity=Severity.DANGER)

        found = told(rides, events=self.measured()[:1])

        assert parts(found)[0] != "control_unit"

    def test_stays_behind_while_an_input_that_must_cancel_was_not_logged(self):
        rides = seen(*self.EVIDENCE, severity=Severity.DANGER, channels=NO_ROLL_OFF)

        found = told(rides, events=self.measured())

        assert parts(found)[:1] != ["control_unit"]

    def test_measuring_the_plug_is_among_the_next_checks(self):
        found = told(seen(*self.EVIDENCE, severity=Severity.DANGER))

        assert {"supply-at-the-plug", "earth-drop"} <= {c.check for c in found.next_checks}

    def test_the_plug_is_measured_for_the_units_sake_too(self):
        # Nothing but the unit itself makes cruise hold another speed than the one set.
        case = case_of(
            seen("cruise/hold-offset", ("wheel_speed",)), settings=settings(throttle="by_wire")
        )
        only_unit = replace(case.posterior, causes=case.posterior.causes * 0.0)
        only_unit.causes[list(case.known.causes).index("unit-holds-wrong")] = 1.0

        told_first = {c.check for c in ordered_checks(replace(case, posterior=only_unit))}

        assert {"supply-at-the-plug", "earth-drop"} <= told_first

    def test_is_not_swapped_before_its_plug_is_measured(self):
        rides = seen(*self.EVIDENCE, severity=Severity.FAULT)

        before = told(rides)
        after = told(rides, events=self.measured())

        assert "known-good-swap" not in {c.check for c in before.next_checks}
        assert "known-good-swap" in {c.check for c in after.next_checks}


class TestNothingByElimination:
    def test_clean_inputs_leave_every_part_below_three_in_ten(self):
        found = told(unexplained(hz=20.0, channels=NO_ROLL_OFF))

        assert all(s.probability < 0.3 for s in found.suspects)

    def test_a_guess_is_called_one_and_the_inputs_that_would_settle_it_are_named(self):
        found = told(unexplained(hz=20.0, channels=NO_ROLL_OFF))

        suspect = next(s for s in found.suspects if s.part == "supply")
        assert any("nothing of its own was seen; 12 cancels" in e for e in suspect.evidence_for)
        assert "throttle-closed switch not logged at 20 Hz in every ride" in suspect.not_logged
        assert "side stand not logged at 20 Hz in every ride" in suspect.not_logged

    def test_why_a_guess_is_held_low_is_said(self):
        held = told(unexplained(hz=10.0)).suspects[0]
        free = told(unexplained(hz=20.0)).suspects[0]

        assert any("held below 30 %" in a for a in held.against)
        assert not any("held below 30 %" in a for a in free.against)

    def test_ten_hertz_of_everything_is_not_enough(self):
        assert all(s.probability < 0.3 for s in told(unexplained(hz=10.0)).suspects)

    def test_everything_logged_at_twenty_hertz_may_leave_one_part(self):
        assert max(s.probability for s in told(unexplained(hz=20.0)).suspects) > 0.3


class TestTheBikesHistory:
    def test_new_bars_on_a_cable_throttle_lead_to_the_roll_off_switch(self):
        # Common practice: about nine in ten.
        bars = [event("modification", note="new bars and risers")]

        found = told(unexplained(hz=10.0, channels=NO_ROLL_OFF), events=bars)

        assert parts(found)[0] == "roll_off_switch"
        assert found.suspects[0].probability > 0.85

    def test_new_bars_mean_nothing_where_the_throttle_is_by_wire(self):
        bars = [event("modification", note="new bars and risers")]

        found = told(unexplained(hz=10.0, channels=NO_ROLL_OFF), events=bars, throttle="by_wire")

        assert probability(found, "roll_off_switch") < 0.3

    def test_new_bars_do_not_outweigh_what_was_seen(self):
        bars = [event("modification", note="new bars")]

        found = told(seen(LOST, ("wheel_speed",), cancels=["signal_lost"]), events=bars)

        assert parts(found)[0] == "speed_sensor"

    def test_bars_changed_after_the_fault_showed_did_not_make_it(self):
        bars = [event("modification", days=30, note="new bars")]

        found = told(unexplained(hz=10.0, channels=NO_ROLL_OFF), events=bars)

        assert probability(found, "roll_off_switch") < 0.3

    def test_a_wash_the_day_before_raises_what_water_gets_into(self):
        rides = unexplained(hz=10.0)
        washed = told(rides, events=[event("wash", days=0.5)])
        long_ago = told(rides, events=[event("wash", days=-20)])

        gone_in = {"supply", "panel_switches"}
        assert sum(probability(washed, p) for p in gone_in) > sum(
            probability(long_ago, p) for p in gone_in
        )

    def test_a_part_repaired_before_is_suspected_less(self):
        rides = seen(PULSES, ("brake_lamp",), channels={*CHANNELS} - {"front_brake", "rear_brake"})
        fixed = told(rides, events=[event("repair", part="front_brake_switch")])

        assert probability(fixed, "front_brake_switch") < probability(
            told(rides), "front_brake_switch"
        )
        assert parts(fixed)[0] == "rear_brake_switch"


class TestTheBench:
    RIDES = seen(PULSES, ("brake_lamp",), channels={*CHANNELS} - {"front_brake", "rear_brake"})

    def after(self, **results):
        return told(
            self.RIDES,
            events=[
                event("checked", days=9, check=c.replace("_", "-"), result=r)
                for c, r in results.items()
            ],
        )

    def test_a_fault_found_there_settles_it(self):
        found = self.after(rear_pedal_point="fault")

        assert parts(found)[0] == "rear_brake_switch"
        assert found.suspects[0].probability > 0.85
        assert any("showed a fault" in e for e in found.suspects[0].evidence_for)

    def test_nothing_found_lowers_an_intermittent_fault_but_does_not_clear_it(self):
        before = probability(told(self.RIDES), "rear_brake_switch")
        after = probability(self.after(lever_free_play="ok"), "front_brake_switch")

        assert 0.1 < after < probability(told(self.RIDES), "front_brake_switch")
        assert probability(self.after(lever_free_play="ok"), "rear_brake_switch") > before

    def test_a_weak_look_lowers_less_than_a_strong_one(self):
        weak = probability(self.after(brake_lamp_load="ok"), "rear_brake_switch")
        strong = probability(self.after(rear_pedal_point="ok"), "rear_brake_switch")

        assert strong < weak

    def test_a_check_done_is_not_told_again(self):
        assert "tap-test" in {c.check for c in told(self.RIDES).next_checks}
        assert "tap-test" not in {c.check for c in self.after(tap_test="ok").next_checks}

    def test_a_check_done_before_the_fault_showed_says_nothing_of_it(self):
        old = event("checked", days=-9, check="rear-pedal-point", result="ok")

        assert told(self.RIDES, events=[old]) == told(self.RIDES)

    def test_a_result_in_words_nobody_agreed_on_counts_for_nothing(self):
        odd = event("checked", days=9, check="rear-pedal-point", result="looked odd to me")

        assert told(self.RIDES, events=[odd]) == told(self.RIDES)


class TestWrongModelAndLogger:
    def test_a_log_of_another_bike_is_itself_the_first_suspect(self):
        odd = {WRONG: ("wheel_speed",), "drivetrain/gear-disagrees": ("gear",)}
        found = told([ride(1, ok=RULES, found=odd, times=3, fits_model=False)])

        assert parts(found)[0] == "wrong_model"

    def test_a_log_that_fits_no_model_at_all_may_be_the_speed_signals_scale(self):
        odd = {WRONG: ("wheel_speed", "engine_speed")}
        kw = {"ok": RULES, "found": odd, "times": 3, "fits_model": False}
        another = told([ride(1, **kw)])
        none = told([ride(1, fits=(), **kw)])

        assert probability(none, "speed_sensor") > 2 * probability(another, "speed_sensor")
        assert parts(none)[0] == "wrong_model"

    def test_findings_on_such_a_log_do_not_make_the_bike_suspect(self):
        odd = {WRONG: ("wheel_speed",), LOST: ("wheel_speed",)}
        found = told([ride(1, ok=RULES, found=odd, times=3, fits_model=False)])

        assert probability(found, "speed_sensor") < 0.1

    def test_it_comes_first_even_where_a_part_of_the_bike_is_likelier(self):
        # One log of another bike among rides that show a plain fault of this one.
        rides = [
            ride(1, ok=RULES, found={WRONG: ("wheel_speed",)}, times=6, fits_model=False),
            *(
                ride(i, ok=RULES, found={LOST: ("wheel_speed",)}, times=6, cancels=["signal_lost"])
                for i in (2, 3, 4)
            ),
        ]

        found = told(rides)

        assert parts(found)[:2] == ["wrong_model", "speed_sensor"]

    def test_frozen_values_and_clock_steps_point_to_the_logger(self):
        odd = {"speed/frozen": ("wheel_speed",), "data/clock-steps": ()}
        found = told([ride(i, ok=RULES, found=odd, times=3) for i in range(3)])

        assert parts(found)[0] == "logger"


class TestWhatIsSaid:
    FOUND = told(seen(PULSES, ("front_brake",), cancels=["front_brake", "unexplained"], hz=10.0))

    def test_for_holds_counts(self):
        said = self.FOUND.suspects[0].evidence_for

        assert any("12 times, in 3 rides" in s for s in said)
        assert any("3 of 6 uncommanded cancels" in s for s in said)

    def test_against_holds_what_should_have_shown(self):
        said = " ".join(self.FOUND.suspects[0].against)

        assert "no uncommanded short pulse of the brake lamp" in said
        assert "were this the fault, that would have shown" in said
        assert "without its signal" in said

    def test_a_slow_channel_is_said_to_be_slow(self):
        said = " ".join(self.FOUND.suspects[0].not_logged)

        assert "a pulse of 40 ms shows 40 times in 100" in said

    def test_what_else_the_part_serves_is_named(self):
        assert self.FOUND.suspects[0].also_serves == ("brake lamp",)


class TestNextChecks:
    def test_each_carries_its_caution(self):
        found = told(seen(PULSES, ("rear_brake",), cancels=["rear_brake"]))

        assert found.next_checks
        assert all(c.caution for c in found.next_checks)

    @pytest.mark.parametrize("channel", ["front_brake", "rear_brake"])
    def test_a_brake_switch_asks_about_recalls_once(self, channel):
        found = told(seen(PULSES, (channel,), cancels=[channel]))

        asked = [c for c in found.next_checks if "open recalls" in c.how]
        assert [c.part for c in asked] == [f"{channel}_switch"]

    def test_another_part_does_not(self):
        found = told(seen(LOST, ("wheel_speed",), cancels=["signal_lost"]))

        assert not any("recalls" in c.how for c in found.next_checks)

    def test_under_a_danger_nothing_is_done_on_the_road(self):
        found = told(seen(UNDER_BRAKING, ("front_brake",), severity=Severity.DANGER))

        assert found.next_checks
        assert all(checks()[c.check].standing for c in found.next_checks)

    @pytest.mark.parametrize("channel", ["front_brake", "rear_brake"])
    def test_a_brake_that_does_not_end_cruise_is_looked_at_in_the_lamp_first(self, channel):
        found = told(seen(UNDER_BRAKING, (channel,), severity=Severity.DANGER))

        assert found.next_checks[0].check == "lamp-by-each-control"

    @pytest.mark.parametrize("rule", [r for r in all_rules().values() if r.checks])
    def test_every_check_a_sign_off_must_name_is_told(self, rule):
        found = told(seen(rule.id, ("cruise_engaged",), severity=Severity.DANGER))

        assert set(rule.checks) <= {c.check for c in found.next_checks}

    def test_a_dangerous_cause_is_looked_for_before_a_likelier_harmless_one(self):
        both = {"cruise/throttle-stays-open": ("throttle",), PULSES: ("front_brake",)}
        rides = [
            ride(
                i, ok=RULES, found=both, times=4, severity=Severity.DANGER, cancels=["front_brake"]
            )
            for i in range(3)
        ]

        assert told(rides).next_checks[0].check == "throttle-snaps-shut"

    def test_a_likely_dangerous_cause_keeps_the_bike_off_the_road_without_an_open_danger(self):
        # Set ignored, cruise never on, and both brakes never on since: rather the shared fuse.
        odd = {"cruise/set-ignored": ("switch_set",)}
        dead = ["front_brake", "rear_brake", "cruise_engaged"]
        rides = [ride(i, ok=RULES, found=odd, times=4, never_on=dead) for i in range(3)]

        found = told(rides)

        assert parts(found)[0] == "supply"
        assert all(checks()[c.check].standing for c in found.next_checks)

    def test_the_proof_ride_is_no_way_to_look_for_a_fault(self):
        for part, rule, channels, cancels in SIGNATURES:
            found = told(seen(rule, channels, cancels=cancels))

            assert "cancel-proof-ride" not in {c.check for c in found.next_checks}, part

    def test_a_bike_raised_by_a_doubtful_finding_still_has_something_to_look_at(self):
        rides = [ride(0, ok=RULES, found={PULSES: ("clutch",)})]
        rides += [ride(i, ok=RULES) for i in range(1, 12)]

        assert {c.part for c in told(rides).next_checks} == {"clutch_switch"}
