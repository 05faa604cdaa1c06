"""A danger stays until a named person signs it off, whatever becomes of what it was found in."""

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from folders import CHANNELS, HELD_ON, NOW, Folder, day, layout, verdicts

from ridecheck.batch.forgetting import forget
from ridecheck.batch.nightly import dry_night
from ridecheck.batch.noting import assign, drop, note
from ridecheck.batch.run import exit_code
from ridecheck.bike.events_allowed import Noted
from ridecheck.core.dangers import Closed, Found, Moved
from ridecheck.core.errors import UsageError
from ridecheck.fleet.events import append_event, new_event
from ridecheck.rules import all_rules
from ridecheck.store.register import put_aside, read_register, register_path, write_register

CHECKS = tuple(sorted({c for r in all_rules().values() for c in r.checks}))
BRAKING = "cruise/engaged-under-braking"
RIDE = "T01-20260504T080000Z"
LATER = NOW + timedelta(days=1)


@pytest.fixture(scope="module")
def judged(tmp_path_factory) -> Path:
    """Two bikes that were judged once: T01 with a danger, T02 clean."""
    folder = Folder(tmp_path_factory.mktemp("judged") / "fleet", ("T01", "T02"))
    folder.ride(day(0), "T01", **HELD_ON)
    folder.ride(day(0), "T02")
    assert verdicts(folder.screen()) == {"T01": "keep_in", "T02": "release"}
    return folder.root


@pytest.fixture
def fleet(judged, tmp_path) -> Folder:
    """A copy of it to spoil."""
    folder = Folder.__new__(Folder)
    folder.root = tmp_path / "fleet"
    shutil.copytree(judged, folder.root)
    return folder


def open_dangers(folder: Folder, bike: str = "T01") -> set[str]:
    return {e.finding for e in read_register(folder.root, bike).register.open.values()}


def because(outcome, bike: int = 0) -> str:
    return " ".join(outcome.report.bikes[bike].because)


def signed(finding: str, when: datetime = NOW, by: str = "JK", checks=CHECKS):
    return new_event("signed_off", when, finding=finding, checks=list(checks), by=by)


def sign(folder: Folder, finding: str = BRAKING, bike: str = "T01", **options) -> str:
    """As a person does it with the command."""
    noted = Noted("signed_off", options.pop("when", NOW), finding=finding, by="JK", checks=CHECKS)
    return note(folder.root, [bike], noted, now=options.pop("now", NOW))[0]


def every_danger_signed(folder: Folder, bike: str = "T01") -> None:
    for finding in sorted(open_dangers(folder, bike)):
        sign(folder, finding, bike)


# ------------------------------------------------------------------ the register itself


def test_a_danger_is_entered_with_what_it_was_found_in(fleet):
    (entry, *_) = read_register(fleet.root, "T01").register.open.values()

    assert (entry.ride, entry.rule.split("/")[0], entry.at) == (RIDE, "cruise", NOW)
    assert entry.layouts.keys() == {"bench"}
    lines = register_path(fleet.root, "T01").read_text().splitlines()
    assert json.loads(lines[0])["before"] == "0" * 16
    assert not register_path(fleet.root, "T02").exists()


def test_nothing_new_enters_nothing(fleet):
    before = register_path(fleet.root, "T01").read_bytes()
    fleet.add("models/tourer.toml", "[cruise]\nmaximum_kmh = 158\n")
    fleet.screen(now=LATER)

    assert register_path(fleet.root, "T01").read_bytes() == before


def test_a_dry_run_enters_nothing(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0), **HELD_ON)
    dry_night(folder.root, now=NOW)

    assert not (folder.root / "dangers").exists()


# ------------------------------------------------- line 1: what was kept is lost or damaged


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def deleted(path: Path) -> None:
    path.unlink()


def edited(path: Path) -> None:
    result = json.loads(path.read_text())
    result["findings"] = []
    path.write_text(json.dumps(result, indent=1))


SPOILT = [cut, emptied, deleted, edited]


@pytest.mark.parametrize("spoil", SPOILT)
def test_a_result_that_is_spoilt_is_made_again_and_its_danger_stays(fleet, spoil):
    before = open_dangers(fleet)
    spoil(fleet.root / f"results/T01/{RIDE}.json")
    outcome = fleet.screen()

    assert verdicts(outcome)["T01"] == "keep_in"
    assert exit_code(outcome) == 10
    assert open_dangers(fleet) == before
    assert {f.finding.id for f in outcome.report.bikes[0].findings if f.open} >= before


@pytest.mark.parametrize("spoil", SPOILT)
def test_a_result_that_cannot_be_made_again_holds_its_bike_by_name(fleet, spoil):
    every_danger_signed(fleet)
    fleet.screen(as_of=day(1))
    samples = next((fleet.root / "rides/T01").iterdir())
    emptied(samples)
    spoil(fleet.root / f"results/T01/{RIDE}.json")
    (fleet.root / "inbox/T01_20260504-0800.csv").unlink()
    outcome = fleet.screen(as_of=day(1))

    assert verdicts(outcome)["T01"] == "no_opinion"
    assert f"rides/T01/{samples.name} cannot be read" in because(outcome)
    assert exit_code(outcome, "never") == 0


@pytest.mark.parametrize("spoil", [cut, emptied, deleted])
def test_samples_that_are_spoilt_hold_the_bike_by_name_until_they_are_read_again(fleet, spoil):
    every_danger_signed(fleet)
    before = verdicts(fleet.screen())
    samples = next((fleet.root / "rides/T01").iterdir())
    fleet.add("models/tourer.toml", "[cruise]\nmaximum_kmh = 158\n")
    spoil(samples)
    first = fleet.screen(now=LATER)
    second = fleet.screen(now=LATER)

    assert before["T01"] == "release"
    assert verdicts(first)["T01"] == "no_opinion"
    assert f"rides/T01/{samples.name}" in because(first)
    assert exit_code(first, "never") == exit_code(second, "never") == 0
    assert verdicts(second)["T01"] == "release", "the log is still there: it is read again"


@pytest.mark.parametrize("spoil", [cut, emptied, deleted])
def test_samples_that_are_gone_with_their_log_lift_no_danger(fleet, spoil):
    (fleet.root / "inbox/T01_20260504-0800.csv").unlink()
    spoil(next((fleet.root / "rides/T01").iterdir()))
    for _ in range(2):
        outcome = fleet.screen()

        assert verdicts(outcome)["T01"] == "keep_in"
        assert exit_code(outcome, "never") == 0
    assert (fleet.root / f"results/T01/{RIDE}.json").is_file()


def test_everything_of_a_bike_deleted_but_its_register_keeps_it_in(fleet):
    for name in ("results/T01", "rides/T01", "inbox"):
        shutil.rmtree(fleet.root / name)
    for name in ("ridecheck.duckdb", "bikes/T01.toml"):
        (fleet.root / name).unlink()
    outcome = fleet.screen()

    assert verdicts(outcome)["T01"] == "keep_in"
    assert "its ride is not kept any more" in because(outcome)


# ----------------------------------------------------- line 2: the ride goes to another bike


def test_an_assigned_danger_needs_a_reason_and_stays_on_both_bikes(fleet):
    with pytest.raises(UsageError, match="who says so and why"):
        assign(fleet.root, RIDE, "T02", by="JK", reason="", now=NOW)
    before = open_dangers(fleet)
    assign(fleet.root, RIDE, "T02", by="JK", reason="logger was moved", now=NOW)
    outcome = fleet.screen(now=LATER)
    moved = [e for e in read_register(fleet.root, "T01").register.entries if isinstance(e, Moved)]

    assert verdicts(outcome) == {"T01": "keep_in", "T02": "keep_in"}
    assert open_dangers(fleet) == before
    assert {(m.to, m.by, m.reason) for m in moved} == {("T02", "JK", "logger was moved")}
    every_danger_signed(fleet)
    assert verdicts(fleet.screen(now=LATER)) == {"T01": "no_opinion", "T02": "keep_in"}


@pytest.mark.parametrize("name", ["../bikes/T02", "T99", "", "t02"])
def test_nobody_can_assign_to_a_bike_that_does_not_exist(fleet, name):
    with pytest.raises(UsageError, match="unknown bike"):
        assign(fleet.root, RIDE, name, by="JK", reason="logger was moved", now=NOW)

    assert verdicts(fleet.screen()) == {"T01": "keep_in", "T02": "release"}


def test_an_assignment_written_by_hand_to_no_bike_moves_nothing(fleet):
    stem = next((fleet.root / "rides/T01").iterdir()).stem
    keys = {"ride": RIDE, "parts": [stem], "by": "JK"}
    append_event(fleet.root, "T01", new_event("assigned", NOW, to="../bikes/T02", **keys))
    outcome = fleet.screen()

    assert verdicts(outcome) == {"T01": "keep_in", "T02": "release"}
    every_danger_signed(fleet)
    assert "is assigned to ../bikes/T02, which has no file" in because(fleet.screen())


def test_a_dropped_danger_stays_until_it_is_signed(fleet):
    with pytest.raises(UsageError):
        drop(fleet.root, RIDE, by="JK", reason=" ", now=NOW)
    drop(fleet.root, RIDE, by="JK", reason="a bench ride", now=NOW)

    assert verdicts(fleet.screen())["T01"] == "keep_in"
    every_danger_signed(fleet)
    assert verdicts(fleet.screen())["T01"] == "no_opinion"


def test_a_log_filed_under_another_bike_takes_its_danger_along(fleet):
    log = fleet.root / "inbox/T01_20260504-0800.csv"
    with pytest.raises(UsageError, match="who says so and why"):
        fleet.screen(logs=[log], bike="T02")
    outcome = fleet.screen(logs=[log], bike="T02", by="JK", reason="wrong card")
    events = (fleet.root / "bikes/T01.toml").read_text()

    assert verdicts(outcome) == {"T01": "keep_in", "T02": "keep_in"}
    assert 'reason = "wrong card"' in events
    assert verdicts(fleet.screen()) == {"T01": "keep_in", "T02": "keep_in"}


CHANGES = {
    "a mended layout": lambda f: f.write(
        "layouts/bench.toml", layout([c for c in CHANNELS if c != "front_brake"])
    ),
    "a layout that reads nothing": lambda f: f.write("layouts/bench.toml", layout(["throttle"])),
    "another time zone": lambda f: f.add("fleet.toml", 'time_zone = "Asia/Tokyo"\n'),
    "a log cut short": lambda f: cut(f.root / "inbox/T01_20260504-0800.csv"),
    "a log that is gone": lambda f: (f.root / "inbox/T01_20260504-0800.csv").unlink(),
    "a model without cruise": lambda f: f.add("models/tourer.toml", "[cruise]\nfitted = false\n"),
    "a broken model": lambda f: f.add("models/tourer.toml", "[cruise\n"),
    "a broken bike file": lambda f: f.add("bikes/T01.toml", "label = 3\n"),
    "a bike file that is gone": lambda f: (f.root / "bikes/T01.toml").unlink(),
}


@pytest.mark.parametrize("change", CHANGES)
def test_no_change_of_files_lifts_a_danger(fleet, change):
    before = open_dangers(fleet)
    CHANGES[change](fleet)
    outcome = fleet.screen(now=LATER)

    assert verdicts(outcome)["T01"] == "keep_in"
    assert open_dangers(fleet) >= before


# -------------------------------------------------------------- line 4: what a sign-off is


@pytest.mark.parametrize("by", ["", " ", "\u200b", "\u00ad\u2060", "123", "J\u200dK"])
def test_a_sign_off_names_somebody_who_can_be_read(fleet, by):
    noted = Noted("signed_off", NOW, finding=BRAKING, by=by, checks=CHECKS)
    with pytest.raises(UsageError, match="by"):
        note(fleet.root, ["T01"], noted, now=NOW)

    assert open_dangers(fleet)


def test_a_sign_off_lies_neither_in_the_future_nor_before_the_danger(fleet):
    for when, told in ((LATER, "after now"), (day(-1), "before the danger")):
        with pytest.raises(UsageError, match=told):
            sign(fleet, when=when)

    assert verdicts(fleet.screen())["T01"] == "keep_in"


@pytest.mark.parametrize("when", [LATER, day(-1)])
def test_one_written_by_hand_with_such_a_date_closes_nothing_ever(fleet, when):
    append_event(fleet.root, "T01", signed(BRAKING, when))
    first, later = fleet.screen(), fleet.screen(now=LATER + timedelta(days=3))

    assert verdicts(first)["T01"] == verdicts(later)["T01"] == "keep_in"


def test_by_rule_it_closes_what_was_known_and_not_an_older_ride_that_arrives_later(fleet):
    rules = sorted({f.split("/", 1)[1].rsplit("/", 1)[0] for f in open_dangers(fleet)})
    for rule in rules:
        sign(fleet, rule)
    assert verdicts(fleet.screen())["T01"] == "release"
    fleet.ride(day(-3), "T01", **HELD_ON)
    outcome = fleet.screen(now=LATER)

    assert verdicts(outcome)["T01"] == "keep_in"
    assert "2026-05-01" in because(outcome)


def test_a_danger_seen_again_after_its_sign_off_opens_anew(fleet):
    every_danger_signed(fleet)
    fleet.ride(day(2), "T01", **HELD_ON)

    assert verdicts(fleet.screen(now=LATER))["T01"] == "keep_in"


def test_a_sign_off_written_by_hand_is_entered_at_the_next_run(fleet):
    for finding in sorted(open_dangers(fleet)):
        append_event(fleet.root, "T01", signed(finding))
    outcome = fleet.screen(now=LATER)
    entries = read_register(fleet.root, "T01").register.entries

    assert verdicts(outcome)["T01"] == "release"
    assert {e.by for e in entries if isinstance(e, Closed)} == {"JK"}


def test_a_signed_danger_that_is_judged_again_stays_closed(fleet):
    every_danger_signed(fleet)
    fleet.add("models/tourer.toml", "[cruise]\nmaximum_kmh = 158\n")
    outcome = fleet.screen(now=LATER)

    assert outcome.rides_judged == 2
    assert verdicts(outcome)["T01"] == "release"


# ------------------------------------------------------- line 6: what was never the bike


def inverted() -> str:
    """A layout that reads the front brake the wrong way round."""
    return layout(CHANNELS).replace(
        '[columns.front_brake]\ncolumn = "front_brake"\n',
        '[columns.front_brake]\ncolumn = "front_brake"\ninverted = true\n',
    )


@pytest.fixture(scope="module")
def misread(tmp_path_factory) -> Path:
    """Two bikes whose layout was wrong for a night and was mended."""
    folder = Folder(tmp_path_factory.mktemp("misread") / "fleet", ("T01", "T02"))
    folder.write("layouts/bench.toml", inverted())
    for bike in ("T01", "T02"):
        folder.ride(day(0), bike)
    assert set(verdicts(folder.screen()).values()) == {"keep_in"}
    return folder.root


def said_misread(finding: str, check: str = "raw-column-by-hand") -> Noted:
    reason = "the front brake was inverted in the layout"
    return Noted("misread", NOW, finding=finding, check=check, by="JK", reason=reason)


def rules_open(folder: Folder, bike: str) -> set[str]:
    return {e.rule for e in read_register(folder.root, bike).register.open.values()}


def test_a_mended_layout_is_signed_as_misread_for_several_bikes_at_once(misread, tmp_path):
    folder = Folder.__new__(Folder)
    folder.root = tmp_path / "fleet"
    shutil.copytree(misread, folder.root)
    folder.write("layouts/bench.toml", layout(CHANNELS))
    assert set(verdicts(folder.screen()).values()) == {"keep_in"}, "mending alone lifts nothing"
    for rule in sorted(rules_open(folder, "T01")):
        note(folder.root, ["T01", "T02"], said_misread(rule), now=LATER)
    outcome = folder.screen(now=LATER)
    said = [e for e in read_register(folder.root, "T02").register.entries if isinstance(e, Closed)]
    found = read_register(folder.root, "T02").register.entries[0]

    assert set(verdicts(outcome).values()) == {"release"}
    assert isinstance(found, Found)
    assert all(e.kind == "misread" and e.by == "JK" for e in said)
    assert all(e.layouts["bench"] != found.layouts["bench"] for e in said)
    folder.write("layouts/bench.toml", inverted())
    assert set(verdicts(folder.screen(now=LATER)).values()) == {"keep_in"}, "found again: open anew"


def test_what_is_still_found_or_read_as_before_is_not_misread(fleet):
    for rule in sorted(rules_open(fleet, "T01")):
        note(fleet.root, ["T01"], said_misread(rule), now=NOW)

    assert verdicts(fleet.screen())["T01"] == "keep_in"
    with pytest.raises(UsageError, match="one check"):
        note(fleet.root, ["T01"], said_misread(BRAKING, "lamp-by-each-control"), now=NOW)


# --------------------------------------------------------- line 7: the register is lost


def lines_of(folder: Folder) -> list[bytes]:
    return register_path(folder.root, "T01").read_bytes().splitlines(keepends=True)


LOSSES = {
    "deleted": lambda path: path.unlink(),
    "emptied": emptied,
    "cut in a line": cut,
    "its last line gone": lambda p: p.write_bytes(b"".join(p.read_bytes().splitlines(True)[:-1])),
    "its first line gone": lambda p: p.write_bytes(b"".join(p.read_bytes().splitlines(True)[1:])),
    "a word changed": lambda p: p.write_bytes(p.read_bytes().replace(b'"found"', b'"hold"')),
    "noise": lambda p: p.write_bytes(b"\xff\x00" * 400),
    "the whole folder gone": lambda p: shutil.rmtree(p.parent),
    "heads gone": lambda p: (p.parent / "heads.json").unlink(),
    "heads spoilt": lambda p: (p.parent / "heads.json").write_bytes(b"{"),
}


@pytest.mark.parametrize("loss", LOSSES)
@pytest.mark.parametrize("results_too", [False, True])
def test_a_lost_register_is_made_again_with_what_was_open(fleet, loss, results_too):
    before = open_dangers(fleet)
    LOSSES[loss](register_path(fleet.root, "T01"))
    if results_too:
        for name in ("results/T01", "rides/T01", "inbox"):
            shutil.rmtree(fleet.root / name)
    outcome = fleet.screen(now=LATER)

    assert verdicts(outcome)["T01"] == "keep_in"
    assert open_dangers(fleet) >= before
    assert read_register(fleet.root, "T01").wrong == ""


@pytest.mark.parametrize("loss", LOSSES)
def test_what_was_signed_is_entered_again_from_the_bikes_file(fleet, loss):
    every_danger_signed(fleet)
    assert verdicts(fleet.screen())["T01"] == "release"
    LOSSES[loss](register_path(fleet.root, "T01"))

    assert verdicts(fleet.screen(now=LATER))["T01"] == "release"


def test_what_was_open_beside_an_older_sign_off_stays_open_when_the_register_is_lost(fleet):
    sign(fleet, BRAKING)
    fleet.ride(day(-3), "T01", **HELD_ON)
    fleet.screen(now=LATER)
    before = open_dangers(fleet)
    shutil.rmtree(fleet.root / "dangers")
    fleet.screen(now=LATER + timedelta(days=1))

    assert open_dangers(fleet) >= before


def test_a_register_of_which_nothing_can_be_told_is_no_opinion_until_signed(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    folder.write("dangers/T01.jsonl", "torn\n")
    outcome = folder.screen()

    assert verdicts(outcome) == {"T01": "no_opinion"}
    assert "dangers/T01.jsonl is damaged: 1 of its lines cannot be made again" in because(outcome)
    sign(folder, "register")
    assert verdicts(folder.screen()) == {"T01": "release"}
    assert list((folder.root / "dangers").glob("T01.broken-*.txt"))


def test_what_is_put_aside_is_what_was_there(tmp_path):
    path = register_path(tmp_path, "T01")
    path.parent.mkdir()
    path.write_bytes(b"torn")
    put_aside(tmp_path, "T01")
    write_register(tmp_path, "T01", read_register(tmp_path, "T01").register)

    assert [p.read_bytes() for p in path.parent.glob("*.txt")] == [b"torn"]


def test_forgetting_leaves_the_entry_alone(fleet):
    before = open_dangers(fleet)
    with pytest.raises(UsageError, match="who says so and why"):
        forget(fleet.root, "T01", now=NOW)
    assert (fleet.root / f"results/T01/{RIDE}.json").is_file()
    forget(fleet.root, "T01", by="JK", reason="asked for", now=NOW)
    (fleet.root / "inbox/T01_20260504-0800.csv").unlink()

    assert verdicts(fleet.screen())["T01"] == "keep_in"
    assert open_dangers(fleet) == before
    assert not list((fleet.root / "rides").glob("T01/*"))
    assert not list((fleet.root / "results").glob("T01/*"))


def test_forgetting_a_bike_with_nothing_open_takes_what_was_found_too(fleet):
    every_danger_signed(fleet)
    forget(fleet.root, "T01", now=NOW)
    entries = read_register(fleet.root, "T01").register.entries

    assert not [e for e in entries if isinstance(e, Found)]


# ------------------------------------------------------------ line 8: the lock, and hold


def test_six_notes_at_once_are_all_kept(fleet):
    def write(number: int) -> None:
        noted = Noted("remark", NOW, note=f"remark {number}", by="JK")
        note(fleet.root, ["T01"], noted, now=NOW)

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(write, range(6)))

    text = (fleet.root / "bikes/T01.toml").read_text()
    assert [text.count(f'"remark {n}"') for n in range(6)] == [1] * 6


def test_a_hold_outlives_the_bikes_file(fleet):
    fleet.add("bikes/T02.toml", "hold = true\n")
    fleet.screen()
    (fleet.root / "bikes/T02.toml").unlink()
    with pytest.raises(UsageError, match="held"):
        forget(fleet.root, "T02", now=NOW)
    fleet.screen()
    with pytest.raises(UsageError, match="held"):
        forget(fleet.root, "T02", by="JK", reason="asked for", now=datetime.now(UTC))

    assert list((fleet.root / "rides/T02").iterdir())
