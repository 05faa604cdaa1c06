import tomllib
from dataclasses import replace
from datetime import timedelta

import pytest
from reporters import examples

from ridecheck.cli.app import run
from ridecheck.core.model import Dating, PartRef, RideResult, Severity
from ridecheck.rules import all_rules
from ridecheck.store.results import write_result

DANGER = "cruise/engaged-under-braking"
FAULT = "cruise/cancel-without-cause"
AT = f"T07/{FAULT}/20260512T140311Z"
RIDE = "T07-20260512T131500Z"
LATER = timedelta(hours=4)


@pytest.fixture
def fleet(tmp_path):
    """Two bikes; the first has a ride with a danger and a fault."""
    (tmp_path / "bikes").mkdir()
    for tag in ("T07", "T12"):
        text = f'bike = "{tag}"\nmodel = "touring-triple-five"\n'
        (tmp_path / "bikes" / f"{tag}.toml").write_text(text, "utf-8")
    write_result(tmp_path, ride())
    return tmp_path


def ride():
    """A stored ride with one danger and one fault."""
    findings = [
        examples.finding("T07", DANGER, "stayed engaged", severity=Severity.DANGER).finding,
        examples.finding("T07", FAULT, "let go").finding,
    ]
    dating: Dating = "time"
    return RideResult(
        schema="ridecheck-ride/2",
        bike="T07",
        ride=RIDE,
        judge_key="k",
        version="0.1.0",
        model="touring-triple-five",
        parts=(PartRef(log="a.csv", sha256=examples.SHA, part="3f5a9c0b0b0b-1"),),
        dating=dating,
        start=examples.NEWEST,
        end=examples.NEWEST + timedelta(hours=1),
        start_from="column",
        duration_s=3600.0,
        samples=72_000,
        distance_km=60.0,
        engaged_s=1800.0,
        engaged_km=50.0,
        engagements=3,
        channels={},
        rules=(),
        findings=tuple(replace(f, ride=RIDE) for f in findings),
        cancels=(),
    )


def events(fleet, bike="T07"):
    return tomllib.loads((fleet / "bikes" / f"{bike}.toml").read_text("utf-8")).get("events", [])


def note(fleet, *arguments):
    return run(["note", "T07", *arguments, "--fleet", str(fleet)])


def danger_checks():
    return [part for check in all_rules()[DANGER].checks for part in ("--checks", check)]


@pytest.mark.parametrize(
    "arguments",
    [
        ["repair", "--part", "speed_sensor", "--note", "plug cleaned", "--by", "JK"],
        ["modification", "--part", "handlebar", "--note", "risers fitted"],
        ["checked", "--check", "lamp-by-each-control", "--result", "ok"],
        ["dismissed", "--finding", FAULT, "--reason", "headwind", "--by", "JK"],
        [
            "dismissed",
            "--finding",
            f"T07/{FAULT}/20260512T140311Z",
            "--reason",
            "headwind",
            "--by",
            "JK",
        ],
        ["wash"],
        ["rain", "--when", "2026-05-03"],
        ["remark", "--note", "drops out on the ring road"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_an_event_is_appended_to_the_bikes_file(arguments, fleet, capsys):
    before = (fleet / "bikes" / "T07.toml").read_bytes()

    code = note(fleet, *arguments)

    assert code == 0, capsys.readouterr().err
    after = (fleet / "bikes" / "T07.toml").read_bytes()
    assert after.startswith(before)
    assert events(fleet)[-1]["kind"] == arguments[0]


def test_a_sign_off_names_every_check_its_danger_asks_for(fleet, capsys):
    code = note(fleet, "signed_off", "--finding", DANGER, *danger_checks(), "--by", "JK")

    assert code == 0, capsys.readouterr().err
    assert events(fleet)[-1]["checks"] == list(all_rules()[DANGER].checks)


def test_a_sign_off_tells_what_it_closes_and_what_stays_open(fleet, capsys):
    later = replace(
        ride(),
        ride="T07-20260512T180000Z",
        parts=(PartRef(log="b.csv", sha256=examples.SHA, part="0b0b0b3f5a9c-1"),),
        start=ride().start + LATER,
        end=ride().end + LATER,
        findings=tuple(
            replace(f, id=f"{f.id}-later", start=f.start + LATER, end=f.end + LATER)
            for f in ride().findings
        ),
    )
    write_result(fleet, later)
    (fleet / "fleet.toml").write_text('name = "Hollow Hill Tours"\n', "utf-8")
    note(fleet, "signed_off", "--finding", ride().findings[0].id, *danger_checks(), "--by", "JK")
    by_id = capsys.readouterr().out
    note(fleet, "signed_off", "--finding", DANGER, *danger_checks(), "--by", "JK")
    by_rule = capsys.readouterr().out

    assert "Closes 1 of 2 open; 1 stay open: name the rule" in by_id
    assert "Closes 1 of 1 open." in by_rule


def test_an_undated_finding_that_a_rule_does_not_close_is_told_by_its_id(fleet, capsys):
    undated = tuple(replace(f, start=None, end=None) for f in ride().findings)
    write_result(fleet, replace(ride(), dating="none", start=None, end=None, findings=undated))
    (fleet / "fleet.toml").write_text('name = "Hollow Hill Tours"\n', "utf-8")
    note(fleet, "signed_off", "--finding", DANGER, *danger_checks(), "--by", "JK")

    told = capsys.readouterr().out
    assert "Closes 0 of 1 open; 1 stay open" in told
    assert f"closed by its id, {undated[0].id}." in told


def test_checks_may_be_given_with_commas(fleet, capsys):
    checks = ",".join(all_rules()[DANGER].checks)

    code = note(fleet, "signed_off", "--finding", DANGER, "--checks", checks, "--by", "JK")

    assert code == 0, capsys.readouterr().err
    assert events(fleet)[-1]["checks"] == list(all_rules()[DANGER].checks)


@pytest.mark.parametrize("named", [DANGER, f"T07/{DANGER}", f"T07/{DANGER}/20260512T140311Z"])
@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["dismissed", "--reason", "looked fine"], "a danger cannot be dismissed"),
        (
            ["signed_off", "--checks", "lamp-by-each-control", "--by", "JK"],
            "does not name every check",
        ),
        (["signed_off", "--by", "JK"], "does not name every check"),
        (
            ["signed_off", *danger_checks(), "--checks", "cancel-proof-ride"],
            "checks done standing still",
        ),
        (["signed_off", *danger_checks(), "--checks", "lamp"], "a check that ridecheck"),
    ],
    ids=["dismissed", "one check", "no check", "road check", "unknown check"],
)
def test_a_danger_is_not_closed_lightly(arguments, what, named, fleet, capsys):
    code = note(fleet, *arguments, "--finding", named)

    assert code == 2
    assert what in capsys.readouterr().err
    assert events(fleet) == []


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["repaired"], "did you mean repair?"),
        (["repair", "--part", "speed-sensor"], "did you mean speed_sensor?"),
        (["checked", "--check", "lamp", "--result", "ok"], "allowed: lamp-by-each-control"),
        (["checked", "--check", "tap-test", "--result", "good"], "allowed: ok, fault"),
        (["checked", "--result", "ok"], "the check is missing"),
        (["dismissed", "--finding", FAULT], "reason"),
        (["dismissed", "--finding", "cruise/none", "--reason", "x"], "no such finding"),
        (["remark", "--when", "yesterday"], "this is no date or time"),
        (["assigned"], "a kind of event that ridecheck does not know"),
    ],
)
def test_what_is_missing_or_misspelt_is_told(arguments, what, fleet, capsys):
    code = note(fleet, *arguments)

    assert code == 2
    assert what in capsys.readouterr().err
    assert events(fleet) == []


def test_an_unknown_bike_is_told_with_the_nearest(fleet, capsys):
    assert run(["note", "T7", "wash", "--fleet", str(fleet)]) == 2
    assert "T07" in capsys.readouterr().err


def test_assign_records_where_a_ride_goes(fleet, capsys):
    code = run(["assign", RIDE, "T12", "--by", "JK", "--fleet", str(fleet)])

    assert code == 0, capsys.readouterr().err
    event = events(fleet)[-1]
    assert (event["kind"], event["to"], event["by"]) == ("assigned", "T12", "JK")
    assert event["parts"] == ["3f5a9c0b0b0b-1"]


def test_drop_records_who_and_why(fleet, capsys):
    code = run(["drop", RIDE, "--by", "JK", "--reason", "in a van", "--fleet", str(fleet)])

    assert code == 0, capsys.readouterr().err
    assert events(fleet)[-1]["reason"] == "in a van"


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["assign", RIDE, "T13", "--by", "JK"], "unknown bike"),
        (["assign", RIDE, "T07", "--by", "JK"], "filed under this bike already"),
        (["assign", "T07-20260512T1315Z", "T12", "--by", "JK"], f"did you mean {RIDE}?"),
        (["drop", RIDE, "--by", "JK"], "--reason"),
        (["drop", RIDE, "--reason", "x"], "--by"),
    ],
)
def test_a_ride_is_not_moved_on_half_a_word(arguments, what, fleet, capsys):
    code = run([*arguments, "--fleet", str(fleet)])

    assert code == 2
    assert what in capsys.readouterr().err
    assert events(fleet) == []


def test_a_check_whose_last_result_is_a_fault_cannot_be_signed_off(fleet, capsys):
    checks = all_rules()[DANGER].checks
    record = ("note", "T07", "checked", "--fleet", str(fleet), "--check", checks[0], "--by", "JK")
    sign = ("note", "T07", "signed_off", "--fleet", str(fleet), "--finding", DANGER, "--by", "JK",
            "--checks", ",".join(checks))  # fmt: skip
    assert run([*record, "--result", "fault", "--when", "2026-05-13T08:00:00Z"]) == 0

    assert run(list(sign)) == 2
    said = capsys.readouterr().err
    assert f"{checks[0]}: fault, 2026-05-13 by JK" in said
    assert "the last result of this check on record is a fault" in said

    assert run([*record, "--result", "ok", "--when", "2026-05-13T09:00:00Z"]) == 0
    assert run(list(sign)) == 0
