import csv
import io
import json

import pytest

from ridecheck.cli.app import run
from ridecheck.rules import all_rules
from ridecheck.signals.cancels import CAUSES, DECISIONS


def told(capsys, *arguments):
    assert run(["explain", *arguments]) == 0
    return capsys.readouterr().out


def test_every_rule_is_listed_with_its_severity_and_summary(capsys):
    text = " ".join(told(capsys).split())

    for rule in all_rules().values():
        assert f"{rule.id} ({rule.severity.value}) {' '.join(rule.summary.split())}" in text


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda rule: rule.id)
def test_a_rule_is_told_in_full_within_eighty_columns(rule, capsys):
    text = told(capsys, rule.id)

    assert max(len(line) for line in text.splitlines()) <= 80
    for heading in ("What it checks", "Why it matters", "What else looks like this", "Next step"):
        assert f"\n{heading}\n" in text
    for check in rule.checks:
        assert check in text


def test_json_lists_every_rule_with_needs_limits_severity_and_raise_when(capsys):
    listed = json.loads(told(capsys, "--format", "json"))

    assert [r["rule"] for r in listed] == list(all_rules())
    for entry in listed:
        rule = all_rules()[entry["rule"]]
        assert entry["severity"] == rule.severity.value
        assert [tuple(n) if len(n) > 1 else n[0] for n in entry["needs"]] == list(rule.needs)
        assert entry["raise_when"]["events"] == rule.raise_when.events
        assert all(x["reason"] for x in entry["limits"])


def test_json_of_one_rule_is_a_list_of_one(capsys):
    listed = json.loads(told(capsys, "data/out-of-range", "--format", "json"))

    assert [r["rule"] for r in listed] == ["data/out-of-range"]


def test_csv_has_one_line_a_rule(capsys):
    rows = list(csv.DictReader(io.StringIO(told(capsys, "--format", "csv"))))

    assert [r["rule"] for r in rows] == list(all_rules())


def test_a_near_miss_is_answered_with_the_right_name(capsys):
    assert run(["explain", "cruise/cancel-without-a-cause"]) == 2
    assert "did you mean cruise/cancel-without-cause" in capsys.readouterr().err


def test_the_hazards_are_told_by_action_with_their_rules_within_eighty_columns(capsys):
    text = told(capsys, "hazards")

    assert max(len(line) for line in text.splitlines()) <= 80
    assert "\nspeed up, given when it must not be\n" in text
    assert "cruise/set-speed-climbs; 2 Hz or faster" in text


@pytest.mark.parametrize("kind", ["json", "csv"])
def test_the_hazards_are_read_by_programs(kind, capsys):
    text = told(capsys, "hazards", "--format", kind)
    rows = json.loads(text) if kind == "json" else list(csv.DictReader(io.StringIO(text)))

    assert {r["action"] for r in rows} == {"engage", "hold", "speed up", "slow down", "disengage"}
    assert all(r["rules"] or r["why"] for r in rows)


def test_shared_definitions_are_shown_with_reason_and_source(capsys):
    text = told(capsys, "shared/definitions")
    rows = list(csv.DictReader(io.StringIO(told(capsys, "shared/definitions", "--format", "csv"))))
    (listed,) = json.loads(told(capsys, "shared/definitions", "--format", "json"))

    assert "braking_ms2 = 2.5 m/s2" in text
    assert all(row["reason"] and row["source"] for row in rows)
    assert [x["name"] for x in listed["limits"]] == [row["name"] for row in rows]


def test_a_rule_says_which_shared_definition_it_follows(capsys):
    text = " ".join(told(capsys, "switches/brake-dead").split())

    assert "Follows shared/definitions: braking_ms2." in text


def test_the_tables_that_judge_a_cancel_are_printed_in_their_order(capsys):
    listed = json.loads(told(capsys, "cancels", "--format", "json"))
    text = told(capsys, "cancels")

    assert [r["order"] for r in listed] == [
        *range(1, len(CAUSES) + 1),
        *range(1, len(DECISIONS) + 1),
    ]
    assert [r["answer"] for r in listed[len(CAUSES) :]] == [d.commanded for d in DECISIONS]
    assert max(len(line) for line in text.splitlines()) <= 80
    for row in listed:
        assert row["applies"].endswith(".")
        assert row["applies"] in " ".join(text.split())


def test_the_tables_that_judge_a_cancel_are_a_line_a_row_as_csv(capsys):
    rows = list(csv.DictReader(io.StringIO(told(capsys, "cancels", "--format", "csv"))))

    assert len(rows) == len(CAUSES) + len(DECISIONS)
    assert rows[-1]["causes"] == "unexplained"


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("lamp-by-each-control", "brake lamp from each control"),
        ("brake lamp from each control", "(lamp-by-each-control)"),
        ("speed_sensor", "What can be wrong"),
        ("roll_off", "throttle-closed switch"),
        ("no_opinion", "Not judged, check by hand."),
        ("keep in", "Do not ride, not even to the workshop."),
        ("commanded", "A rider's control moved"),
    ],
)
def test_a_check_a_part_a_channel_a_verdict_and_a_word_are_explained(name, says, capsys):
    assert run(["explain", name]) == 0

    assert says in capsys.readouterr().out


def test_everything_that_can_be_named_is_explained_and_nothing_clashes(capsys):
    from ridecheck.reporters.explained_words import names, word_text

    keys = [n.lower().replace("-", " ").replace("_", " ") for n in names()]

    assert len(set(keys)) == len(keys)
    assert all(len(word_text(n).splitlines()) >= 3 for n in names())


def test_no_rule_is_explained_with_a_number_nobody_can_reach(capsys):
    for rule in all_rules():
        assert run(["explain", rule]) == 0

    assert "1000000" not in capsys.readouterr().out


def test_a_note_outside_a_fleet_folder_says_so(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)

    code = run(["note", "T07", "remark", "--note", "x", "--by", "JK"])

    assert code == 2
    assert "this is no fleet folder" in capsys.readouterr().err
