"""Which parts make up which ride: joining, repeats, overlaps, names."""

import random
from datetime import timedelta

import pytest
from kept import DAY, at, kept, part

from ridecheck.ride.plan import placements, plan_rides


def plans_of(*parts):
    return plan_rides("T01", [p if hasattr(p, "names") else kept(p) for p in parts])


def logs_of(*parts):
    """The logs of each ride, in order."""
    return [[p.kept.log for p in plan.parts] for plan in plans_of(*parts)]


@pytest.mark.parametrize(
    ("pause_min", "rides"), [(0.1, [["a", "b"]]), (9.9, [["a", "b"]]), (10.1, [["a"], ["b"]])]
)
def test_parts_less_than_ten_minutes_apart_are_one_ride(pause_min, rides):
    assert logs_of(part("a", DAY, 30), part("b", at(30 + pause_min), 30)) == rides


def test_a_ride_is_named_by_its_bike_and_start():
    (plan,) = plans_of(part("a", DAY + timedelta(milliseconds=400), 1))

    assert plan.ride == "T01-20260501T080000Z"


def test_a_second_ride_of_the_same_second_gets_a_number():
    plans = plans_of(part("a", DAY, 5), part("b", DAY, 5, seed=1))

    assert [p.ride for p in plans] == ["T01-20260501T080000Z", "T01-20260501T080000Z-2"]


@pytest.mark.parametrize(
    ("dating", "ride"),
    [("date", "T01-20260501-000000000001-0"), ("none", "T01-undated-000000000001-0")],
)
def test_logs_without_a_time_of_day_are_rides_of_their_own(dating, ride):
    plans = plans_of(
        part("a", DAY, 5, dating=dating, sha="000000000001"),
        part("b", at(6), 5, dating=dating, sha="000000000002"),
    )

    assert [p.ride for p in plans] == [ride, ride.replace("001-0", "002-0")]


def test_the_same_bytes_under_two_names_are_an_alias():
    (plan,) = plans_of(kept(part("b", DAY, 30), "b", "a copy of b"))

    assert plan.parts[0].kept.log == "a copy of b"
    assert plan.aliases == ("b",)


def test_the_same_rows_in_other_bytes_are_an_alias():
    (plan,) = plans_of(part("b", DAY, 30, sha="1"), part("a", DAY, 30, sha="2"))

    assert plan.parts[0].kept.log == "a"
    assert plan.aliases == ("b",)


def test_a_log_that_holds_another_and_goes_on_takes_its_place():
    (plan,) = plans_of(part("short", DAY, 30), part("long", DAY, 40))

    assert [p.kept.log for p in plan.parts] == ["long"]
    assert "all rows of short are in long too" in plan.notes[0].message


def test_logs_that_share_rows_are_merged_by_time():
    (plan,) = plans_of(part("a", DAY, 30), part("b", at(20), 30))

    assert [p.kept.log for p in plan.parts] == ["a", "b"]
    assert plan.parts[1].rows_after == plan.parts[0].kept.info.end


def test_parts_that_overlap_but_differ_are_rides_of_their_own_and_marked():
    plans = plans_of(part("a", DAY, 30), part("b", at(20), 30, seed=1), part("c", at(52), 5))

    assert [[p.kept.log for p in plan.parts] for plan in plans] == [["a"], ["b"], ["c"]]
    assert plans[0].notes[0].message == "overlaps b but differs; both are judged"
    assert plans[1].notes[0].message == "overlaps a but differs; both are judged"
    assert plans[2].notes == ()


def test_parts_that_touch_within_seconds_simply_go_on():
    assert logs_of(part("a", DAY, 30), part("b", at(29.98), 30, seed=1)) == [["a", "b"]]


@pytest.mark.parametrize("seed", range(5))
def test_the_order_of_arrival_plays_no_part(seed):
    parts = [
        part("a", DAY, 30),
        part("a again", DAY, 30),
        part("a and more", DAY, 45),
        part("b", at(50), 10),
        part("b differs", at(55), 10, seed=1),
        part("c", at(300), 10),
        part("d", at(305), 10),
        part("undated", DAY, 10, dating="none"),
    ]
    shuffled = random.Random(seed).sample(parts, len(parts))

    assert plans_of(*shuffled) == plans_of(*parts)


def test_rides_follow_their_reassignment_from_bike_to_bike():
    parts = [kept(part("a", DAY, 5, sha="1")), kept(part("b", at(60), 5, sha="2"))]
    one, two = (p.info.stem for p in parts)
    moves = {("T01", one): "T02", ("T02", one): "T03", ("T01", two): None}

    assert placements(parts, {}) == {"T01": parts}
    assert placements(parts, moves) == {"T03": parts[:1]}
    assert placements(parts, {**moves, ("T03", one): "T01"}) == {"T01": parts[:1]}
