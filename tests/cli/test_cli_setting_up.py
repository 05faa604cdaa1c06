import shutil

import pytest

from ridecheck.cli.app import run
from ridecheck.core.resources import shipped
from ridecheck.fleet import read_layout

SAMPLE = shipped("sample_logs")
LOG = SAMPLE / "inbox" / "H05_20260503_100500.csv"


def told(capsys, *arguments):
    code = run(list(arguments))
    captured = capsys.readouterr()
    return captured.out, captured.err, code


def test_init_names_what_it_wrote_and_what_to_do_next(tmp_path, capsys):
    out, _, code = told(capsys, "init", str(tmp_path / "new"))

    assert code == 0
    for name in ("fleet.toml", "bikes/", "models/", "layouts/"):
        assert name in out
    assert f"ridecheck screen --fleet {tmp_path / 'new'}" in out


def test_init_takes_a_list_of_bikes_and_says_what_is_to_be_filled_in(tmp_path, capsys):
    bikes = tmp_path / "bikes.csv"
    bikes.write_text("bike,label,model,layout\nA1,Ann,long-tourer,card\n", "utf-8")

    out, _, code = told(capsys, "init", str(tmp_path / "new"), "--bikes", str(bikes))

    assert code == 0
    assert "bikes/A1.toml" in out
    assert "models/long-tourer.toml: to be filled in" in out


def test_init_touches_no_folder_with_other_content(tmp_path, capsys):
    (tmp_path / "letter.txt").write_text("mine", "utf-8")

    _, err, code = told(capsys, "init", str(tmp_path))

    assert code == 2
    assert str(tmp_path) in err
    assert [p.name for p in tmp_path.iterdir()] == ["letter.txt"]


def test_a_drafted_layout_is_printed_or_put_where_told_and_can_be_read(tmp_path, capsys):
    printed, _, code = told(capsys, "layout", str(LOG))
    _, _, done = told(capsys, "layout", str(LOG), "--output", str(tmp_path / "draft.toml"))

    assert (code, done) == (0, 0)
    assert (tmp_path / "draft.toml").read_text("utf-8") == printed
    assert "wheel_speed" in read_layout(tmp_path / "draft.toml").channels


def test_a_log_with_plain_names_is_traced_with_the_layout_drafted_for_it(tmp_path, capsys):
    log = SAMPLE / "inbox" / "H07_20260502_102000.csv"
    told(capsys, "layout", str(log), "--output", str(tmp_path / "draft.toml"))

    out, _, code = told(capsys, "trace", str(log), "--layout", str(tmp_path / "draft.toml"))

    assert code == 0
    assert "front brake, commanded" in out


def test_what_a_draft_cannot_tell_is_asked(capsys):
    _, err, code = told(capsys, "layout", str(LOG))

    assert code == 0
    assert 'column "SB"' in err


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["no-such.csv"], "there is no such log"),
        (["{log}", "--output", "{there}"], "there is such a file already"),
        (["{picture}"], "picture.csv"),
    ],
)
def test_what_cannot_be_drafted_is_told(arguments, what, tmp_path, capsys):
    picture, there = tmp_path / "picture.csv", tmp_path / "there.toml"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    there.write_text("mine", "utf-8")
    places = {"log": LOG, "picture": picture, "there": there}

    _, err, code = told(capsys, "layout", *(a.format(**places) for a in arguments))

    assert code == 2
    assert what in err
    assert there.read_text("utf-8") == "mine"


def test_simulate_writes_a_fleet_that_can_be_screened(tmp_path, capsys):
    folder = tmp_path / "rides"
    out, _, code = told(
        capsys, "simulate", str(folder), "--bikes", "1", "--rides", "1", "--seed", "3"
    )

    board, _, _ = told(capsys, "screen", "--fleet", str(folder), "--fail-on", "never")

    assert code == 0
    assert out == f"1 log of 1 bike and truth.json in {folder}\n"
    assert board.startswith(("1 bike: ", "Newest data"))
    shutil.rmtree(folder)


def test_simulate_knows_its_faults_by_name(tmp_path, capsys):
    _, err, code = told(capsys, "simulate", str(tmp_path / "x"), "--fault", "gremlins")

    assert code == 2
    assert "gremlins" in err
