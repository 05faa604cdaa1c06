import csv
import io
import json
import re
import shutil
import tomllib

import pytest
from jsonschema import Draft202012Validator

from ridecheck.cli.app import run
from ridecheck.core.resources import shipped
from ridecheck.setup.demo import copy_sample_fleet


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    """The sample fleet, screened once."""
    folder = tmp_path_factory.mktemp("demo") / "fleet"
    assert run(["demo", str(folder)]) == 0
    return folder


def expected_verdicts():
    table = tomllib.loads(shipped("sample_logs", "index.toml").read_text("utf-8"))
    return {b["bike"]: b["expected"] for b in table["bike"]}


def screened(capsys, *arguments):
    """Output, error and exit code of a command."""
    code = run(list(arguments))
    captured = capsys.readouterr()
    return captured.out, captured.err, code


def test_demo_writes_the_pages_and_says_where(judged, capsys):
    out, _, code = screened(capsys, "demo", str(judged))

    assert code == 0
    assert out.endswith(f"\nThe pages: {judged / 'reports' / 'index.html'}\n")
    assert (judged / "reports" / "index.html").is_file()
    assert len(list((judged / "reports" / "bikes").glob("*.html"))) == 9


def test_demo_can_be_run_again_and_keeps_what_was_noted(judged, capsys):
    assert run(["note", "H01", "remark", "--note", "kept", "--fleet", str(judged)]) == 0

    assert run(["demo", str(judged)]) == 0

    assert "kept" in (judged / "bikes" / "H01.toml").read_text("utf-8")


@pytest.mark.parametrize("make", ["folder", "file"])
def test_demo_touches_no_folder_of_somebody_else(make, tmp_path, capsys):
    place = tmp_path / "mine"
    if make == "folder":
        place.mkdir()
        (place / "letter.txt").write_text("mine", "utf-8")
    else:
        place.write_text("mine", "utf-8")

    _, err, code = screened(capsys, "demo", str(place))

    assert code == 2
    assert "the sample fleet is not copied here" in err
    assert {p.name for p in tmp_path.rglob("*")} <= {"mine", "letter.txt"}


def test_a_kept_in_bike_gives_exit_code_ten_unless_told_never(judged, capsys):
    assert "keep_in" in expected_verdicts().values()

    _, _, code = screened(capsys, "screen", "--fleet", str(judged))
    _, _, never = screened(capsys, "screen", "--fleet", str(judged), "--fail-on", "never")

    assert (code, never) == (10, 0)


def test_json_alone_goes_to_standard_output_and_fits_the_schema(judged, capsys):
    out, _, _ = screened(capsys, "screen", "--fleet", str(judged), "--format", "json")

    schema = json.loads(shipped("schemas", "report.schema.json").read_text("utf-8"))
    told = json.loads(out)
    assert [e.message for e in Draft202012Validator(schema).iter_errors(told)] == []
    assert [b["bike"] for b in told["bikes"]] == sorted(expected_verdicts())


def test_json_printed_is_json_kept_but_for_the_time_of_writing(judged, capsys):
    out, _, _ = screened(capsys, "screen", "--fleet", str(judged), "--format", "json")

    printed = json.loads(out)
    kept = json.loads((judged / "reports" / "report.json").read_text("utf-8"))
    assert printed | {"generated_at": None} == kept | {"generated_at": None}


def test_csv_has_one_line_a_bike(judged, capsys):
    out, _, _ = screened(capsys, "screen", "--fleet", str(judged), "--format", "csv")

    assert [r["bike"] for r in csv.DictReader(io.StringIO(out))] == sorted(expected_verdicts())


def test_the_board_is_text_without_escapes_in_a_pipe(judged, capsys):
    out, err, _ = screened(capsys, "screen", "--fleet", str(judged))

    assert "\x1b" not in out
    assert re.fullmatch(r"\d+ logs seen: 0 judged, \d+ known before\n", err)
    assert max(len(line) for line in out.splitlines()) <= 80
    joined = " ".join(out.split())
    assert "9 bikes: 1 keep in," in joined
    assert "0 logs not read" in joined


def test_old_data_give_no_opinion_and_pages_go_where_told(judged, capsys, tmp_path):
    _, _, code = screened(
        capsys,
        *("screen", "--fleet", str(judged), "--as-of", "2030-01-01", "--fail-on", "never"),
        *("--report-dir", str(tmp_path / "board")),
    )

    told = json.loads((tmp_path / "board" / "report.json").read_text("utf-8"))
    assert code == 0
    assert "release" not in {b["verdict"] for b in told["bikes"]}
    assert (tmp_path / "board" / "index.html").is_file()


def test_report_writes_the_pages_again(judged, capsys):
    shutil.rmtree(judged / "reports")

    out, _, code = screened(capsys, "report", "--fleet", str(judged))

    assert code == 0
    assert out == f"The pages: {judged / 'reports' / 'index.html'}\n"
    assert (judged / "reports" / "bikes" / "H01.html").is_file()


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["--fleet", "nowhere"], "there is no fleet folder"),
        (["no-such.csv"], "no-such.csv"),
        (["--bike", "Z99"], "Z99"),
        (["--layout", "none"], "none"),
        (["--as-of", "soon"], "this is no date or time"),
        (["--fail-on", "release"], "release"),
    ],
)
def test_wrong_use_ends_before_anything_is_done(arguments, what, tmp_path, capsys):
    fleet = tmp_path / "fleet"
    copy_sample_fleet(fleet)
    shutil.rmtree(fleet / "inbox")
    command = ["screen", *arguments]
    if "--fleet" not in arguments:
        command += ["--fleet", str(fleet)]

    _, err, code = screened(capsys, *command)

    assert code == 2
    assert what in err
    assert not list(fleet.rglob("results/*/*.json"))


def test_a_new_fleet_folder_can_be_screened_at_once(tmp_path, capsys):
    made, _, code = screened(capsys, "init", str(tmp_path / "new"))

    out, _, done = screened(capsys, "screen", "--fleet", str(tmp_path / "new"))

    assert (code, done) == (0, 0)
    assert "fleet.toml" in made
    assert "1 no opinion, 0 release; 0 logs not read" in out


def test_a_log_that_cannot_be_used_is_set_aside_once(tmp_path, capsys):
    run(["init", str(tmp_path / "new")])
    (tmp_path / "new" / "inbox").mkdir(exist_ok=True)
    (tmp_path / "new" / "inbox" / "T07_picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(99))
    capsys.readouterr()

    first, told, code = screened(capsys, "screen", "--fleet", str(tmp_path / "new"))
    again, _, done = screened(capsys, "screen", "--fleet", str(tmp_path / "new"))

    assert (code, done) == (3, 0)
    assert told == "1 log seen: 0 judged, 0 known before, 1 set aside for the first time\n"
    assert "1 log not read" in first
    assert "- T07_picture.csv: " in first
    assert again == first


def test_a_mistake_in_a_bikes_file_is_told_and_the_rest_is_judged(tmp_path, capsys):
    run(["init", str(tmp_path / "new")])
    with (tmp_path / "new" / "bikes" / "T07.toml").open("a", encoding="utf-8") as file:
        file.write("\ncolour = 3\n")
    capsys.readouterr()

    out, err, code = screened(capsys, "screen", "--fleet", str(tmp_path / "new"))

    assert code == 2
    assert "bikes/T07.toml:" in err
    assert "colour" in err
    assert "1 no opinion" in out


def test_a_wrong_fleet_file_stops_the_run_with_every_mistake(tmp_path, capsys):
    run(["init", str(tmp_path / "new")])
    (tmp_path / "new" / "fleet.toml").write_text('nam = "x"\ntime_zone = "Mars/Base"\n', "utf-8")
    capsys.readouterr()

    out, err, code = screened(capsys, "screen", "--fleet", str(tmp_path / "new"))

    assert (out, code) == ("", 2)
    assert "nam" in err
    assert "Mars/Base" in err
