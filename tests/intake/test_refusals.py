"""Every refusal says what the file is, where, and what to do; none advises to delete rides."""

import gzip
import io
import tarfile
import zipfile

import pyarrow as pa
import pyarrow.feather as feather
import pytest
from folders import Folder, day, log_text, rows_of, verdicts
from logs import layout, refusal, table

from ridecheck.core.errors import LogError
from ridecheck.intake.readers import open_log

ROWS = [f"{i / 10:.1f},{50 + i % 7},7" for i in range(2287)]


def opened(tmp_path, data: bytes, name: str = "T07.csv") -> LogError:
    """The error a file is refused with when it is opened."""
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(LogError) as caught:
        [member.read() for member in open_log(path)]
    return caught.value


def arrow_file() -> bytes:
    sink = io.BytesIO()
    feather.write_feather(pa.table({"t": [0.0]}), sink)
    return sink.getvalue()


def tar() -> bytes:
    sink = io.BytesIO()
    with tarfile.open(fileobj=sink, mode="w") as archive:
        text = table("0.0,50").encode()
        entry = tarfile.TarInfo("T07.csv")
        entry.size = len(text)
        archive.addfile(entry, io.BytesIO(text))
    return sink.getvalue()


def locked_zip() -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        archive.writestr("T07.csv", table("0.0,50"))
    data = bytearray(sink.getvalue())
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(mark) + at] |= 1  # the bit that says "encrypted"
    return bytes(data)


@pytest.mark.parametrize(
    ("data", "what", "to_do"),
    [
        (b"<!DOCTYPE html><html><body>Sign in", "This is a web page", "Download the log itself"),
        (b'{"t": 0.0, "v": 50}\n{"t": 0.1}\n', "This is JSON", "write CSV or Parquet"),
        (b"<?xml version='1.0'?><log/>", "This is an XML file", "Take it out"),
        (arrow_file(), "This is an Arrow file", "saved as either"),
        (tar(), "This is a tar archive", "Unpack it"),
        (gzip.compress(tar()), "This is a tar archive", "Unpack it"),
        (locked_zip(), "The archive has a password", "Pack the log without one"),
    ],
    ids=["web page", "JSON lines", "XML", "Arrow", "tar", "tar.gz", "encrypted zip"],
)
def test_what_is_no_log_says_what_it_is(tmp_path, data: bytes, what: str, to_do: str) -> None:
    error = opened(tmp_path, data)

    assert error.what.startswith(what)
    assert to_do in error.what_to_do


def test_rows_under_a_header_of_another_length_are_not_advised_to_be_deleted() -> None:
    error = refusal(table(*ROWS))

    assert error.what == "No row fits the header"
    assert error.value == "2287 rows left out"
    assert error.where == "T07_ride.csv, line 2: 3 fields, the header has 2"
    assert "delete" not in error.what_to_do


def test_a_time_that_is_blank_is_called_blank() -> None:
    rows = [f"{'' if i % 3 else i},{50}" for i in range(300)]
    error = refusal(table(*rows))

    assert error.what == "The time is blank in 200 of 300 rows"
    assert "map the column that holds it" in error.what_to_do


def test_a_cut_parquet_file_says_so() -> None:
    error = refusal(b"PAR1" + b"\0" * 200, layout(kind="parquet", wheel_speed="v"))

    assert "no readable footer" in error.what


# -------------------------------------------------------------------- two names, one content


def test_the_same_bytes_met_by_two_processes_keep_both_names(tmp_path, monkeypatch) -> None:
    """What a second process would do that had listed the parts before the first wrote its own."""
    from ridecheck.store import parts

    folder = Folder(tmp_path / "fleet")
    text = log_text(rows_of(), day(0))
    names = [f"T01_{letter}.csv" for letter in "abcde"]
    for name in names:
        folder.write(f"inbox/{name}", text)
    with monkeypatch.context() as patch:
        patch.setattr("ridecheck.intake.keep.kept_parts_of", lambda *_: ())
        patch.setattr(parts, "_names_of", lambda _: ())
        outcome = folder.screen()
    (part,) = (folder.root / "rides" / "T01").glob("*.parquet")

    assert parts.read_part_info(part).names == tuple(names)
    assert outcome.judged == 1
    assert verdicts(outcome) == {"T01": "release"}


def test_a_file_that_grows_while_it_is_read_leaves_nothing_behind(tmp_path, monkeypatch) -> None:
    from ridecheck.intake import keep
    from ridecheck.intake.read import Reading

    class Growing(Reading):
        def parts(self):
            with (folder.root / "inbox/T01_x.csv").open("a") as log:
                log.write("\n")
            return super().parts()

    folder = Folder(tmp_path / "fleet")
    folder.write("inbox/T01_x.csv", log_text(rows_of(), day(0)))
    with monkeypatch.context() as patch:
        patch.setattr(keep, "Reading", Growing)
        growing = folder.screen()
    left = list((folder.root / "rides" / "T01").glob("*.parquet"))
    after = folder.screen()

    assert growing.growing == ("T01_x.csv",)
    assert left == []
    assert verdicts(after) == {"T01": "release"}


def test_ignored_files_are_named(tmp_path) -> None:
    folder = Folder(tmp_path / "fleet")
    folder.write("inbox/photo.jpg", "x")
    folder.write("inbox/notes/read me.doc", "x")

    assert folder.screen().ignored_names == ("notes/read me.doc", "photo.jpg")
