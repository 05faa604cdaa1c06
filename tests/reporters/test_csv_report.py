import csv
import io

import pytest
from reporters import examples

from ridecheck.core.model import Verdict
from ridecheck.reporters.csv_report import cancels_csv, fleet_csv, table


def rows(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_one_line_a_bike_by_id():
    told = rows(fleet_csv(examples.forty_bikes()))

    assert [r["bike"] for r in told] == [f"T{n:02d}" for n in range(1, 41)]


def test_a_line_holds_what_a_manager_sorts_by():
    held = next(r for r in rows(fleet_csv(examples.forty_bikes())) if r["bike"] == "T07")

    assert held["verdict"] == "keep_in"
    assert held["previous_verdict"] == "release"
    assert held["open_dangers"] == "1"
    assert held["open_faults"] == "0"
    assert held["worst_open_finding"].startswith("cruise stayed engaged for 1.90 s")
    assert held["cancels"] == "3"
    assert held["cancels_not_asked_for"] == "1"
    assert held["first_suspect_probability"] == "0.713"


@pytest.mark.parametrize(
    ("label", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("+1+1", "'+1+1"),
        ("-1+1", "'-1+1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1+1", "\\t=1+1"),
        ("\r\n=1+1", "\\r\\n=1+1"),
        ("a=1", "a=1"),
    ],
)
def test_a_text_that_could_run_as_a_formula_is_disarmed(label, cell):
    fleet = examples.report(examples.bike("T01", label=label))

    assert rows(fleet_csv(fleet))[0]["label"] == cell


def test_numbers_keep_their_minus_sign():
    text = table([{"offset": -2.5, "count": -1, "word": "-"}], ("offset", "count", "word"))

    assert text == "offset,count,word\n-2.5,-1,'-\n"


def test_separators_and_quotes_stay_inside_their_cell():
    because = ('He said "no", twice;,then rode on',)
    fleet = examples.report(examples.bike("T01", Verdict.INSPECT, because=because))

    assert rows(fleet_csv(fleet))[0]["because"] == because[0]


def test_one_line_a_cancel_and_blank_for_what_cannot_be_told():
    told = rows(cancels_csv(examples.held_bike().cancels))

    assert [r["cause"] for r in told] == ["front_brake", "rear_brake", "unexplained"]
    assert [r["commanded"] for r in told] == ["false", "true", ""]
    assert told[0]["evidence"].count(" | ") == 1
    assert told[2]["not_logged"] == "roll_off side_stand supply_voltage"
