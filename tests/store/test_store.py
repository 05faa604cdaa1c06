"""Parts in Parquet, results in JSON, records of logs set aside: whole or not there."""

import json
import os
from dataclasses import replace

import polars as pl
import pytest
from kept import BRAKING, DAY, at, kept, part, result

from ridecheck.core.errors import LogError
from ridecheck.core.files import placed, sweep, write_whole
from ridecheck.core.model import ChannelFacts
from ridecheck.store.parts import (
    fingerprint,
    list_parts,
    part_path,
    read_part,
    same_rows,
    write_part,
)
from ridecheck.store.results import read_result, result_path, rounded, write_result
from ridecheck.store.set_aside import read_records, record_of, remove_records, write_record


def test_a_part_comes_back_as_it_was_kept(tmp_path):
    made = part("a.csv", DAY, 5)
    write_part(tmp_path, made)

    again = read_part(tmp_path, "T01", made.info.stem)

    assert again.info == made.info
    assert again.samples.equals(made.samples)
    assert again.samples.schema == made.samples.schema


def test_blanks_of_every_kind_of_channel_stay_blank(tmp_path):
    made = part("a.csv", DAY, 0.1)
    samples = made.samples.with_columns(
        pl.Series("front_brake", [None, True, False, None, None, None], dtype=pl.Boolean),
        pl.Series("gear", [None, 3, None, None, 0, 1], dtype=pl.Int16),
        wheel_speed=pl.lit(None, pl.Float64),
    )
    write_part(tmp_path, replace(made, samples=samples))

    assert read_part(tmp_path, "T01", made.info.stem).samples.equals(samples)


def test_the_same_bytes_under_another_name_add_the_name_whichever_came_first(tmp_path):
    made = part("b.csv", DAY, 5)
    kept_bytes = set()
    for i, order in enumerate((("b.csv", "a.csv"), ("a.csv", "b.csv"))):
        for name in order:
            named = replace(made, info=replace(made.info, log=name))
            write_part(tmp_path / str(i), named, names=(name,), first_seen=DAY)
        ((listed,), damaged) = list_parts(tmp_path / str(i), "T01")
        path = part_path(tmp_path / str(i), "T01", made.info.stem)
        kept_bytes.add(path.read_bytes())

        assert (listed.names, listed.log, damaged) == (("a.csv", "b.csv"), "a.csv", ())
    assert len(kept_bytes) == 1


def test_a_damaged_part_is_named_and_the_others_listed(tmp_path):
    whole, torn = part("a.csv", DAY, 5), part("b.csv", at(60), 5)
    for made in (whole, torn):
        write_part(tmp_path, made)
    path = part_path(tmp_path, "T01", torn.info.stem)
    path.write_bytes(path.read_bytes()[:500])
    listed, damaged = list_parts(tmp_path, "T01")

    assert [p.info for p in listed] == [whole.info]
    assert damaged == (path.name,)


def test_fingerprints_tell_values_and_times_apart_but_not_line_numbers():
    made = part("a.csv", DAY, 1)
    other_lines = replace(made, samples=made.samples.with_columns(row=pl.col("row") + 7))
    other_value = replace(
        made, samples=made.samples.with_columns(wheel_speed=pl.col("wheel_speed") + 0.01)
    )

    assert fingerprint(other_lines.samples) == fingerprint(made.samples)
    assert same_rows(kept(made), kept(other_value)) is False


def test_overlap_of_seconds_is_too_short_to_tell():
    assert same_rows(kept(part("a", DAY, 1)), kept(part("b", at(0.97), 1))) is None


def test_files_are_written_whole_with_the_umask_and_leave_nothing_behind(tmp_path):
    mask = os.umask(0o027)
    try:
        assert write_whole(tmp_path / "x" / "file", b"one")
        assert not write_whole(tmp_path / "x" / "file", b"one")
        assert write_whole(tmp_path / "x" / "file", b"two")
    finally:
        os.umask(mask)

    assert (tmp_path / "x" / "file").stat().st_mode & 0o777 == 0o640
    assert [p.name for p in (tmp_path / "x").iterdir()] == ["file"]


def test_a_failed_write_leaves_the_old_file_and_no_other(tmp_path):
    path = tmp_path / "file"
    path.write_bytes(b"old")

    def half_a_write():
        with placed(path) as temporary:
            temporary.write_bytes(b"half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        half_a_write()

    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("file", b"old")]


def test_what_a_killed_run_left_is_swept(tmp_path):
    with placed(tmp_path / "file") as temporary:
        temporary.write_bytes(b"x")
        left = temporary.name
    (tmp_path / left).write_bytes(b"half")

    assert sweep(tmp_path) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_a_result_comes_back_as_it_was_kept_in_canonical_json(tmp_path):
    made = replace(
        result(DAY, found=[BRAKING]),
        channels={"wheel_speed": ChannelFacts(0.05, 1.0), "gear": ChannelFacts(0.1, 0.5)},
        measures={"b": 2.0, "a": 1.0},
    )
    write_result(tmp_path, made)
    path = result_path(tmp_path, "T01", made.ride)
    text = path.read_text()

    assert read_result(path) == made
    content = json.loads(text)
    seal = content.pop("seal")
    rest = json.dumps(content, sort_keys=True, indent=1) + "\n"
    assert text == f'{{\n "seal": "{seal}",' + rest[1:]


def test_numbers_are_rounded_as_printed():
    assert rounded(83.449, "km/h") == 83.4
    assert rounded(0.12345, "s") == 0.123
    assert rounded(float("nan"), "s") is None
    assert rounded(-0.0001, "km/h") == 0.0


@pytest.mark.parametrize(
    "log",
    [
        "ride.csv",
        "a/b/ride.csv",
        "ride\n1.csv",
        "ü" * 300 + ".csv",
        "zip.zip!../x.csv",
        "\\xff.csv",
    ],
)
def test_records_of_any_log_name_have_a_short_plain_name_and_come_back(tmp_path, log):
    problem = LogError("not a log", where="line 3", value="x", what_to_do="look")
    record = record_of(problem, log=log, sha256="ab" * 32, first_seen=DAY)
    kept_record, first = write_record(tmp_path, record)
    (path,) = (tmp_path / "set_aside").iterdir()

    assert first
    assert read_records(tmp_path) == (kept_record,) == (record,)
    assert path.name.startswith("abababab-")
    assert path.name.endswith(".why.json")
    assert len(path.name.encode()) <= 200


def test_a_record_keeps_the_instant_it_was_first_seen(tmp_path):
    problem = LogError("not a log", where="a.csv")
    for hours in (0, 60):
        record = record_of(problem, log="a.csv", sha256="ab" * 32, first_seen=at(hours))
        again, first = write_record(tmp_path, record)

    assert (again.first_seen, first) == (DAY, False)
    remove_records(tmp_path, [again])
    assert read_records(tmp_path) == ()
