"""A large log goes to the fleet folder part by part; nothing of it is kept if it cannot be read."""

from folders import MONDAY, Folder, log_text, rows_of

from ridecheck import reading


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
