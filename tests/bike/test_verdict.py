"""Verdicts of the BIKE stage, rule by rule of the outer contract."""

from dataclasses import replace
from datetime import timedelta

import pytest
from kept import BRAKING, BY_ITSELF, DAY, DEAD, DRIFT, RULES, finding, result, rule

from ridecheck.bike.context import Context
from ridecheck.bike.counting import rides_that_count, stands_for
from ridecheck.bike.dangers import Keys, with_dangers
from ridecheck.bike.signed import Entering, with_signatures
from ridecheck.bike.verdict import ACTIONS, assess
from ridecheck.core.dangers import Register
from ridecheck.core.model import BikeReport, RideResult, Severity, State, Verdict
from ridecheck.fleet.events import new_event
from ridecheck.rules.base import RaiseWhen

CHECKED = {"by": "workshop", "checks": ["lamp-by-each-control", "rear-pedal-point"]}


LAST = DAY + timedelta(days=1000)


def day(number: float):
    return DAY + timedelta(days=number)


def judged(*results: RideResult, as_of=None, rules=RULES, **context) -> BikeReport:
    """The report, the register having been kept from the first ride on."""
    register = Register()
    entering = Entering(bike="T01", now=LAST, zone="UTC", rules=rules)
    for ride in sorted(results, key=lambda r: r.end or DAY):
        register = with_dangers(register, [ride], at=ride.end or DAY, keys=Keys())
    register = with_signatures(
        register, context.get("events", ()), replace(entering, restoring=True)
    )
    context["register"] = register
    ends = [r.end for r in results if r.end]
    return assess(
        results,
        Context(bike="T01", model="tourer", **context),
        as_of=as_of or max(ends, default=None),
        rules=rules,
    )


def signed_off(what: str, when, checks=CHECKED["checks"]):
    return new_event("signed_off", when, finding=what, checks=list(checks), by="workshop")


def dismissed(what: str, when):
    return new_event("dismissed", when, finding=what, reason="logger was loose", by="workshop")


def test_a_clean_bike_is_released_with_the_words_of_the_contract():
    report = judged(result(day(0)), result(day(1)))

    assert report.verdict is Verdict.RELEASE
    assert report.action == "Do the walk-round as always."
    assert report.because == ()
    assert report.not_covered == ()


def test_actions_are_the_contracts():
    assert ACTIONS == {
        Verdict.KEEP_IN: "Take the key off the board. Do not ride it.",
        Verdict.INSPECT: "Do the listed checks before the next hire.",
        Verdict.NO_OPINION: "Not judged. Do the walk-round.",
        Verdict.RELEASE: "Do the walk-round as always.",
    }


# ------------------------------------------------------------------------- keep in


def test_mondays_danger_holds_on_tuesday_after_a_clean_ride():
    report = judged(result(day(0), found=[BRAKING]), result(day(1)))

    assert report.verdict is Verdict.KEEP_IN
    assert report.previous_verdict is Verdict.KEEP_IN
    assert "2026-05-01 08:01:00" in report.because[0]


def test_clean_rides_age_and_leaving_the_window_do_not_lift_a_danger():
    rides = [result(day(0), found=[BRAKING]), *(result(day(n)) for n in range(1, 60))]

    assert judged(*rides, as_of=day(400)).verdict is Verdict.KEEP_IN


def test_a_sign_off_with_all_checks_releases():
    rides = (result(day(0), found=[BRAKING]), result(day(1)))
    by_id = judged(*rides, events=(signed_off(rides[0].findings[0].id, day(1)),))
    by_rule = judged(*rides, events=(signed_off(BRAKING, day(1)),))

    assert by_id.verdict is by_rule.verdict is Verdict.RELEASE
    assert [f.open for f in by_id.findings] == [False]


@pytest.mark.parametrize(
    ("event", "why"),
    [
        (signed_off(BRAKING, day(1), ["rear-pedal-point"]), "a check its rule asks for is missing"),
        (dismissed(BRAKING, day(1)), "a danger cannot be dismissed"),
        (signed_off(BRAKING, day(-1)), "it was signed off before it was found"),
        (signed_off(DEAD, day(1)), "another rule was signed off"),
        (new_event("repair", day(1), part="front_brake_switch"), "a repair is no sign-off"),
    ],
)
def test_what_does_not_close_a_danger(event, why):
    report = judged(result(day(0), found=[BRAKING]), result(day(1)), events=(event,))

    assert report.verdict is Verdict.KEEP_IN, why


def test_a_danger_that_returns_after_its_sign_off_holds_again():
    rides = (result(day(0), found=[BRAKING]), result(day(2), found=[BRAKING]))

    assert judged(*rides, events=(signed_off(BRAKING, day(1)),)).verdict is Verdict.KEEP_IN


def test_a_danger_in_an_undated_ride_holds_and_is_closed_by_its_id_alone():
    undated = result(None, found=[BRAKING])
    rides = (result(day(0)), undated)

    assert judged(*rides).verdict is Verdict.KEEP_IN
    assert "date unknown" in judged(*rides).because[0]
    assert judged(*rides, events=(signed_off(BRAKING, day(9)),)).verdict is Verdict.KEEP_IN
    closing = signed_off(undated.findings[0].id, day(9))
    assert judged(*rides, events=(closing,)).verdict is Verdict.RELEASE


@pytest.mark.parametrize(
    ("signed", "other", "verdict"),
    [
        ("time", "time", Verdict.RELEASE),
        ("time", "date", Verdict.KEEP_IN),
        ("date", "time", Verdict.KEEP_IN),
        ("date", "date", Verdict.KEEP_IN),
        ("time", "none", Verdict.KEEP_IN),
        ("none", "time", Verdict.KEEP_IN),
        ("none", "none", Verdict.KEEP_IN),
    ],
)
def test_a_sign_off_of_one_rides_danger_closes_anothers_only_where_both_have_times(
    signed, other, verdict
):
    """Two logs of one moment are one event; two logs of one date, or of none, may be two."""
    starts = {"time": day(0), "date": day(0), "none": None}
    rides = []
    for n, dating in enumerate((signed, other)):
        ride = result(starts[dating], dating=dating, name=f"T01-{n}")
        seen = finding(ride.start, ride.ride, BRAKING, at_s=60 + 2 * n)
        rides.append(replace(ride, findings=(seen,)))
    ids = [r.findings[0].id for r in rides]

    report = judged(result(day(8)), *rides, events=(signed_off(ids[0], day(9)),))

    assert report.verdict is verdict
    assert not {f.finding.id: f.open for f in report.findings}[ids[0]]


def test_a_danger_on_a_log_that_fits_another_model_holds_and_says_whose_it_may_be():
    stray = result(day(1), found=[BRAKING], fits_model=False, fits=("twin", "single"))
    report = judged(
        result(day(0)), stray, bikes_by_model={"twin": ("T03", "T05"), "tourer": ("T01",)}
    )

    assert report.verdict is Verdict.KEEP_IN
    assert "seen on a log whose bike is in doubt" in report.because[0]
    assert "T03, T05 or model single" in report.because[0]


# ------------------------------------------------------------------------- inspect


def test_a_fault_below_its_raise_when_is_printed_beside_release():
    report = judged(result(day(0), found=[DRIFT]), result(day(1)))

    assert report.verdict is Verdict.RELEASE
    assert report.because[0].startswith("seen once: something about hold-offset")


def test_a_fault_that_meets_its_raise_when_is_inspect():
    report = judged(result(day(0), found=[DRIFT]), result(day(1), found=[DRIFT]), result(day(2)))

    assert report.verdict is Verdict.INSPECT
    assert "twice in 2 rides" in report.because[0]
    assert report.previous_verdict is Verdict.INSPECT


def test_five_later_rides_ok_lift_an_inspect_and_a_relapse_raises_it_at_once():
    raised = [result(day(0), found=[DRIFT]), result(day(1), found=[DRIFT])]
    clean = [result(day(2 + n)) for n in range(5)]

    assert judged(*raised, *clean[:4]).verdict is Verdict.INSPECT
    assert judged(*raised, *clean).verdict is Verdict.RELEASE
    assert judged(*raised, *clean, result(day(8), found=[DRIFT])).verdict is Verdict.INSPECT


def test_what_closes_an_inspect_is_said_with_the_rides_that_count_for_it_so_far():
    raised = [result(day(0), found=[DRIFT]), result(day(1), found=[DRIFT])]
    blind = result(day(4), states={DRIFT: State.NOT_ASSESSED})

    (closing,) = judged(*raised, result(day(2)), result(day(3)), blind).closing

    assert closing.startswith("Hold offset: closed by a sign-off")
    assert closing.endswith("lifted by 5 rides in which it is looked for and not found (2 so far)")


def test_a_danger_says_that_riding_does_not_close_it():
    (closing,) = judged(
        result(day(0), found=[BRAKING]), *(result(day(1 + n)) for n in range(6))
    ).closing

    assert "riding does not close it" in closing
    assert judged(result(day(0))).closing == ()


def test_rides_that_could_not_assess_the_rule_lift_nothing():
    raised = [result(day(0), found=[DRIFT]), result(day(1), found=[DRIFT])]
    blind = [result(day(2 + n), states={DRIFT: State.NOT_ASSESSED}) for n in range(9)]

    assert judged(*raised, *blind).verdict is Verdict.INSPECT


@pytest.mark.parametrize(("between", "verdict"), [(19, Verdict.INSPECT), (20, Verdict.RELEASE)])
def test_a_relapse_is_one_within_twenty_rides(between, verdict):
    raised = [result(day(0), found=[DRIFT]), result(day(0.1), found=[DRIFT])]
    clean = [result(day(40 + n)) for n in range(5 + between)]
    last = result(day(80), found=[DRIFT])

    assert judged(*raised, *clean, last).verdict is verdict


def test_a_fault_that_left_the_rides_that_count_no_longer_raises():
    raised = [result(day(0), found=[DRIFT]), result(day(0.1), found=[DRIFT])]
    later = [result(day(40 + n), states={DRIFT: State.NOT_ASSESSED}) for n in range(20)]

    assert judged(*raised, *later[:18]).verdict is Verdict.INSPECT
    assert judged(*raised, *later).verdict is Verdict.RELEASE


@pytest.mark.parametrize("event", [signed_off(DRIFT, day(3)), dismissed(DRIFT, day(3))])
def test_a_closed_fault_never_counts_again_and_a_return_counts_from_one(event):
    rides = [result(day(0), found=[DRIFT]), result(day(1), found=[DRIFT])]

    assert judged(*rides, events=(event,)).verdict is Verdict.RELEASE
    back = judged(*rides, result(day(4), found=[DRIFT]), events=(event,))
    assert back.verdict is Verdict.RELEASE
    assert back.because[0].startswith("seen once")


def test_a_rate_counts_per_hundred_engaged_kilometres():
    rules = {**RULES, DRIFT: rule(DRIFT, raise_when=RaiseWhen(per_100_engaged_km=2.0))}
    often = [result(day(0), found=[DRIFT], engaged_km=50.0)]
    seldom = [result(day(0), found=[DRIFT], engaged_km=51.0)]

    assert judged(*often, rules=rules).verdict is Verdict.INSPECT
    assert judged(*seldom, rules=rules).verdict is Verdict.RELEASE


def _with(ride: RideResult, **changes) -> RideResult:
    """The ride with its findings changed."""
    return replace(ride, findings=tuple(replace(f, **changes) for f in ride.findings))


@pytest.mark.parametrize(
    ("strengths", "verdict"),
    [
        ([0.0], Verdict.RELEASE),
        ([0.0, 0.0], Verdict.RELEASE),
        ([0.0, 0.0, 0.0], Verdict.INSPECT),
        ([0.5, 0.5], Verdict.INSPECT),
        ([0.5], Verdict.RELEASE),
        ([1.0], Verdict.INSPECT),
    ],
)
def test_a_finding_counts_by_its_strength_and_one_nothing_innocent_explains_raises_alone(
    strengths, verdict
):
    rules = {**RULES, DRIFT: rule(DRIFT, raise_when=RaiseWhen(events=3))}
    rides = [_with(result(day(n), found=[DRIFT]), strength=s) for n, s in enumerate(strengths)]

    assert judged(*rides, rules=rules).verdict is verdict


@pytest.mark.parametrize(
    ("channels", "verdict"),
    [
        (["front_brake", "front_brake", "clutch"], Verdict.RELEASE),
        (["front_brake", "front_brake", "front_brake"], Verdict.INSPECT),
    ],
)
def test_findings_of_one_kind_are_counted_apart_where_the_rule_says_so(channels, verdict):
    rules = {**RULES, DRIFT: rule(DRIFT, raise_when=RaiseWhen(events=3, of_one_kind=True))}
    rides = [_with(result(day(n), found=[DRIFT]), channels=(c,)) for n, c in enumerate(channels)]

    assert judged(*rides, rules=rules).verdict is verdict


def test_faults_of_undated_rides_are_shown_but_do_not_raise():
    rides = [result(None, found=[DRIFT], name=f"T01-undated-{n}-0") for n in range(3)]
    report = judged(result(day(0)), *rides)

    assert report.verdict is Verdict.RELEASE
    assert len(report.findings) == 3
    assert "date unknown" in report.because[0]


# ---------------------------------------------------------------------- no opinion


def test_release_turns_to_no_opinion_when_as_of_moves_fifteen_days_on():
    ride = result(day(0))

    assert judged(ride, as_of=ride.end + timedelta(days=14)).verdict is Verdict.RELEASE
    old = judged(ride, as_of=ride.end + timedelta(days=15))
    assert old.verdict is Verdict.NO_OPINION
    assert "2026-05-01, more than 14 days ago" in old.because[0]
    assert old.action == "Not judged. Do the walk-round."


def test_a_bike_without_a_ride_that_counts_is_no_opinion():
    assert judged().verdict is Verdict.NO_OPINION
    undated = judged(result(None))
    assert undated.verdict is Verdict.NO_OPINION
    assert undated.last_data is None
    assert undated.previous_verdict is None


def test_a_newest_ride_that_does_not_fit_is_no_opinion_and_does_not_count():
    rides = [result(day(0)), result(day(1), fits_model=False, fits=("twin",))]

    report = judged(*rides, bikes_by_model={"twin": ("T03",)})

    assert report.verdict is Verdict.NO_OPINION
    assert report.because == ("the newest log does not fit this bike's model; it fits T03",)
    assert judged(*rides, result(day(2))).verdict is Verdict.RELEASE


def test_a_wrong_file_is_no_opinion_but_never_hides_a_danger():
    wrong = ("bikes/T01.toml:3: model: no such model",)

    assert judged(result(day(0)), wrong=wrong).because == wrong
    assert judged(result(day(0), found=[DEAD]), wrong=wrong).verdict is Verdict.KEEP_IN


def test_a_danger_rule_in_error_is_no_opinion_and_a_comfort_rule_is_not():
    danger = result(day(0), states={BY_ITSELF: State.ERROR})
    comfort = result(day(0), states={DRIFT: State.ERROR})

    assert judged(danger).verdict is Verdict.NO_OPINION
    assert judged(comfort).verdict is Verdict.RELEASE


def not_assessed(number: float, events: int, rule_id: str = DEAD) -> RideResult:
    return result(
        day(number),
        states={rule_id: State.NOT_ASSESSED},
        exposures={rule_id: (0.0, events)},
    )


def test_exposures_of_rides_that_count_add_up_to_what_must_be_assessed():
    assert judged(not_assessed(0, 2)).verdict is Verdict.NO_OPINION
    assert (
        "only 2 seen of what could have shown it; it takes 3"
        in judged(not_assessed(0, 2)).because[0]
    )
    assert judged(not_assessed(0, 2), not_assessed(1, 1)).verdict is Verdict.RELEASE


def test_exposure_counts_from_after_the_last_ride_with_a_finding_that_is_open():
    rides = [result(day(0)), result(day(1), found=[DEAD]), not_assessed(2, 1)]
    closing = signed_off(DEAD, day(3))

    assert judged(*rides).verdict is Verdict.KEEP_IN
    assert judged(*rides, events=(closing,)).verdict is Verdict.RELEASE
    watched = [result(day(0)), result(day(1), found=[DEAD], severity=Severity.FAULT)]
    rules = {**RULES, DEAD: rule(DEAD, clear_events=3, raise_when=RaiseWhen(events=9))}
    assert judged(*watched, not_assessed(2, 1), rules=rules).verdict is Verdict.NO_OPINION


def test_a_bike_without_cruise_needs_no_braking_out_of_cruise():
    blind = not_assessed(0, 0, BRAKING)

    assert judged(blind).verdict is Verdict.NO_OPINION
    assert judged(blind, cruise_fitted=False).verdict is Verdict.RELEASE


def test_what_was_not_covered_is_told_beside_release():
    report = judged(
        result(day(0), states={BY_ITSELF: State.NOT_ASSESSED}, exposures={BY_ITSELF: (0.0, 0)})
    )

    assert report.verdict is Verdict.RELEASE
    assert report.not_covered == ("engages by itself (not_assessed here)",)


def test_a_rule_that_speaks_up_is_told_beside_release_as_a_danger_is():
    loud = {**RULES, DRIFT: replace(rule(DRIFT), speaks_up=True)}
    hidden = result(day(0), states={DRIFT: State.NOT_ASSESSED}, exposures={DRIFT: (0.0, 0)})

    assert judged(hidden, rules=RULES).not_covered == ()
    assert judged(hidden, rules=loud).not_covered == ("hold offset (not_assessed here)",)


# --------------------------------------------------------------------------- order


def test_the_order_of_results_plays_no_part():
    rides = [result(day(n), found=[DRIFT] if n % 3 else []) for n in range(12)]

    assert judged(*rides) == judged(*reversed(rides)) == judged(*rides[6:], *rides[:6])


def test_keep_in_outranks_inspect_outranks_no_opinion():
    inspect = [result(day(0), found=[DRIFT]), result(day(1), found=[DRIFT])]

    assert judged(*inspect, as_of=day(100), wrong=("wrong",)).verdict is Verdict.INSPECT
    assert judged(*inspect, result(day(2), found=[DEAD])).verdict is Verdict.KEEP_IN


def test_rides_that_count_are_the_last_twenty_or_thirty_days_whichever_is_more():
    context = Context(bike="T01")
    seldom = [result(day(10 * n)) for n in range(30)]
    often = [result(day(n / 2)) for n in range(100)]

    assert len(rides_that_count(seldom, context, seldom[-1].end)) == 20
    assert len(rides_that_count(often, context, often[-1].end)) == 61


def test_previous_verdict_leaves_the_newest_day_of_data_out():
    report = judged(result(day(0)), result(day(1)), result(day(1.1), found=[DEAD]))

    assert report.verdict is Verdict.KEEP_IN
    assert report.previous_verdict is Verdict.RELEASE


@pytest.mark.parametrize("count", [1, 3, 25])
def test_a_report_changes_only_at_the_instants_it_tells(count):
    rides = [result(day(n), found=[DRIFT] if n % 2 else []) for n in range(count)]
    context = Context(bike="T01")
    hours = [day(count) + timedelta(hours=12 * n) for n in range(2 * 40)]
    for as_of in hours:
        since, until = stands_for(rides, context, as_of)
        report = assess(rides, context, as_of=as_of, rules=RULES)
        for other in hours:
            if (since is None or other >= since) and (until is None or other < until):
                assert assess(rides, context, as_of=other, rules=RULES) == report


def test_verdicts_say_nothing_of_rule_ids():
    report = judged(result(day(0), found=[DRIFT, DEAD]), result(day(1), found=[DRIFT]))

    assert not any("/" in reason for reason in report.because)
