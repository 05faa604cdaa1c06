"""What the engine makes of what rules say."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import pytest
from rides import ride_from

from ridecheck.core.model import Exposure, Finding, Severity, Span, State, Unjudged
from ridecheck.rules import all_rules
from ridecheck.rules.base import RaiseWhen, Rule, threshold
from ridecheck.rules.engine import effective_limits, judge, known_limits

STEADY = {"pieces": ["80 km/h, gear 4, 60 s"]}


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the rules made up here."""

    within_s: float = threshold(
        0.5, "s", "a figure for these tests", model="cruise.cancel_within_s"
    )
    own: float = threshold(3.0, "", "a figure for these tests", loosened_by="raising")


def rule_saying(*said: Finding | Unjudged | Exposure, **changes: Any) -> Rule:
    """A rule that says the same of every ride."""

    def check(ride: Any, limits: Any) -> Iterator[Finding | Unjudged | Exposure]:
        yield from said

    return made(check, **changes)


def made(check: Any, **changes: Any) -> Rule:
    rule = Rule(
        id="speed/made-up",
        doc="Made up for a test.",
        check=check,
        limits=Limits,
        needs=("wheel_speed",),
        severity=Severity.FAULT,
        clear_s=10.0,
        clear_events=0,
        clear_interval_s=1.0,
        convict_interval_s=float("inf"),
        raise_when=RaiseWhen(),
        falsifies=(),
        doubts_file=False,
        cruise_only=False,
        checks=(),
        asks="riding",
    )
    return replace(rule, **changes)


def finding(start_s: float = 5.0, end_s: float = 6.0, **changes: Any) -> Finding:
    return replace(Finding(Span(start_s, end_s), "12 km/h too much"), **changes)


class TestFourStates:
    @pytest.mark.parametrize(
        ("said", "state"),
        [
            ((Exposure(60.0),), State.OK),
            ((Exposure(5.0),), State.NOT_ASSESSED),
            ((), State.NOT_ASSESSED),
            ((finding(),), State.FAULT),
            ((finding(), Unjudged(Span(0, 1), "blank"), Exposure(60.0)), State.FAULT),
            ((Unjudged(Span(0, 1), "blank"), Exposure(60.0)), State.NOT_ASSESSED),
        ],
        ids=["enough seen", "too little seen", "nothing said", "found", "found and blank", "blank"],
    )
    def test_follow_from_what_a_rule_says(self, said: Any, state: State) -> None:
        (outcome,) = judge(ride_from(STEADY), rules=[rule_saying(*said)]).rules

        assert outcome.state is state
        assert (outcome.reason == "") == (state in (State.OK, State.FAULT))

    def test_a_rule_that_fails_is_in_error_and_the_others_go_on(self) -> None:
        def fails(ride: Any, limits: Any) -> Iterator[Finding]:
            raise ZeroDivisionError("nothing to divide by")
            yield

        judged = judge(
            ride_from(STEADY), rules=[made(fails), rule_saying(Exposure(60.0), id="speed/other")]
        )

        assert [(o.rule, o.state) for o in judged.rules] == [
            ("speed/made-up", State.ERROR),
            ("speed/other", State.OK),
        ]
        assert "nothing to divide by" in judged.rules[0].reason

    def test_a_missing_channel_is_named(self) -> None:
        rule = rule_saying(Exposure(60.0), needs=("wheel_speed", ("side_stand", "run_switch")))

        (outcome,) = judge(ride_from(STEADY), rules=[rule]).rules

        assert outcome.state is State.NOT_ASSESSED
        assert outcome.reason == "not logged: side stand or run switch"

    def test_events_can_be_asked_for_as_well(self) -> None:
        rule = rule_saying(Exposure(60.0, 2), clear_events=3, asks="brakings")

        (outcome,) = judge(ride_from(STEADY), rules=[rule]).rules

        assert outcome.state is State.NOT_ASSESSED
        assert "only 2 seen of brakings" in outcome.reason


class TestRefresh:
    def test_a_slow_channel_can_convict_but_not_clear(self) -> None:
        slow = STEADY | {"rate_hz": 1}
        clear = {"clear_interval_s": 0.1}

        found = judge(ride_from(slow), rules=[rule_saying(finding(), **clear)]).rules[0]
        silent = judge(ride_from(slow), rules=[rule_saying(Exposure(60.0), **clear)]).rules[0]

        assert found.state is State.FAULT
        assert silent.state is State.NOT_ASSESSED
        assert silent.exposure_s == 0.0
        assert "logged at 1 Hz; 10 Hz needed" in silent.reason

    def test_a_rule_may_need_a_rate_to_be_believed(self) -> None:
        slow = STEADY | {"rate_hz": 1}

        judged = judge(ride_from(slow), rules=[rule_saying(finding(), convict_interval_s=0.1)])

        assert judged.findings == ()
        assert judged.rules[0].state is State.NOT_ASSESSED

    def test_the_fastest_of_alternatives_counts(self) -> None:
        plan = STEADY | {"refresh": {"engine_speed": 1.0}}
        rule = rule_saying(
            Exposure(60.0), needs=(("engine_speed", "wheel_speed"),), clear_interval_s=0.1
        )

        assert judge(ride_from(plan), rules=[rule]).rules[0].state is State.OK


class TestLimits:
    def test_the_model_stands_before_the_rules_default(self) -> None:
        ride = ride_from(STEADY | {"model": {"cruise": {"cancel_within_s": 0.8}}})

        limits, used = effective_limits(rule_saying(), ride)

        assert limits == Limits(within_s=0.8)
        assert [(u.name, u.value, u.origin) for u in used] == [
            ("within_s", 0.8, "model"),
            ("own", 3.0, "rule"),
        ]

    def test_the_nearest_override_stands_before_all(self) -> None:
        plan = STEADY | {"thresholds": {"speed/made-up": {"within_s": 0.7, "own": 4.0}}}

        limits, used = effective_limits(rule_saying(), ride_from(plan))

        assert limits == Limits(within_s=0.7, own=4.0)
        assert {u.origin for u in used} == {"fleet"}

    @pytest.mark.parametrize(("value", "taken"), [(4.0, 3.0), (2.0, 2.0)])
    def test_a_danger_can_be_made_stricter_and_not_blinder(
        self, value: float, taken: float
    ) -> None:
        plan = STEADY | {"thresholds": {"speed/made-up": {"own": value}}}
        rule = rule_saying(severity=Severity.DANGER)

        limits, _ = effective_limits(rule, ride_from(plan))

        assert limits.own == taken

    def test_known_limits_tells_units_reasons_and_directions(self) -> None:
        limit = known_limits()["cruise/engaged-under-braking"]["cancel_within_s"]

        assert (limit.default, limit.unit, limit.loosened_by) == (0.5, "s", "raising")
        assert limit.danger
        assert limit.model == "cruise.cancel_within_s"


class TestDoubt:
    FALSE = finding(10.0, 12.0, channels=("wheel_speed",))

    def falsifier(self) -> Rule:
        return rule_saying(self.FALSE, id="speed/says-false", falsifies=("wheel_speed",))

    def test_a_comfort_rule_abstains_where_a_signal_it_needs_is_false(self) -> None:
        rule = rule_saying(finding(11.0, 13.0), id="drivetrain/comfort")

        judged = judge(ride_from(STEADY), rules=[rule, self.falsifier()])

        assert [f.rule for f in judged.findings] == ["speed/says-false"]
        outcome = {o.rule: o for o in judged.rules}["drivetrain/comfort"]
        assert outcome.state is State.NOT_ASSESSED
        assert "wheel speed is in doubt there" in outcome.reason

    def test_it_still_reports_elsewhere(self) -> None:
        rule = rule_saying(finding(30.0, 31.0), id="drivetrain/comfort")

        judged = judge(ride_from(STEADY), rules=[rule, self.falsifier()])

        assert {f.rule for f in judged.findings} == {"speed/says-false", "drivetrain/comfort"}

    def test_a_danger_reports_and_says_what_is_in_doubt(self) -> None:
        rule = rule_saying(finding(11.0, 13.0), id="cruise/danger", severity=Severity.DANGER)

        judged = judge(ride_from(STEADY), rules=[rule, self.falsifier()])

        (danger,) = [f for f in judged.findings if f.rule == "cruise/danger"]
        assert danger.doubt == "wheel speed"
        assert judged.findings[0] is danger, "dangers come first"

    def test_a_doubted_file_stops_comfort_and_not_danger(self) -> None:
        rules = [
            rule_saying(finding(), id="drivetrain/comfort"),
            rule_saying(finding(), id="cruise/danger", severity=Severity.DANGER),
            rule_saying(finding(), id="data/other-bike", doubts_file=True),
        ]

        judged = judge(ride_from(STEADY), rules=rules)

        assert not judged.fits_model
        assert {f.rule for f in judged.findings} == {"cruise/danger", "data/other-bike"}
        danger = next(f for f in judged.findings if f.rule == "cruise/danger")
        assert danger.doubt.startswith("seen on a log whose bike is in doubt")
        comfort = {o.rule: o for o in judged.rules}["drivetrain/comfort"]
        assert comfort.state is State.NOT_ASSESSED
        assert comfort.reason.startswith("not judged:")

    def test_the_models_it_fits_better_are_named(self) -> None:
        plan = {
            "pieces": ["40 km/h, gear 2, 50 s", "60 km/h, gear 3, 50 s", "100 km/h, gear 5, 60 s"],
            "made_with": [13.617, 9.078, 6.857, 5.505, 4.684],
            "model": {
                "other_models": {
                    "twin": {"overall_ratios": [14.1, 9.4, 7.1, 5.7, 4.85], "circumference_m": 2.05}
                }
            },
        }

        judged = judge(ride_from(plan))

        assert not judged.fits_model
        assert judged.fits == ("twin",)


NONE = {"cruise": {"fitted": False}}


class TestBikesWithoutCruise:
    def test_comfort_rules_of_cruise_are_off(self) -> None:
        rule = rule_saying(Exposure(60.0), id="cruise/comfort", cruise_only=True)
        ride = ride_from(STEADY | {"model": NONE})

        (outcome,) = judge(ride, rules=[rule]).rules

        assert outcome.state is State.NOT_ASSESSED
        assert "no cruise control is fitted" in outcome.reason

    def test_if_it_engages_all_the_same_dangers_run_and_the_model_file_is_wrong(self) -> None:
        plan = {"pieces": ["80 km/h, gear 4, 20 s", "cruise 80 km/h, gear 4, 40 s"]}
        danger = rule_saying(
            finding(), id="cruise/danger", cruise_only=True, severity=Severity.DANGER
        )
        comfort = rule_saying(finding(), id="cruise/comfort", cruise_only=True)

        judged = judge(ride_from(plan | {"model": NONE}), rules=[danger, comfort])

        assert [f.rule for f in judged.findings] == ["cruise/danger"]
        assert "the log shows it engaged" in judged.notes[0].message


def test_the_same_ride_is_judged_the_same_twice() -> None:
    plan = {
        "pieces": [
            "100 km/h, gear 5, 10 s",
            "cruise 100 km/h, gear 5, 60 s",
            "coast 0.7 m/s2 to 80",
        ]
    }

    first, second = judge(ride_from(plan)), judge(ride_from(plan))

    assert first == second
    assert [o.rule for o in first.rules] == sorted(all_rules())


def test_an_empty_ride_is_judged_without_error() -> None:
    judged = judge(ride_from({"pieces": ["80 km/h, gear 4, 0.05 s"]}))

    assert State.ERROR not in {o.state for o in judged.rules}
    assert judged.findings == ()


@pytest.mark.parametrize("rate_hz", [1, 100])
def test_a_ride_with_nothing_but_speed_is_judged_without_error(rate_hz: int) -> None:
    judged = judge(ride_from(STEADY | {"only": ["wheel_speed"], "rate_hz": rate_hz}))

    assert State.ERROR not in {o.state for o in judged.rules}


def test_blank_channels_are_judged_without_error() -> None:
    blanks = {name: [[0.0, 60.0]] for name in ("engine_speed", "gear", "front_brake", "throttle")}

    judged = judge(ride_from(STEADY | {"blank": blanks}))

    assert State.ERROR not in {o.state for o in judged.rules}
    assert judged.findings == ()


@pytest.mark.parametrize(("cancels", "clears"), [(1, True), (3, False)])
def test_riding_clears_nothing_where_several_cancels_could_not_be_told(cancels, clears):
    """The throttle-closed switch is not logged, and every cancel may have been the grip."""
    pieces = ["100 km/h, gear 5, 10 s"]
    for _ in range(cancels):
        pieces += ["cruise 100 km/h, gear 5, 150 s", "coast 0.7 m/s2 to 80, gear 5"]
        pieces += ["speed to 100 at 1.0 m/s2, gear 5"]
    pieces += ["cruise 100 km/h, gear 5, 200 s", "cancel 0.7 m/s2 to 80, gear 5"]

    judged = judge(ride_from({"pieces": pieces, "drop": ["roll_off"]}, {}))

    (outcome,) = [o for o in judged.rules if o.rule == "cruise/cancel-without-cause"]
    assert outcome.state is State.NOT_ASSESSED
    assert "throttle-closed switch" in outcome.reason
    assert (outcome.exposure_s > 300.0) is clears
