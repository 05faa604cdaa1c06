import csv
import gzip
import io
import json
import shutil

import pytest

from ridecheck.cli.app import run
from ridecheck.core.resources import shipped

SAMPLE = shipped("sample_logs")
LOG = "H05_20260503_100500.csv"
RIDE = "H05-20260503T100500Z"


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """A fleet folder with one log of one bike, screened."""
    folder = tmp_path_factory.mktemp("trace") / "fleet"
    shutil.copytree(SAMPLE, folder)
    for log in (folder / "inbox").iterdir():
        if log.name != LOG:
            log.unlink()
    assert run(["screen", "--fleet", str(folder), "--fail-on", "never"]) == 0
    return folder


def traced(capsys, *arguments):
    code = run(["trace", *arguments])
    captured = capsys.readouterr()
    return captured.out, captured.err, code


def cancels(out):
    return [(c["row"], c["cause"]) for c in json.loads(out)["cancels"]]


def test_a_log_a_kept_ride_and_a_log_without_a_fleet_tell_the_same_cancels(fleet, capsys):
    log = str(SAMPLE / "inbox" / LOG)
    layout = str(SAMPLE / "layouts" / "bench-20hz.toml")
    model = str(SAMPLE / "models" / "touring-triple-five.toml")

    kept, _, _ = traced(capsys, RIDE, "--fleet", str(fleet), "--format", "json")
    of_log, _, _ = traced(capsys, log, "--fleet", str(fleet), "--format", "json")
    alone, _, _ = traced(capsys, log, "--layout", layout, "--model", model, "--format", "json")

    assert len(cancels(kept)) > 5
    assert cancels(kept) == cancels(of_log) == cancels(alone)
    assert json.loads(kept)["ride"] == json.loads(of_log)["ride"] == RIDE


def test_the_trace_agrees_with_the_report_of_the_same_ride(fleet, capsys):
    out, _, _ = traced(capsys, RIDE, "--fleet", str(fleet), "--format", "json")
    report = json.loads((fleet / "reports" / "report.json").read_text("utf-8"))

    told = next(b for b in report["bikes"] if b["bike"] == "H05")["cancels"]
    shared = ("time", "local_time", "file_time", "row", "cause", "commanded", "first_mover")
    assert [[c[k] for k in shared] for c in json.loads(out)["cancels"]] == [
        [c[k] for k in shared] for c in told
    ]


def test_a_log_traced_without_a_model_says_nothing_wrong_about_gears(capsys, tmp_path):
    log = tmp_path / LOG
    shutil.copy(SAMPLE / "inbox" / LOG, log)
    before = set(tmp_path.rglob("*"))

    out, err, code = traced(
        capsys, str(log), "--layout", str(SAMPLE / "layouts" / "bench-20hz.toml")
    )

    assert (code, err) == (0, "")
    assert "Order: " in out
    assert set(tmp_path.rglob("*")) == before


def test_a_packed_log_is_traced_like_the_log_itself(fleet, tmp_path, capsys):
    packed = tmp_path / f"{LOG}.gz"
    packed.write_bytes(gzip.compress((SAMPLE / "inbox" / LOG).read_bytes()))

    out, _, _ = traced(capsys, str(packed), "--fleet", str(fleet), "--format", "json")
    kept, _, _ = traced(capsys, RIDE, "--fleet", str(fleet), "--format", "json")

    assert cancels(out) == cancels(kept)


def test_csv_has_one_line_a_cancel(fleet, capsys):
    out, _, _ = traced(capsys, RIDE, "--fleet", str(fleet), "--format", "csv")
    told, _, _ = traced(capsys, RIDE, "--fleet", str(fleet), "--format", "json")

    rows = list(csv.DictReader(io.StringIO(out)))
    assert [(int(r["row"]), r["cause"]) for r in rows] == cancels(told)


@pytest.mark.parametrize("at", ["{time}", "{clock}", "{seconds}"])
def test_an_instant_may_be_named_in_three_ways(at, fleet, capsys):
    out, _, _ = traced(capsys, RIDE, "--fleet", str(fleet), "--format", "json")
    one = json.loads(out)["cancels"][3]
    named = at.format(time=one["time"], clock=one["time"][11:19], seconds=one["t_s"])

    near, _, _ = traced(
        capsys, RIDE, "--fleet", str(fleet), "--at", named, "--around", "1", "--format", "json"
    )

    assert cancels(near) == [(one["row"], one["cause"])]


def test_the_page_goes_where_told(fleet, tmp_path, capsys):
    _, err, code = traced(capsys, RIDE, "--fleet", str(fleet), "--report-dir", str(tmp_path))

    page = tmp_path / "traces" / f"{RIDE}.html"
    assert code == 0
    assert err == f"The page: {page}\n"
    assert "<svg" in page.read_text("utf-8")


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["{log}"], "how this log is written is not known"),
        (["no-such.csv", "--layout", "{layout}"], "there is no such log"),
        (["H05-20260503T1005Z", "--fleet", "{fleet}"], f"did you mean {RIDE}?"),
        (["{log}", "--layout", "{model}"], "the layout"),
        (["{log}", "--layout", "{layout}", "--at", "noon"], "this is no time of a ride"),
        (["{log}", "--fleet", "nowhere"], "there is no fleet folder"),
        (["{picture}", "--layout", "{layout}"], "picture.csv"),
    ],
)
def test_what_cannot_be_traced_is_told(arguments, what, fleet, tmp_path, capsys):
    picture = tmp_path / "picture.csv"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    places = {
        "log": SAMPLE / "inbox" / LOG,
        "layout": SAMPLE / "layouts" / "bench-20hz.toml",
        "model": SAMPLE / "models" / "touring-triple-five.toml",
        "fleet": fleet,
        "picture": picture,
    }

    _, err, code = traced(capsys, *(a.format(**places) for a in arguments))

    assert code == 2
    assert what in err
    assert "Traceback" not in err
