"""What people read can be in miles; what programs read stays metric."""

import json
import re
from dataclasses import replace

import pytest
from reporters import examples
from reporters.test_trace_reports import traced

from ridecheck.reporters import html, terminal
from ridecheck.reporters.display_units import figure, in_units, sentence
from ridecheck.reporters.json_report import report_json
from ridecheck.reporters.trace_page import trace_page
from ridecheck.reporters.trace_text import trace_text

METRIC = re.compile(r"\d ?(km/h|km)\b")


@pytest.mark.outside
@pytest.mark.parametrize(
    ("kmh", "mph"),
    # NIST Special Publication 811, appendix B.8: 1 mile per hour is 1.609344 km/h, exactly.
    [(1.609344, "1.0 mph"), (160.9344, "100.0 mph"), (0.0, "0.0 mph")],
)
def test_speeds_turn_by_the_exact_mile(kmh, mph):
    assert figure(kmh, "km/h", units="imperial") == mph


@pytest.mark.parametrize(
    ("metric", "imperial"),
    [
        ("fell from 100 to 0 km/h in 1.5 s", "fell from 62 to 0 mph in 1.5 s"),
        ("held 3.0 km/h above the set 100 km/h", "held 1.9 mph above the set 62 mph"),
        ("2 km/h is allowed", "1.2 mph is allowed"),
        ("went on by 12.5 km while", "went on by 7.8 mi while"),
        ("at 40, 60 and 80 km/h", "at 25, 37 and 50 mph"),
        ("a gradient of 3 %, -12.0 km/h", "a gradient of 3 %, -7.5 mph"),
        ("32.10 rpm per km/h as logged", "32.10 rpm per km/h as logged"),
        ("2.0 per 100 engaged km", "2.0 per 100 engaged km"),
        ("slowed by 3 m/s2 for 0.8 s at row 17", "slowed by 3 m/s2 for 0.8 s at row 17"),
    ],
)
def test_sentences_turn_where_a_speed_or_a_distance_stands(metric, imperial):
    assert sentence(metric, "imperial") == imperial
    assert sentence(metric, "metric") == metric


def test_board_and_pages_of_an_imperial_fleet_hold_no_kilometre():
    fleet = replace(examples.forty_bikes(), display_units="imperial")
    texts = [
        terminal.board(fleet),
        html.index_page(fleet),
        *(html.bike_page(fleet, b) for b in fleet.bikes),
    ]

    assert any("mph" in text for text in texts)
    assert [METRIC.search(text) for text in texts] == [None] * len(texts)


def test_traces_of_an_imperial_fleet_hold_no_kilometre_and_their_charts_neither():
    text = trace_text(traced(), examples.CAUTIONS, units="imperial")
    page = trace_page(traced(), examples.CAUTIONS, units="imperial")

    assert METRIC.search(text) is None
    assert METRIC.search(page) is None
    assert 'data-unit="mph"' in page
    assert 'data-unit="km/h"' not in page


def test_names_of_logs_and_ids_are_never_turned():
    fleet = examples.forty_bikes()
    bike = replace(fleet.bikes[0], label="runs 90 km/h at most", bike="T50 km")

    assert in_units(bike, "imperial").label == "runs 90 km/h at most"
    assert in_units(bike, "imperial").bike == "T50 km"


def test_programs_read_the_same_figures_in_every_fleet():
    fleet = examples.forty_bikes()
    imperial = replace(fleet, display_units="imperial")

    assert json.loads(report_json(imperial)) == json.loads(report_json(fleet))
