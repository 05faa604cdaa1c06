import csv
import html
import io
import re
from dataclasses import replace
from functools import cache

import pytest
from reporters import examples
from reporters.pages import PageChecks
from rides import part_from, settings_from

from ridecheck.core.model import Span
from ridecheck.reporters.drawing import Mark
from ridecheck.reporters.json_report import as_json
from ridecheck.reporters.strip_drawing import left_out, strip_drawing
from ridecheck.reporters.trace_json import trace_csv, trace_dict
from ridecheck.reporters.trace_page import trace_page, write_trace
from ridecheck.reporters.trace_text import strip_lines, trace_text
from ridecheck.signals.cancels.latency import Latency
from ridecheck.trace import Strip, StripChannel, trace_ride

HOLD_S = 18.52


@cache
def traced(**options):
    """Three cancels: a uncommanded pulse, one with no logged cause, a braking."""
    plan = {
        "pieces": [
            "speed to 100 at 1.5 m/s2",
            "cruise 100 km/h, gear 5, 200 s",
            "brake 2.5 m/s2 to 60",
        ],
        "on": {"front_brake": [[HOLD_S + 50, HOLD_S + 50.1]]},
        "off": {
            "cruise_engaged": [
                [HOLD_S + 50.1, HOLD_S + 51.1],
                [HOLD_S + 120, HOLD_S + 121],
            ]
        },
        "drop": ["brake_lamp"],
    }
    part = part_from(plan)
    return trace_ride(
        [part],
        settings_from(plan),
        bike="T01",
        ride_id="T01-20260501T080000Z",
        time_zone="Europe/Lisbon",
        **options,
    )


def strip(*channels, before_s=3.0, after_s=2.0, row_s=0.5):
    return Strip(before_s=before_s, after_s=after_s, row_s=row_s, channels=channels)


def channel(name, values, *, kind="switch", unit="", row_s=0.5, start_s=-3.0):
    t_s = tuple(start_s + i * row_s for i in range(len(values)))
    return StripChannel(name, kind, unit, t_s, tuple(values))


# ---------------------------------------------------------------- text


@pytest.mark.parametrize("options", [{}, {"every": True}, {"ascii_only": True}])
def test_no_line_is_wider_than_eighty_columns(options):
    text = trace_text(traced(), examples.CAUTIONS, **options)

    assert max(len(line) for line in text.splitlines()) <= 80


def test_a_cancel_is_told_with_every_clock_its_cause_and_its_order():
    text = " ".join(trace_text(traced(), examples.CAUTIONS).split())

    assert (
        "1 2026-05-01 08:01:08.650 UTC 100.0 km/h, gear 5: front brake, uncommanded log time "
    ) in text
    assert "local 2026-05-01 09:01:08.650 WEST" in text
    assert "Order: front brake on came first, 0.10 s before cruise disengaged." in text
    assert re.search(r" 2 2026-05-01 08:02:18.550 UTC [\d.]+ km/h, gear 5: no logged cause", text)
    assert "Order: nothing logged changed before cruise disengaged." in text


def test_the_riders_own_cancels_take_one_line_each():
    lines = trace_text(traced(), examples.CAUTIONS).splitlines()

    at = next(i for i, line in enumerate(lines) if line.startswith(" 3 "))
    assert lines[at].endswith("front brake, commanded")
    assert lines[at + 1] == ""
    assert lines[at + 2] == "When does it happen"


def test_it_ends_with_the_next_ride_and_the_cautions_once():
    text = " ".join(trace_text(traced(), examples.CAUTIONS).split())

    assert text.index("For the next ride") < text.index(examples.CAUTIONS[0])
    assert text.count(examples.CAUTIONS[0]) == 1
    assert "Taps on brake and speed wires are fitted by a qualified person." in text


def test_an_instant_without_a_cancel_is_shown():
    text = trace_text(traced(at_s=HOLD_S), examples.CAUTIONS)

    assert "At 2026-05-01 08:00:18.520 UTC: no cancel" in text
    assert "set button pressed" in text


def test_a_strip_draws_switches_and_numbers_round_the_cancel():
    lines = list(
        strip_lines(
            strip(
                channel("front_brake", [0, 0, 0, 0, 1, 0, 0, 0, 0, 0]),
                channel("wheel_speed", [90.0] * 6 + [80.0] * 4, kind="number", unit="km/h"),
                channel("clutch", [0] * 10),
                channel("roll_off", [None] * 10),
            )
        )
    )

    ruler, brake, speed, steady = lines
    assert ruler.index("|") == 20 + int(58 * 3 / 5)
    assert re.fullmatch(r"front brake {9}\.+#{5,7}\.+", brake)
    assert re.fullmatch(r"speed 80-90 {9}9+0+", speed)
    assert steady == "unmoved: clutch off, throttle-closed switch blank"


def test_a_pulse_of_one_row_is_not_hidden_by_the_rows_that_share_its_column():
    values = [0] * 500
    values[250] = 1
    lines = list(strip_lines(strip(channel("front_brake", values, row_s=0.01), row_s=0.01)))

    assert lines[1].count("#") == 1


def test_blank_and_gap_are_neither_on_nor_off():
    values = [1, 1, None, None, 0, 0, 0, 0, 0, 0]
    lines = list(strip_lines(strip(channel("front_brake", values))))

    cells = lines[1][20:]
    assert re.fullmatch(r"#+ {8,14}\.+", cells)


# ---------------------------------------------------------------- JSON and CSV


def test_json_has_the_contracts_fields_and_the_moves_of_each_cancel():
    told = trace_dict(traced(), examples.CAUTIONS)

    as_json(told)
    assert told["schema"] == "ridecheck-trace/1"
    assert told["ride"] == "T01-20260501T080000Z"
    assert told["cautions"] == list(examples.CAUTIONS)
    assert [c["cause"] for c in told["cancels"]] == ["front_brake", "unexplained", "front_brake"]
    first = told["cancels"][0]
    assert (first["commanded"], first["first_mover"], first["pulse_s"]) == (
        False,
        "front_brake",
        0.1,
    )
    moved = {m["what"]: m for m in first["moves"]}
    assert moved["cruise disengaged"]["seen_s"] == 0.0
    assert moved["front brake on"] == {
        "channel": "front_brake",
        "what": "front brake on",
        "seen_s": -0.1,
        "earliest_s": -0.15,
        "latest_s": -0.1,
    }


def test_how_long_cruise_takes_to_let_go_is_told_where_it_was_learnt():
    known = replace(traced(), latency=Latency(Span(0.05, 0.084), 6))
    told = "In this ride cruise disengages 0.05 to 0.08 s after an input (6 cancels)."

    assert trace_dict(known, ())["lets_go_after"] == {
        "least_s": 0.05,
        "most_s": 0.084,
        "cancels": 6,
    }
    assert trace_dict(traced(), ())["lets_go_after"] is None
    assert told in text_of(known)
    assert told not in text_of(traced())


def text_of(trace):
    return " ".join(trace_text(trace, examples.CAUTIONS).split())


def test_csv_has_one_line_a_cancel():
    rows = list(csv.DictReader(io.StringIO(trace_csv([traced(), traced()]))))

    assert [r["cause"] for r in rows] == ["front_brake", "unexplained", "front_brake"] * 2


# ---------------------------------------------------------------- the page


PAGE = trace_page(traced(), examples.CAUTIONS)


@pytest.mark.parametrize("text", [pytest.param(PAGE, id="trace")])
class TestTracePage(PageChecks):
    pass


def strips():
    figures = re.findall(r'<figure class="strip".*?</figure>', PAGE, re.S)
    return figures[1:]  # the first is the whole ride


def test_there_is_one_drawing_a_cancel_and_it_says_what_it_shows():
    labels = [html.unescape(re.search(r'aria-label="(.*?)"', f)[1]) for f in strips()]

    assert len(labels) == 3
    assert labels[0].startswith("Strip chart round the cancel at 2026-05-01 09:01:08.650 WEST.")
    assert "Order: front brake on came first" in labels[0]


def test_the_page_begins_with_the_whole_ride_in_little():
    whole = re.search(r'<figure class="strip".*?</figure>', PAGE, re.S)[0]

    assert whole.count('class="held"') == 3
    assert whole.count('class="uncommanded"') == 2


def test_a_drawing_marks_the_cancel_the_first_mover_and_the_next_press():
    words = re.findall(r'<text class="mark[^>]*>(.*?)</text>', strips()[0])

    assert words == ["cruise disengages", "front brake on", "engaged or pressed again"]


def test_a_drawing_shows_what_moved_and_where():
    rows = re.findall(r'data-name="(.*?)"', strips()[0])
    assert {"wheel speed", "engine speed", "front brake"} <= set(rows)
    brake = re.search(r'data-name="front brake".*?</svg>', strips()[0], re.S)[0]
    bar = re.search(r'<rect class="on" x="([\d.]+)" y="1" width="([\d.]+)"', brake)

    assert 720 * (float(bar[1]) / 720) == pytest.approx(720 * (3.0 - 0.1) / 5.0, abs=8.0)


def test_it_links_to_bike_and_board_where_they_lie_beside_it(tmp_path):
    alone = write_trace(traced(), examples.CAUTIONS, tmp_path).read_text("utf-8")
    (tmp_path / "bikes").mkdir()
    (tmp_path / "bikes" / "T01.html").write_text("")
    beside = write_trace(traced(), examples.CAUTIONS, tmp_path).read_text("utf-8")

    links = ('href="../index.html"', 'href="../bikes/T01.html"')
    assert [link in beside for link in links] == [True, True]
    assert [link in alone for link in links] == [False, False]


def test_the_moves_are_readable_without_scripts():
    assert '<th scope="row">front brake on</th>' in PAGE
    assert "What moved, seconds from the cancel" in PAGE


def test_a_line_breaks_at_a_blank_and_at_a_gap():
    speed = replace(
        channel("wheel_speed", [90, 90, None, 80, 80, 70], kind="number", unit="km/h"),
        t_s=(-3.0, -2.9, -2.8, -2.7, -2.6, 1.0),
    )

    (lane,) = strip_drawing(strip(speed, row_s=0.1), "x", []).rows

    assert len(lane.lines[0].stretches) == 3


def test_a_blank_switch_is_drawn_as_neither_on_nor_off():
    switch = channel("front_brake", [0, 1, 1, None, None, 0])

    (row,) = strip_drawing(strip(switch), "x", []).rows

    assert [b.kind for b in row.bars] == ["on", "blank", "blank"]  # the last: no row any more
    assert row.bars[0].x == pytest.approx(72.0)
    assert row.bars[0].width == pytest.approx(144.0)


def test_a_strip_is_drawn_in_the_fleets_units():
    speed = channel("wheel_speed", [100.0, 160.9], kind="number", unit="km/h")

    metric, imperial = (
        strip_drawing(strip(speed), "x", [], units=u).rows[0] for u in ("metric", "imperial")
    )

    assert (metric.unit, metric.low, metric.high) == ("km/h", "100", "161")
    assert (imperial.unit, imperial.low, imperial.high) == ("mph", "62", "100")


def test_marks_outside_a_strip_are_left_out():
    marks = [Mark(0.0, "here", "cancel"), Mark(9.0, "there", "press")]

    drawing = strip_drawing(strip(channel("front_brake", [0, 1])), "x", marks)

    assert [m.text for m in drawing.marks] == ["here"]


def test_what_is_not_drawn_is_told():
    told = left_out(strip(channel("side_stand", [0, 0]), channel("roll_off", [0, 1])))

    assert told == ["side stand off"]


def test_the_page_is_put_in_place_under_the_rides_name(tmp_path):
    path = write_trace(traced(), examples.CAUTIONS, tmp_path)

    assert path == tmp_path / "traces" / "T01-20260501T080000Z.html"
    assert path.read_text("utf-8") == PAGE
