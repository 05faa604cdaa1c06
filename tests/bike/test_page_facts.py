from dataclasses import replace
from datetime import UTC, date, datetime

from kept import BRAKING, DAY, RULES, result

from ridecheck.bike.context import Context
from ridecheck.bike.page_facts import with_page_facts
from ridecheck.bike.verdict import assess
from ridecheck.core.model import ChannelFacts, LimitUsed, State, ToLog
from ridecheck.fleet.events import new_event

NEEDING = RULES | {
    BRAKING: replace(
        RULES[BRAKING],
        needs=("cruise_engaged", ("front_brake", "brake_lamp")),
        clear_interval_s=0.1,
    )
}


def facts_of(*results, rules=NEEDING, events=()):
    report = assess(results, Context(bike="T01", model="tourer"), as_of=DAY, rules=rules)
    return with_page_facts(report, results, events=events, rules=rules, time_zone="Europe/Lisbon")


def unjudged(**channels):
    """A ride in which the rule about braking could not be judged."""
    ride = result(DAY, states={BRAKING: State.NOT_ASSESSED}, exposures={BRAKING: (0.0, 0)})
    facts = {n: ChannelFacts(interval_s=s, present=1.0) for n, s in channels.items()}
    return replace(ride, channels=facts)


def test_what_is_not_logged_and_what_is_logged_too_slowly_are_both_asked_for():
    report = facts_of(unjudged(cruise_engaged=1.0))

    assert report.to_log == (
        ToLog(("cruise_engaged",), 1.0, 0.1, (BRAKING,), danger=True),
        ToLog(("front_brake", "brake_lamp"), None, 0.1, (BRAKING,), danger=True),
    )


def test_one_of_several_channels_will_do():
    report = facts_of(unjudged(cruise_engaged=0.1, brake_lamp=0.05))

    assert report.to_log == ()


def test_nothing_is_asked_for_where_everything_was_judged():
    assert facts_of(result(DAY)).to_log == ()


def test_events_are_listed_by_when_with_who_and_what():
    events = (
        new_event(
            "signed_off", datetime(2026, 5, 2, 9, tzinfo=UTC), finding=BRAKING,
            checks=["lamp-by-each-control"], by="M.K.",
        ),
        new_event("repair", date(2026, 5, 1), part="speed_sensor", note="plug cleaned", by="shop"),
    )  # fmt: skip

    told = [(h.kind, h.text, h.by, h.day_only) for h in facts_of(events=events).history]
    assert told == [
        ("repair", "plug cleaned", "shop", True),
        ("signed_off", "checks done: lamp by each control", "M.K.", False),
    ]


def test_the_limits_in_force_are_those_of_the_newest_ride_that_counts():
    limits = (LimitUsed("cancel_within_s", 0.5, "s", "model"),)
    ride = result(DAY)
    judged = replace(ride, rules=tuple(replace(o, limits=limits) for o in ride.rules))

    found = {(f.rule, f.limit.value) for f in facts_of(judged).limits}
    assert (BRAKING, 0.5) in found
