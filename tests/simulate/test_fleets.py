"""Simulated fleets are whole fleet folders, made again byte for byte."""

import json
import tomllib
from pathlib import Path

import polars as pl
import pytest

from ridecheck.core.errors import UsageError
from ridecheck.core.resources import shipped
from ridecheck.simulate import simulate_fleet

SAMPLE = shipped("sample_logs")
INDEX = tomllib.loads((SAMPLE / "index.toml").read_text("utf-8"))


def part_of_the_index(tmp_path: Path, bikes: set[str]) -> Path:
    """The shipped plan cut after the last of some bikes, so that seeds stay the same."""
    text = (SAMPLE / "index.toml").read_text("utf-8")
    blocks = text.split("[[bike]]")
    last = max(i for i, b in enumerate(blocks) if any(f'bike = "{n}"' in b for n in bikes))
    path = tmp_path / "part.toml"
    path.write_text("[[bike]]".join(blocks[: last + 1]), "utf-8")
    return path


def test_the_first_sample_bikes_are_made_again_byte_for_byte(tmp_path):
    made = tmp_path / "made"

    simulate_fleet(made, plan=part_of_the_index(tmp_path, {"H01", "H02"}))

    logs = sorted(p.name for p in (made / "inbox").iterdir())
    assert len(logs) == 6
    for name in logs:
        new, old = made / "inbox" / name, SAMPLE / "inbox" / name
        if name.endswith("parquet"):  # the writer notes its own version in the file
            assert pl.read_parquet(new).equals(pl.read_parquet(old)), name
        else:
            assert new.read_bytes() == old.read_bytes(), name
    for name in ("fleet.toml", "bikes/H01.toml", "models/grand-tourer-six.toml"):
        assert (made / name).read_bytes() == (SAMPLE / name).read_bytes(), name


def test_the_sample_fleet_shows_every_verdict_and_one_danger():
    expected = [b["expected"] for b in INDEX["bike"]]

    assert sorted(expected) == sorted(
        ["release"] * 3 + ["no_opinion"] + ["inspect"] * 4 + ["keep_in"]
    )


def test_the_sample_fleet_is_small_enough_to_ship():
    sizes = [p.stat().st_size for p in SAMPLE.rglob("*") if p.is_file()]

    assert sum(sizes) < 8_000_000
    assert max(sizes) < 800_000


def test_the_sample_logs_are_of_several_kinds():
    assert {p.suffix for p in (SAMPLE / "inbox").iterdir()} >= {".csv", ".txt", ".parquet"}


def test_the_truth_tells_faults_events_and_cancels():
    truth = json.loads((SAMPLE / "truth.json").read_text("utf-8"))
    by_bike = {b["bike"]: b for b in truth["bikes"]}
    rides = by_bike["H05"]["rides"].values()

    assert by_bike["H05"]["faults"][0]["part"] == "rear_brake_switch"
    assert any(e["visible"] for r in rides for e in r["events"])
    assert any(not c["commanded"] and c["fault"] for r in rides for c in r["cancels"])
    assert all(c["commanded"] for r in by_bike["H01"]["rides"].values() for c in r["cancels"])


def test_a_drawn_fleet_is_the_same_for_the_same_seed(tmp_path):
    for name in ("a", "b"):
        simulate_fleet(tmp_path / name, bikes=2, rides=1, seed=3, rate_hz=5)

    files = sorted(
        p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file()
    )
    assert len(files) >= 8
    for file in files:
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes(), file


def test_an_unknown_fault_is_refused_with_the_known_ones(tmp_path):
    with pytest.raises(UsageError, match="no such fault") as caught:
        simulate_fleet(tmp_path / "x", faults=("rear-switch-sett-too-early",))

    assert "rear-switch-set-too-early" in caught.value.what_to_do


def test_a_folder_with_content_is_left_alone(tmp_path):
    (tmp_path / "keep.txt").write_text("mine")

    with pytest.raises(UsageError, match="not empty"):
        simulate_fleet(tmp_path)

    assert (tmp_path / "keep.txt").read_text() == "mine"
