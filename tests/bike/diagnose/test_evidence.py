"""What rides could have shown: silence is worth only what was looked at."""

from dataclasses import replace

import pytest
from bike.diagnose.made import outcome, ride, settings

from ridecheck.bike.diagnose import case_of
from ridecheck.bike.diagnose.causes import knowledge
from ridecheck.bike.diagnose.evidence import Evidence
from ridecheck.core.model import State
from ridecheck.rules import all_rules

KNOWN = knowledge()
PULSES = KNOWN.signs["front-pulses"]
WORN = KNOWN.causes["front-switch-worn"]
RULE = "switches/short-pulses"


def evidence(*rides, closed=frozenset()):
    return Evidence(
        rides,
        closed=closed,
        must_cancel=settings().cruise.must_cancel,
        known=KNOWN,
        rules=all_rules(),
    )


def with_outcome(result, state, *, exposure_s=0.0, events=0):
    own = replace(outcome(RULE, state), exposure_s=exposure_s, events=events)
    return replace(result, rules=(own,))


class TestHowWellARideWasLookedOver:
    def test_an_earned_ok_is_a_whole_look(self):
        one = ride(ok=[RULE])

        assert evidence(one).look(PULSES, one) == 1.0

    def test_a_channel_not_logged_is_no_look(self):
        one = ride(ok=[RULE], without=["front_brake"])

        assert evidence(one).look(PULSES, one) == 0.0

    def test_a_rule_that_never_ran_is_no_look(self):
        one = ride()

        assert evidence(one).look(PULSES, one) == 0.0

    def test_a_rule_in_error_is_no_look(self):
        one = with_outcome(ride(), State.ERROR, exposure_s=1e6, events=99)

        assert evidence(one).look(PULSES, one) == 0.0

    def test_too_short_an_exposure_is_part_of_a_look(self):
        needed_s = all_rules()["cruise/cancel-without-cause"].clear_s
        sign = replace(PULSES, rule="cruise/cancel-without-cause", channels=())
        own = outcome(sign.rule, State.NOT_ASSESSED)
        one = replace(ride(), rules=(replace(own, exposure_s=needed_s / 4),))

        assert evidence(one).look(sign, one) == pytest.approx(0.25)

    def test_a_ride_of_another_bike_says_nothing_of_this_one(self):
        one = ride(ok=[RULE, "data/wrong-model"], fits_model=False)

        assert evidence(one).look(PULSES, one) == 0.0
        assert evidence(one).look(KNOWN.signs["wrong-model"], one) == 1.0


class TestWhatCouldHaveShown:
    def chance(self, *rides, strength=1.0):
        return evidence(*rides).could_show(PULSES, WORN, strength=strength)

    def test_grows_with_rides_and_stays_below_what_the_cause_shows_at_all(self):
        one = self.chance(ride(1, ok=[RULE], hours=0.1))
        three = self.chance(*(ride(i, ok=[RULE], hours=0.1) for i in range(3)))

        assert 0.0 < one < three < WORN.shows["front-pulses"]

    def test_is_less_at_a_slower_rate(self):
        slow, fast = (self.chance(ride(ok=[RULE], hz=hz, hours=0.2)) for hz in (5.0, 50.0))

        assert slow < fast / 2

    def test_a_latched_switch_shows_at_any_rate(self):
        one = ride(ok=[RULE], hz=5.0, hours=0.2)
        facts = replace(one.channels["front_brake"], latched=True)
        latched = replace(one, channels={**one.channels, "front_brake": facts})

        assert self.chance(latched) == self.chance(ride(ok=[RULE], hz=50.0, hours=0.2))

    def test_a_seldom_fault_shows_less(self):
        one = ride(ok=[RULE])

        assert self.chance(one, strength=0.01) < self.chance(one) / 5


class TestASwitchThatWasNeverOn:
    SIGN = KNOWN.signs["rear-never-on"]

    def looked(self, *, last_on_s, found_s, duration_s=600.0):
        one = ride(found={"switches/brake-dead": ("rear_brake",)}, hours=duration_s / 3600.0)
        at = replace(one.findings[0], start_s=found_s, end_s=found_s + 1.0)
        one = replace(one, findings=(at,), measures={"last_on_s.rear_brake": last_on_s})
        found = evidence(one)
        return found.look(self.SIGN, one), "rear-never-on" in found.seen

    def test_works_where_it_was_on_after_the_finding_however_late(self):
        assert self.looked(last_on_s=595.0, found_s=580.0) == (1.0, False)

    def test_was_never_on_where_the_rest_of_the_ride_was_long_enough(self):
        assert self.looked(last_on_s=50.0, found_s=200.0) == (1.0, True)

    def test_cannot_be_told_where_the_ride_ended_soon_after(self):
        assert self.looked(last_on_s=50.0, found_s=580.0) == (0.0, False)

    def test_was_never_on_where_it_was_on_nowhere_in_the_ride(self):
        assert self.looked(last_on_s=-1.0, found_s=580.0) == (1.0, True)


class TestCancels:
    def test_one_whose_finding_was_closed_counts_no_more(self):
        one = ride(cancels=["unexplained"])
        closed = frozenset(f.id for f in one.findings)

        assert len(evidence(one).free_cancels) == 1
        assert evidence(one, closed=closed).free_cancels == ()

    def test_one_that_was_asked_for_never_counts(self):
        one = ride(cancels=["front_brake"])
        asked = replace(one, cancels=(replace(one.cancels[0], commanded=True),))

        assert evidence(asked).free_cancels == ()

    def test_half_of_the_pulses_are_missed_at_a_rate_that_shows_half(self):
        # 40 ms at 12.5 Hz.
        one = ride(hz=12.5, cancels=["unexplained", "front_brake"], without=["brake_lamp"])
        found = evidence(one)
        silent, shown = found.free_cancels

        assert found.cancel_chances(WORN, silent) == pytest.approx(0.5)
        assert found.cancel_chances(WORN, shown) == pytest.approx(0.5)

    def test_an_input_not_logged_makes_only_cancels_without_a_cause(self):
        one = ride(cancels=["unexplained"], without=["front_brake", "brake_lamp"])
        found = evidence(one)

        assert found.cancel_chances(WORN, found.free_cancels[0]) == 1.0

    def test_a_vote_of_the_rider_alone_is_wrong_more_often(self):
        full = evidence(ride(hz=20.0)).false_cancels()
        vote = evidence(ride(hz=20.0, without=["roll_off"])).false_cancels()

        assert vote > 3 * full


class TestWhatTheSilenceOfManySignsIsWorth:
    def test_is_less_once_a_fault_may_be_a_seldom_one(self, monkeypatch):
        """Many quiet signs are not as many proofs of innocence."""
        quiet = {"switches/chatter", RULE}
        rides = [ride(0, ok=quiet, found={RULE: ("clutch",)})]
        rides += [ride(i, ok=quiet) for i in range(1, 6)]

        def share():
            return case_of(rides, settings=settings()).of_part("clutch_switch")

        either_way = share()
        monkeypatch.setattr("ridecheck.bike.diagnose.weighing.STRENGTHS", (1.0,))

        assert either_way > 1.5 * share()

    def test_more_findings_in_a_ride_are_less_likely_by_chance(self):
        def share(times):
            one = ride(ok=[RULE], found={RULE: ("clutch",)}, times=times)
            return case_of([one], settings=settings()).of_part("clutch_switch")

        assert share(1) < share(4)
