"""What is found in an inbox, and what is passed over and counted."""

import os
from pathlib import Path

import pytest

from ridecheck.intake.readers import find_logs, shown_name


def put(inbox: Path, *names: str) -> None:
    for name in names:
        path = inbox / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("t,v\n0,50\n")


def names(inbox: Path) -> list[str]:
    return [log.name for log in find_logs(inbox).logs]


def test_logs_are_found_in_subfolders_in_the_order_of_their_names(tmp_path: Path) -> None:
    put(tmp_path, "b.csv", "a/z.csv", "a/b/c.parquet", "d.TSV", "e.Txt", "f.log", "g.csv.GZ")
    put(tmp_path, "h.zst", "i.zip")

    expected = "a/b/c.parquet a/z.csv b.csv d.TSV e.Txt f.log g.csv.GZ h.zst i.zip"
    assert names(tmp_path) == expected.split()
    assert find_logs(tmp_path).ignored == 0


def test_dot_names_and_other_suffixes_are_ignored_and_counted(tmp_path: Path) -> None:
    put(tmp_path, ".hidden.csv", ".sync/T07.csv", "notes.docx", "README", "a.csv.part", "T07.csv")
    found = find_logs(tmp_path)

    assert [log.name for log in found.logs] == ["T07.csv"]
    assert found.ignored == 5


def test_links_are_not_followed_wherever_they_point(tmp_path: Path) -> None:
    inbox = tmp_path / "inbox"
    put(inbox, "T07.csv")
    put(tmp_path, "outside/T08.csv")
    (inbox / "T08.csv").symlink_to(tmp_path / "outside" / "T08.csv")
    (inbox / "folder").symlink_to(tmp_path / "outside", target_is_directory=True)
    (inbox / "loop").symlink_to(inbox, target_is_directory=True)
    found = find_logs(inbox)

    assert [log.name for log in found.logs] == ["T07.csv"]
    assert found.ignored == 3


def test_only_regular_files_are_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")

    assert find_logs(tmp_path).logs == ()
    assert find_logs(tmp_path).ignored == 1


@pytest.mark.parametrize(
    "name", ["T07 two words.csv", "T07\nline.csv", "-T07.csv", "T07'\"$(x).csv", "Tørst.csv"]
)
def test_any_name_is_found_as_it_is(tmp_path: Path, name: str) -> None:
    put(tmp_path, name)

    assert names(tmp_path) == [name]


def test_bytes_of_a_name_that_are_no_utf8_are_shown_in_hexadecimal(tmp_path: Path) -> None:
    raw = os.fsencode(tmp_path) + b"/T07_\xff\xe9.csv"
    Path(os.fsdecode(raw)).write_text("t,v\n0,50\n")
    (log,) = find_logs(tmp_path).logs

    assert log.name == r"T07_\xff\xe9.csv"
    assert log.path.read_text() == "t,v\n0,50\n"
    assert shown_name(b"\xff") == r"\xff"


def test_what_the_disk_says_of_a_log_is_kept(tmp_path: Path) -> None:
    put(tmp_path, "T07.csv")
    facts = (tmp_path / "T07.csv").stat()
    (log,) = find_logs(tmp_path).logs

    assert (log.size, log.mtime_ns, log.inode) == (facts.st_size, facts.st_mtime_ns, facts.st_ino)


def test_a_missing_inbox_is_named_not_fatal(tmp_path: Path) -> None:
    found = find_logs(tmp_path / "nowhere")

    assert found.logs == ()
    assert found.unreadable == (".",)
