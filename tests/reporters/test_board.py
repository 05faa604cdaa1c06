from dataclasses import replace
from datetime import timedelta

import pytest
from reporters import examples
from reporters.pages import Page

from ridecheck.core.model import Happened, Verdict
from ridecheck.reporters.board_page import by_hand, dismissed_this_month, index_page
from ridecheck.reporters.rides_drawn import controls, gears, last_rides, spark


def test_bikes_of_a_model_with_the_same_cause_stand_together_and_say_it_once():
    cause = "rear brake and its lamp are not logged"
    alike = [examples.bike(t, Verdict.NO_OPINION, because=(cause,)) for t in ("T01", "T02", "T05")]
    other = examples.bike("T03", Verdict.NO_OPINION, because=("the newest ride is too old",))
    page = index_page(examples.report(*alike, other))

    assert page.lower().count(cause) == 1
    tags = [a["href"] for a in Page(page).all("a") if a["href"].startswith("bikes/")]
    assert tags == [f"bikes/{t}.html" for t in ("T01", "T02", "T05", "T03")]
    assert Page(page).text.count("as T01") == 2


def test_bikes_of_two_models_with_the_same_cause_stay_apart():
    one = examples.bike("T01", Verdict.NO_OPINION, because=("no log has been read",))
    two = replace(one, bike="T02", model="touring-twin-six")

    assert index_page(examples.report(one, two)).count("No log has been read") == 2


def test_a_released_bike_keeps_its_label_and_the_age_of_its_data():
    text = Page(index_page(examples.report(examples.bike("T01", label="Number one, grey")))).text

    assert "T01 Number one, grey 2026-05-12 0 d" in text


def test_the_board_says_how_far_was_ridden_held_present_and_on_the_clock():
    text = Page(index_page(examples.report(examples.bike("T01")))).text

    assert "61.2 km, 52.4 km 98 % 18 205 km" in text


def test_what_a_person_decided_is_shown_as_decided_by_hand():
    bike = examples.held_bike()

    assert by_hand(bike).by == "M.K."
    assert "dismissed by hand 2026-05-04, M.K." in Page(index_page(examples.report(bike))).text
    opened = tuple(replace(f, open=True) for f in bike.findings)
    assert by_hand(replace(bike, findings=opened)) is None


def test_the_foot_counts_the_flags_dismissed_in_the_month_of_the_newest_data():
    bike = examples.held_bike()
    last_month = examples.finding(
        "T07", "speed/jumps", "jump", start=examples.NEWEST - timedelta(days=40)
    )
    fleet = examples.report(replace(bike, findings=(*bike.findings, last_month)))

    assert dismissed_this_month(fleet) == (1, 2)  # a watch is no flag
    assert "Flags dismissed by hand this month: 1 of 2 (50 %)." in index_page(fleet)


def test_a_month_without_a_flag_has_no_share_of_them():
    fleet = examples.report(examples.bike("T01"))

    assert dismissed_this_month(fleet) == (0, 0)
    assert "Flags dismissed" not in index_page(fleet)


def test_the_last_rides_are_drawn_by_who_ended_cruise_with_rides_left_out_hatched():
    bike = examples.many_bikes(1, rides=3).bikes[0]
    told = [(r.commanded, r.uncommanded, r.undetermined, r.counts) for r in last_rides(bike)]

    assert told == [(2, 1, 1, True), (3, 1, 1, True), (0, 0, 0, False)]
    label = spark(bike).label
    assert label.startswith("Last 3 rides: ")
    assert "1 ride left out" in label
    assert 'class="out"' in index_page(examples.report(bike))


def test_one_cancel_is_seen_and_many_do_not_leave_the_drawing():
    def height(number):
        many = tuple(examples.cancel("T01", ride=ride.ride) for _ in range(number))
        return spark(examples.bike("T01", cancels=many)).rides[0][2]

    ride = examples.bike("T01").rides[0]
    assert height(1) > 2.0
    assert height(500) <= 10.0


def test_a_board_of_five_hundred_bikes_stays_under_two_megabytes():
    text = index_page(examples.many_bikes(500))

    assert len(text.encode()) < 2_000_000
    assert text.count('<tr role="row" class="bike') == 500


@pytest.mark.parametrize("number", [1, 40])
def test_every_bike_is_listed_once(number):
    fleet = examples.many_bikes(number)

    links = [a["href"] for a in Page(index_page(fleet)).all("a") if "bikes/" in a["href"]]
    assert sorted(links) == [f"bikes/{b.bike}.html" for b in fleet.bikes]


def test_a_control_that_is_not_logged_says_so_and_is_no_nought():
    seen = {c.name: c for c in controls(examples.bike("T01").rides)}

    assert (seen["front brake"].times, seen["front brake"].short) == (31, 11)
    assert (seen["clutch"].logged, seen["clutch"].times) == (True, 0)
    assert seen["side stand"].logged is False


def test_time_on_the_lines_of_the_gears_is_a_share_of_the_moving_time():
    drawn = gears(examples.bike("T01").rides, "metric")

    assert drawn.on_a_gear == 1.0
    assert len(drawn.lines) == 5
    assert gears((), "metric") is None


def test_a_bike_whose_newest_day_changed_it_says_what_it_was():
    text = Page(index_page(examples.report(examples.held_bike()))).text

    assert "T07 was release" in text


def test_who_ran_the_check_is_named_on_the_page_of_the_bike():
    from ridecheck.reporters.html import bike_page

    done = Happened(examples.NEWEST, "checked", "", "lamp by each control: pass", "workshop")
    bike = examples.bike("T01", history=(done,))

    text = Page(bike_page(examples.report(bike), bike)).text
    assert "2026-05-12 15:03 checked : lamp by each control: pass by workshop" in text
