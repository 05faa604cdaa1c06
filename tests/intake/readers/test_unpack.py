"""Packed logs: known by their content, counted while unpacked, never trusted with a path."""

import gzip
import hashlib
import io
import zipfile
from pathlib import Path

import pyarrow as pa
import pytest
from logs import fleet, layout, table

from ridecheck.core.errors import LogError
from ridecheck.intake.read import take_in
from ridecheck.intake.readers import Member, open_log, unpack

TEXT = table(*(f"{i / 10:.1f},{50 + i}" for i in range(100))).encode()


def zstd(data: bytes) -> bytes:
    sink = pa.BufferOutputStream()
    with pa.CompressedOutputStream(sink, "zstd") as stream:
        stream.write(data)
    return sink.getvalue().to_pybytes()


def zipped(**members: bytes) -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return sink.getvalue()


def logs_in(folder: Path, data: bytes, name: str = "T07_ride.csv.gz") -> list[Member]:
    path = folder / name
    path.write_bytes(data)
    return list(open_log(path))


def rows(member: Member) -> int:
    return sum(p.info.rows for p in take_in(member, fleet({"bench": layout()})))


def refused(folder: Path, data: bytes, name: str = "T07_ride.csv") -> LogError:
    with pytest.raises(LogError) as caught:
        logs_in(folder, data, name)
    assert caught.value.where
    assert caught.value.what_to_do
    return caught.value


def test_a_plain_file_is_one_log_under_its_own_name(tmp_path: Path) -> None:
    (member,) = logs_in(tmp_path, TEXT, "T07_ride.csv")

    assert (member.name, member.size) == ("T07_ride.csv", len(TEXT))
    assert member.sha256 == hashlib.sha256(TEXT).hexdigest()
    assert rows(member) == 100


@pytest.mark.parametrize("pack", [gzip.compress, zstd], ids=["gzip", "zstd"])
@pytest.mark.parametrize("name", ["T07_ride.csv.gz", "T07_ride.zst", "T07_ride.csv", "T07.log"])
def test_gzip_and_zstd_are_known_by_content_not_by_name(tmp_path: Path, pack, name: str) -> None:
    (member,) = logs_in(tmp_path, pack(TEXT), name)

    assert member.name == name
    assert member.sha256 == hashlib.sha256(TEXT).hexdigest()
    assert rows(member) == 100


def test_several_gzip_streams_in_a_row_are_one_log(tmp_path: Path) -> None:
    (member,) = logs_in(tmp_path, gzip.compress(TEXT[:500]) + gzip.compress(TEXT[500:]))

    assert member.read() == TEXT


def test_a_zip_holds_any_number_of_logs_under_their_own_paths(tmp_path: Path) -> None:
    data = zipped(**{"T07/a.csv": TEXT, "T07 b.csv": TEXT, "readme.md": b"x", "T07/.x.csv": b"x"})
    members = logs_in(tmp_path, data, "all.zip")

    assert [m.name for m in members] == ["all.zip!T07/a.csv", "all.zip!T07 b.csv"]
    assert [rows(m) for m in members] == [100, 100]


def test_a_member_finds_its_bike_by_its_own_name_its_folder_or_the_archives(tmp_path: Path) -> None:
    for archive, inner in [("x.zip", "T07_a.csv"), ("x.zip", "T07/a.csv"), ("T07_x.zip", "a.csv")]:
        (member,) = logs_in(tmp_path, zipped(**{inner: TEXT}), archive)

        assert rows(member) == 100


@pytest.mark.parametrize(
    "path", ["/etc/T07.csv", "../T07.csv", "a/../../T07.csv", "C:\\T07.csv", "a\\..\\..\\T07.csv"]
)
def test_a_path_that_leads_out_is_refused_alone(tmp_path: Path, path: str) -> None:
    members = logs_in(tmp_path, zipped(**{path: TEXT, "T07.csv": TEXT}), "T07.zip")
    bad, good = members

    assert bad.problem is not None
    assert "leads out" in bad.problem.what
    assert rows(good) == 100
    assert sorted(p.name for p in tmp_path.iterdir()) == ["T07.zip"]


def test_a_damaged_member_is_refused_alone(tmp_path: Path) -> None:
    data = bytearray(zipped(**{"T07_a.csv": TEXT, "T07_b.csv": TEXT}))
    data[60:90] = b"\xff" * 30
    bad, good = logs_in(tmp_path, bytes(data), "x.zip")

    assert bad.problem is not None
    assert bad.name == "x.zip!T07_a.csv"
    with pytest.raises(LogError):
        bad.read()
    assert rows(good) == 100


@pytest.mark.parametrize("pack", [gzip.compress, zstd], ids=["gzip", "zstd"])
def test_rows_before_a_cut_are_read_and_the_cut_is_said(tmp_path: Path, pack) -> None:
    text = table(*(f"{i / 10:.1f},{50 + (i * 7919) % 100}" for i in range(400_000))).encode()
    data = pack(text)
    (member,) = logs_in(tmp_path, data[: int(len(data) * 0.9)])
    parts = take_in(member, fleet({"bench": layout()}))

    assert 200_000 < sum(p.info.rows for p in parts) < 400_000
    assert any("cut or damaged" in n.message for n in parts[0].info.notes)


def test_what_unpacks_to_nothing_readable_is_refused(tmp_path: Path) -> None:
    assert "cannot be unpacked" in refused(tmp_path, gzip.compress(TEXT)[:12]).what
    assert "cannot be unpacked" in refused(tmp_path, zipped(a=TEXT)[:40]).what


@pytest.mark.parametrize(
    "data",
    [
        gzip.compress(gzip.compress(TEXT)),
        gzip.compress(zipped(**{"T07.csv": TEXT})),
    ],
    ids=["gzip in gzip", "zip in gzip"],
)
def test_an_archive_in_an_archive_is_refused(tmp_path: Path, data: bytes) -> None:
    assert "within an archive" in refused(tmp_path, data).what


def test_a_packed_member_of_a_zip_is_refused_alone(tmp_path: Path) -> None:
    bad, good = logs_in(
        tmp_path, zipped(**{"T07.csv.gz": gzip.compress(TEXT), "T07.csv": TEXT}), "x.zip"
    )

    assert bad.problem is not None
    assert "within an archive" in bad.problem.what
    assert rows(good) == 100


def test_a_log_that_unpacks_beyond_the_limit_is_refused(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(unpack, "LOG_LIMIT_BYTES", 3 << 20)
    bomb = gzip.compress(b"0" * (8 << 20))

    error = refused(tmp_path, bomb)

    assert len(bomb) < 10_000
    assert "more than is allowed" in error.what
    assert error.value.startswith("limit")


def test_an_archive_that_unpacks_beyond_its_limit_loses_what_is_beyond(
    tmp_path: Path, monkeypatch
) -> None:
    monkeypatch.setattr(unpack, "ARCHIVE_LIMIT_BYTES", 3 * len(TEXT) // 2)
    first, second = logs_in(tmp_path, zipped(**{"T07_a.csv": TEXT, "T07_b.csv": TEXT}), "x.zip")

    assert rows(first) == 100
    assert second.problem is not None
    assert "more than is allowed" in second.problem.what


def test_large_logs_are_kept_in_a_file_without_a_name(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(unpack, "IN_MEMORY_BYTES", 500)
    big = table(*(f"{i / 10:.1f},{50 + i}" for i in range(100))).encode()
    for data, name in [
        (gzip.compress(big), "T07.csv.gz"),
        (zipped(**{"T07.csv": big}), "x.zip"),
        (big, "T07.csv"),
    ]:
        (member,) = logs_in(tmp_path, data, name)

        assert member.sha256 == hashlib.sha256(big).hexdigest()
        assert rows(member) == 100


@pytest.mark.parametrize(
    "data",
    [
        zipped(**{"[Content_Types].xml": b"<x/>", "xl/workbook.xml": b"<x/>"}),
        zipped(**{"mimetype": b"application/vnd.oasis.opendocument.spreadsheet"}),
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600),
    ],
    ids=["xlsx", "ods", "xls"],
)
def test_a_spreadsheet_workbook_is_named_as_such(tmp_path: Path, data: bytes) -> None:
    error = refused(tmp_path, data, "T07.csv")

    assert "spreadsheet workbook" in error.what
    assert "CSV" in error.what_to_do


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "empty"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "picture (PNG)"),
        (b"\xff\xd8\xff\xe0\0\x10JFIF\0", "picture (JPEG)"),
        (b"%PDF-1.7\n%\xe2\xe3", "PDF"),
        (b"SQLite format 3\0" + bytes(80), "database"),
    ],
)
def test_what_is_plainly_something_else_is_named(tmp_path: Path, data: bytes, what: str) -> None:
    assert what in refused(tmp_path, data).what


def test_an_archive_without_logs_is_refused(tmp_path: Path) -> None:
    assert "holds no log" in refused(tmp_path, zipped(**{"a.jpg": b"x"}), "x.zip").what


def test_a_file_that_is_gone_is_an_error_not_a_crash(tmp_path: Path) -> None:
    with pytest.raises(LogError) as caught:
        list(open_log(tmp_path / "gone.csv"))

    assert "cannot be opened" in caught.value.what
