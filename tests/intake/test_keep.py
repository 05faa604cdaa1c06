"""A large log goes to the fleet folder part by part; nothing of it is kept if it cannot be read."""

import polars as pl
from folders import MONDAY, Folder, log_text, rows_of

from ridecheck.intake import keep as intake
from ridecheck.intake import read as reading


def kept(folder: Folder) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder.root)): p.read_bytes()
        for where in ("rides", "results")
        for p in sorted((folder.root / where).rglob("*"))
        if p.is_file()
    }


def screened(folder: Folder, text: str) -> Folder:
    folder.write("inbox/T01_monday.csv", text)
    folder.screen(report_dir=None)
    return folder


def test_a_large_log_gives_the_same_parts_as_a_small_one(tmp_path, monkeypatch):
    text = log_text(rows_of(), MONDAY)
    at_once = screened(Folder(tmp_path / "a", ("T01",)), text)
    monkeypatch.setattr(reading, "LARGE_BYTES", 0)
    by_parts = screened(Folder(tmp_path / "b", ("T01",)), text)

    assert kept(at_once)
    assert kept(by_parts) == kept(at_once)


def test_a_large_log_that_turns_out_unreadable_leaves_no_part(tmp_path, monkeypatch):
    rows = log_text(rows_of(), MONDAY).splitlines(keepends=True)
    spoilt = "".join(rows[:400]) + "".join(f"x{row}" for row in rows[400:])
    monkeypatch.setattr(reading, "LARGE_BYTES", 0)
    folder = screened(Folder(tmp_path / "fleet", ("T01",)), spoilt)

    assert kept(folder) == {}
    assert len(list((folder.root / "set_aside").iterdir())) == 1


def test_a_panic_inside_polars_loses_one_log_and_not_the_night(tmp_path, monkeypatch):
    """A datetime of no calendar, cast to text, panics in polars 2.1: no Exception."""

    def panics(member, *given, **named):
        if "T01" in member.name:
            pl.Series([2**63 - 1]).cast(pl.Datetime("us")).cast(pl.String)
        return reading.Reading(member, *given, **named)

    monkeypatch.setattr(intake, "Reading", panics)
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    for bike in ("T01", "T02"):
        folder.write(f"inbox/{bike}_monday.csv", log_text(rows_of(), MONDAY))

    outcome = folder.screen(report_dir=None)

    assert len(outcome.faults) == 1
    assert "datetime" in outcome.faults[0]
    assert {name.split("/")[1] for name in kept(folder)} == {"T02"}
