import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from jsonschema import Draft202012Validator
from reporters import examples

from ridecheck.core.model import ChannelFacts, Severity
from ridecheck.core.resources import shipped
from ridecheck.reporters.json_report import plain, report_dict, report_json


@pytest.fixture(scope="module")
def schema():
    return json.loads(shipped("schemas", "report.schema.json").read_text("utf-8"))


@pytest.mark.parametrize(
    "fleet",
    [
        pytest.param(examples.forty_bikes(), id="forty bikes"),
        pytest.param(examples.report(), id="no bike"),
        pytest.param(
            examples.report(examples.bike("T01", label=examples.HOSTILE)), id="hostile label"
        ),
        pytest.param(replace(examples.report(), as_of=None), id="no dated ride"),
    ],
)
def test_the_report_fits_its_schema(fleet, schema):
    Draft202012Validator.check_schema(schema)

    told = json.loads(report_json(fleet))

    assert [e.message for e in Draft202012Validator(schema).iter_errors(told)] == []


def walk(told, declared, schema, path="report"):
    """Paths of fields that one side has and the other has not."""
    if "$ref" in declared:
        declared = schema["$defs"][declared["$ref"].rsplit("/", 1)[1]]
    if isinstance(told, list):
        for item in told:
            yield from walk(item, declared["items"], schema, f"{path}[]")
    elif isinstance(told, dict) and "properties" in declared:
        yield from (f"{path}.{key}" for key in set(told) ^ set(declared["properties"]))
        for key, value in told.items():
            yield from walk(value, declared["properties"][key], schema, f"{path}.{key}")


def test_the_report_holds_exactly_the_declared_fields(schema):
    told = report_dict(examples.forty_bikes())

    assert sorted(set(walk(told, schema, schema))) == []


@pytest.mark.parametrize("field", ["verdict", "cancels", "previous_verdict"])
def test_the_schema_notices_a_missing_field(schema, field):
    told = report_dict(examples.forty_bikes())
    del told["bikes"][0][field]

    assert not Draft202012Validator(schema).is_valid(told)


def test_what_is_absent_is_null():
    undated = next(b for b in report_dict(examples.forty_bikes())["bikes"] if b["bike"] == "T40")

    assert undated["previous_verdict"] is None
    assert undated["last_data"] is None
    assert undated["rides"][0]["start"] is None
    assert undated["findings"][0]["measured"] is None


def test_figures_are_rounded_as_printed():
    held = next(b for b in report_dict(examples.forty_bikes())["bikes"] if b["bike"] == "T07")

    assert held["rides"][0]["distance_km"] == 61.2
    assert held["rides"][0]["channels"]["front_brake"] == {"interval_s": 0.05, "present": 0.999}
    assert held["cancels"][0]["speed_kmh"] == 104.3
    assert held["suspects"][0]["probability"] == 0.713


def test_a_figure_that_is_no_number_is_null():
    ride = replace(
        examples.ride("T01"), channels={"gear": ChannelFacts(interval_s=float("inf"), present=0.0)}
    )

    told = report_dict(examples.report(examples.bike("T01", rides=(ride,))))

    assert told["bikes"][0]["rides"][0]["channels"]["gear"]["interval_s"] is None


def test_bikes_rides_and_findings_come_in_a_fixed_order():
    early, late = examples.NEWEST, examples.NEWEST + timedelta(days=1)
    findings = (
        examples.finding("T02", "speed/frozen", "c", start=None),
        examples.finding("T02", "speed/jumps", "b", start=late),
        examples.finding("T02", "cruise/hunts", "a", start=late),
        examples.finding("T02", "speed/jumps", "d", start=early, severity=Severity.WATCH),
        examples.finding("T02", "switches/brake-dead", "e", start=late, severity=Severity.DANGER),
    )
    rides = tuple(examples.ride("T02", start=start) for start in (None, late, early))
    fleet = examples.report(
        examples.bike("T02", findings=findings, rides=rides), examples.bike("T01")
    )

    told = report_dict(fleet)["bikes"]

    assert [b["bike"] for b in told] == ["T01", "T02"]
    assert [f["message"] for f in told[1]["findings"]] == ["e", "a", "b", "c", "d"]
    assert [r["start"] and r["start"][:10] for r in told[1]["rides"]] == [
        "2026-05-12",
        "2026-05-13",
        None,
    ]


def test_order_of_bikes_in_memory_plays_no_part():
    fleet = examples.forty_bikes()
    turned = replace(fleet, bikes=fleet.bikes[::-1], set_aside=fleet.set_aside[::-1])

    assert report_json(turned) == report_json(fleet)


def test_a_finding_tells_its_doubt_and_where_it_was_carried_over_from():
    found = examples.finding(
        "T01",
        "switches/brake-dead",
        "no brake signal in 3 decelerations",
        doubt="the log may be another bike's",
        carried_from="version 0.1.0, layout bench-20hz",
    )

    told = report_dict(examples.report(examples.bike("T01", findings=(found,))))

    assert told["bikes"][0]["findings"][0]["message"] == (
        "no brake signal in 3 decelerations (in doubt: the log may be another bike's) "
        "(found by version 0.1.0, layout bench-20hz; kept until signed off)"
    )


def test_a_log_not_read_tells_why_in_one_line():
    told = report_dict(examples.forty_bikes())["set_aside"]

    assert [s["log"] for s in told] == ["T33_2026-05-12.csv", "scan 0001.csv"]
    assert told[0]["why"] == (
        "columns are missing: line 1 (no column 'VSS'); compare the file with its layout"
    )


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (datetime(2026, 5, 1, 8, 0, tzinfo=UTC), "2026-05-01T08:00:00Z"),
        (date(2026, 5, 1), "2026-05-01"),
        (-0.0001, 0.0),
        (float("nan"), None),
        ({"a": (1, 2.00049)}, {"a": [1, 2.0]}),
    ],
)
def test_free_form_records_become_plain_values(value, told):
    assert plain(value) == told


def test_the_text_is_ascii_and_ends_with_a_line_end():
    text = report_json(examples.report(examples.bike("T01", label="Número ü漢")))

    assert text.isascii()
    assert text.endswith("}\n")
