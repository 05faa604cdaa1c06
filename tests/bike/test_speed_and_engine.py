"""Nothing is released while speed and engine speed contradict one another."""

from dataclasses import replace

import pytest
from kept import DAY, DRIFT, RULES, result
from rides import ride_from

from ridecheck.bike.context import Context
from ridecheck.bike.verdict import assess
from ridecheck.core.model import BikeReport, RideResult, Verdict
from ridecheck.signals import drivetrain

RIDE = {
    "pieces": [
        "speed to 60 at 1.5 m/s2",
        "60 km/h, gear 4, 40 s",
        "speed to 90 at 1.0 m/s2",
        "90 km/h, gear 5, 60 s",
    ]
}
WRONG_UNITS = {
    "miles per hour read as km/h": (1 / 1.609344, "in miles per hour"),
    "km/h read as miles per hour": (1.609344, "as if miles per hour had been converted twice"),
    "metres per second read as km/h": (1 / 3.6, "in metres per second"),
    "km/h read as metres per second": (3.6, "as if metres per second had been converted twice"),
    "half the pulses": (0.5, "with half the pulses"),
    "twice the pulses": (2.0, "with twice the pulses"),
}


def judged(*rides: RideResult) -> BikeReport:
    context = Context(bike="T01", model="tourer")
    return assess(rides, context, as_of=rides[-1].end, rules=RULES)


def with_speed(factor: float) -> RideResult:
    whole = {"times": {"wheel_speed": [[0.0, 1000.0, factor]]}}
    ride = ride_from(RIDE | (whole if factor != 1.0 else {}))
    return replace(result(DAY), measures=dict(drivetrain.apart(ride)))


@pytest.mark.parametrize("what", WRONG_UNITS)
def test_a_wrong_unit_is_not_released_and_is_named(what):
    factor, named = WRONG_UNITS[what]

    report = judged(with_speed(factor))

    assert report.verdict is Verdict.NO_OPINION
    assert f"that is what speed {named} reads" in " ".join(report.because)


@pytest.mark.parametrize("factor", [0.92, 1.0, 1.08])
def test_a_tyre_or_a_tooth_of_a_sprocket_leaves_the_release(factor):
    assert judged(with_speed(factor)).verdict is Verdict.RELEASE


@pytest.mark.parametrize(("apart_s", "verdict"), [(10.0, "release"), (10.5, "no_opinion")])
def test_a_tenth_of_steady_riding_is_the_limit(apart_s, verdict):
    far = {"steady_s": 100.0, "apart_s": apart_s, "apart_factor": 0.7}

    assert judged(replace(result(DAY), measures=far)).verdict.value == verdict


def test_a_minute_of_steady_riding_is_needed():
    far = {"steady_s": 59.0, "apart_s": 59.0, "apart_factor": 0.7}

    assert judged(replace(result(DAY), measures=far)).verdict is Verdict.RELEASE


def test_a_condition_of_the_whole_ride_is_not_seen_once():
    ride = result(DAY, found=[DRIFT])
    whole = [replace(f, start_s=0.0, end_s=ride.duration_s) for f in ride.findings]

    spells = judged(ride)
    report = judged(replace(ride, findings=tuple(whole)))

    assert spells.because[0].startswith("seen once: ")
    assert report.because[0].startswith("all through the ride: ")
