import re
from dataclasses import replace

import pytest
from reporters import examples

from ridecheck.core.model import Curve, Picture, Span
from ridecheck.core.packed import packed
from ridecheck.reporters.drawing import WIDE, Mark, clock_text, label_at, picture_drawing, ticks


def picture(*curves, window=(-2.0, 4.0), **more):
    facts = {"stretch": Span(0.0, 1.0)} | more
    return Picture(zero_s=0.0, from_s=window[0], to_s=window[1], curves=curves, **facts)


def speed(*points):
    return Curve("wheel_speed", packed(points))


def rows_of(drawn, **options):
    return {r.name: r for r in picture_drawing(drawn, "x", **options).rows}


def test_curves_of_one_kind_share_a_lane_and_the_others_are_named_in_its_key():
    rows = rows_of(examples.picture())

    assert list(rows) == ["wheel speed", "cruise engaged", "front brake", "gear"]
    assert rows["wheel speed"].keys == (("other", "cruise set speed"),)


def test_a_gap_breaks_the_line():
    rows = rows_of(picture(speed((-2, 80), (0, 81), (0, None), (2, 82), (4, 83))))

    assert len(rows["wheel speed"].lines[0].stretches) == 2


def test_a_lone_point_can_be_seen():
    (stretch,) = rows_of(picture(speed((1, 80))))["wheel speed"].lines[0].stretches

    first, second = stretch.split()
    assert float(second.split(",")[0]) - float(first.split(",")[0]) == 2.0


@pytest.mark.parametrize(("t_s", "x"), [(-2.0, 0.0), (1.0, WIDE / 2), (4.0, WIDE)])
def test_time_runs_evenly_from_one_end_to_the_other(t_s, x):
    (stretch,) = (
        rows_of(picture(speed((-2, 80), (t_s, 90), (4, 80))))["wheel speed"].lines[0].stretches
    )

    assert x in [float(p.split(",")[0]) for p in stretch.split()]


def test_the_figures_beside_a_lane_are_the_least_and_the_greatest_value():
    lane = rows_of(picture(speed((-2, 62), (4, 104))))["wheel speed"]

    assert (lane.low, lane.high, lane.unit) == ("62", "104", "km/h")


def test_noise_never_fills_a_lane():
    lane = rows_of(picture(speed((-2, 80.0), (0, 80.2), (4, 80.0))))["wheel speed"]

    heights = [float(p.split(",")[1]) for p in lane.lines[0].stretches[0].split()]
    assert max(heights) - min(heights) < 5.0


def test_a_fleet_that_reads_miles_sees_mph_with_its_limit():
    drawn = picture(
        speed((-2, 160.9), (4, 80.5)), limit=Curve("wheel_speed", packed([(-2, 96.6), (4, 96.6)]))
    )

    lane = rows_of(drawn, units="imperial")["wheel speed"]

    assert (lane.unit, lane.low, lane.high) == ("mph", "50", "100")
    assert lane.keys == (("limit", "limit 60.0 mph"),)


def test_a_switch_is_a_bar_where_it_is_on_and_hatched_where_it_is_blank():
    switch = Curve("front_brake", packed([(-2, 0), (0, 1), (1, None), (2, 0)]))

    row = rows_of(picture(switch))["front brake"]

    assert [(b.kind, b.x, b.width) for b in row.bars] == [
        ("on", 240.0, 120.0),
        ("blank", 360.0, 120.0),
    ]


def test_a_pulse_thinner_than_a_pixel_can_be_seen():
    switch = Curve("front_brake", packed([(-2, 0), (0, 1), (0.001, 0)]))

    (bar,) = rows_of(picture(switch))["front brake"].bars

    assert bar.width == 1.5


def test_the_stretch_is_shaded_lighter_up_to_a_limit_in_time():
    drawing = picture_drawing(examples.picture(), "x")

    shades = [(s.kind, round(s.x), round(s.x + s.width)) for s in drawing.shades]
    assert shades == [("allowed", 244, 311), ("stretch", 311, 476)]


def test_a_cancel_has_no_stretch_to_shade():
    assert picture_drawing(picture(speed((-2, 80)), stretch=Span(0.0, 0.0)), "x").shades == ()


@pytest.mark.parametrize("length_s", [0.5, 5.0, 94.0, 400.0, 3600.0, 43_200.0])
def test_an_axis_has_a_handful_of_round_instants_that_stay_on_the_page(length_s):
    found = ticks(Span(-length_s / 3.0, 2.0 * length_s / 3.0))

    assert 1 <= len(found) <= 8
    assert len({t.text for t in found}) == len(found)


@pytest.mark.parametrize(
    ("t_s", "length_s", "text"),
    [(-2.0, 6.0, "\u22122 s"), (0.0, 6.0, "0"), (0.5, 3.0, "+0.5 s"), (120.0, 400.0, "+2 min")],
)
def test_instants_of_an_axis_are_written_as_a_person_says_them(t_s, length_s, text):
    assert clock_text(t_s, length_s, signed=True) == text


def test_words_at_the_ends_of_an_axis_turn_inwards():
    window = Span(0.0, 100.0)

    assert [label_at(t, window, "2026-05-03").anchor for t in (1, 50, 99)] == [
        "start",
        "middle",
        "end",
    ]


def test_a_mark_outside_the_picture_is_left_out():
    drawing = picture_drawing(examples.picture(), "x", marks=[Mark(60.0, "later", "press")])

    assert drawing.marks == ()


def test_a_gear_is_drawn_in_steps():
    gear = Curve("gear", packed([(-2, 5), (1, 4)]))

    row = rows_of(picture(gear))["gear"]

    assert (row.low, row.high) == ("4", "5")
    xs = [float(p.split(",")[0]) for p in row.lines[0].stretches[0].split()]
    assert xs == [0.0, 360.0, 360.0, 720.0]


def test_a_log_of_an_hour_with_fifty_strips_is_a_small_page():
    from ridecheck.reporters.html import bike_page

    bike = examples.busy_bike(50)
    text = bike_page(examples.report(bike), bike)

    assert text.count('<figure class="strip"') >= 50
    assert len(text.encode()) < 2_000_000


def test_more_cancels_than_fifty_open_to_no_strip_and_the_page_says_how_many_there_are():
    from ridecheck.reporters.html import bike_page

    bike = examples.busy_bike(260)
    text = bike_page(examples.report(bike), bike)

    assert len(re.findall(r'<details open class="cancel', text)) == 200
    assert "Listed: 200 of 260; report.json holds them all." in text
    assert text.count("cruise disengages") == 50


def test_an_old_result_without_pictures_says_so():
    from ridecheck.reporters.html import bike_page

    bike = examples.held_bike()
    bare = replace(bike, findings=tuple(_bare(f) for f in bike.findings))

    assert "No drawing of it is kept." in bike_page(examples.report(bare), bare)


def _bare(item):
    return replace(item, finding=replace(item.finding, picture=None))
