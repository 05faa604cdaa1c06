"""Events are appended, never rewritten, and close what they name."""

import os
import stat
import tomllib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from fleet.folders import KNOWN, MINIMAL, load, write
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from ridecheck.core.errors import FleetError, RidecheckError, UsageError
from ridecheck.core.model import Severity, StoredFinding
from ridecheck.fleet import load_fleet
from ridecheck.fleet.events import KINDS, Event, append_event, closes, new_event

NOON = datetime(2026, 5, 3, 12, 0, tzinfo=UTC)
RULE = "switches/brake-dead"


def _repair(**keys: object) -> Event:
    return new_event("repair", NOON, part="speed_sensor", **keys)


# ---------------------------------------------------------------- appending


@pytest.mark.parametrize(
    "before",
    [
        b'bike = "T07"\nmodel = "grey-heron"\n',
        b'bike = "T07"\nmodel = "grey-heron"',
        b'bike = "T07"\r\nmodel = "grey-heron"\r\n',
        b'\xef\xbb\xbfbike = "T07"\nmodel = "grey-heron"\n# the end\n\n',
        b'bike = "T07"\nmodel = "grey-heron"\n[[events]]\nwhen = 2026-05-01\nkind = "wash"\n',
        b'bike = "T07"\nmodel = "grey-heron"\n[thresholds."cruise/hold-offset"]\noffset_kmh = 1\n',
    ],
)
def test_what_is_there_stays_and_the_event_comes_last(tmp_path: Path, before: bytes) -> None:
    load(tmp_path, bikes__T07=before)
    append_event(tmp_path, "T07", _repair(note="cleaned", by="workshop"))
    after = (tmp_path / "bikes/T07.toml").read_bytes()
    fleet = load_fleet(tmp_path, known_limits=KNOWN)

    assert after.startswith(before)
    assert fleet.mistakes == ()
    assert fleet.bikes["T07"].events[-1] == _repair(note="cleaned", by="workshop")
    assert (b"\n" in after.removeprefix(before).replace(b"\r\n", b"")) != (b"\r\n" in before)


def test_several_events_keep_their_order(tmp_path: Path) -> None:
    load(tmp_path)
    kinds = ["repair", "wash", "remark"]
    for kind in kinds:
        append_event(tmp_path, "T07", new_event(kind, NOON))

    events = load_fleet(tmp_path, known_limits=KNOWN).bikes["T07"].events

    assert [e.kind for e in events] == kinds


def test_rights_of_the_file_are_kept_and_nothing_else_is_left(tmp_path: Path) -> None:
    load(tmp_path)
    path = tmp_path / "bikes/T07.toml"
    path.chmod(0o640)
    append_event(tmp_path, "T07", _repair())

    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert [p.name for p in path.parent.iterdir()] == ["T07.toml"]


def test_a_linked_file_stays_a_link(tmp_path: Path) -> None:
    load(tmp_path)
    path, kept = tmp_path / "bikes/T07.toml", tmp_path / "kept.toml"
    path.rename(kept)
    path.symlink_to(kept)
    append_event(tmp_path, "T07", _repair())

    assert path.is_symlink()
    assert b"speed_sensor" in kept.read_bytes()


@pytest.mark.parametrize(
    ("before", "told"),
    [
        (b'bike = "T07"\nevents = [{ when = 2026-05-01, kind = "wash" }]\n', "[[events]]"),
        (b'bike = "T07"\nevents = []\n', "[[events]]"),
        (b"bike = \n", "put the file right first"),
        (b'bike = "T\xfc7"\n', "put the file right first"),
        (b'events = "none"\n', "[[events]]"),
        (b'bike = "T07"\n[[events]]\nwhen = 2026-05-01\n[events.more]\na = 1\n', None),
    ],
)
def test_a_file_that_cannot_take_an_event_is_left_as_it_is(
    tmp_path: Path, before: bytes, told: str | None
) -> None:
    path = write(tmp_path, {"bikes/T07.toml": before}) / "bikes/T07.toml"
    if told is None:
        append_event(tmp_path, "T07", _repair())
        assert path.read_bytes().startswith(before)
        return

    with pytest.raises(FleetError) as caught:
        append_event(tmp_path, "T07", _repair())

    assert told in caught.value.what_to_do
    assert caught.value.where == "bikes/T07.toml"
    assert path.read_bytes() == before


def test_an_unknown_bike_is_told_the_nearest_one(tmp_path: Path) -> None:
    load(tmp_path)

    with pytest.raises(UsageError) as caught:
        append_event(tmp_path, "T7", _repair())

    assert "did you mean T07?" in caught.value.what_to_do


@pytest.mark.parametrize("bike", ["../models/grey-heron", "", ".", "T07/../T07"])
def test_a_name_that_is_no_bike_id_opens_no_file(tmp_path: Path, bike: str) -> None:
    load(tmp_path)

    with pytest.raises(UsageError):
        append_event(tmp_path, bike, _repair())

    assert b"repair" not in (tmp_path / "models/grey-heron.toml").read_bytes()


def test_a_disk_that_takes_nothing_is_told_in_three_parts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load(tmp_path)
    before = (tmp_path / "bikes/T07.toml").read_bytes()

    def full(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(RidecheckError) as caught:
        append_event(tmp_path, "T07", _repair())

    assert "No space left" in caught.value.value
    assert (tmp_path / "bikes/T07.toml").read_bytes() == before
    assert [p.name for p in (tmp_path / "bikes").iterdir()] == ["T07.toml"]


_TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp")), max_size=30)


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(note=st.text(st.characters(exclude_categories=("Cs",)), max_size=60), by=_TEXT)
@example(note="line one\nline two\twith a tab", by="workshop")
@example(note="\"\"\"quotes''' and \\ marks", by="#")
def test_any_note_comes_back_as_it_was_said(tmp_path: Path, note: str, by: str) -> None:
    load(tmp_path)
    path = tmp_path / "bikes/T07.toml"
    try:
        event = new_event("remark", NOON, note=note, by=by)
    except UsageError:
        return  # what would change how a page is shown is refused
    append_event(tmp_path, "T07", event)

    assert Event.model_validate(_last_event(path)) == event


def _last_event(path: Path) -> dict[str, object]:
    events: list[dict[str, object]] = tomllib.loads(path.read_text("utf-8"))["events"]
    return events[-1]


# ---------------------------------------------------------------- what a kind needs


@pytest.mark.parametrize(
    ("kind", "keys", "told"),
    [
        ("repairs", {}, "did you mean repair?"),
        ("signed_off", {"finding": RULE}, "needs when, finding, checks"),
        ("signed_off", {"finding": RULE, "checks": ["", "a"]}, "checks"),
        ("signed_off", {"finding": RULE, "checks": ["a"]}, "by"),
        ("signed_off", {"finding": RULE, "checks": ["a"], "by": " \u200b"}, "nobody"),
        ("dismissed", {"finding": RULE, "by": "JK"}, "reason"),
        ("misread", {"finding": RULE, "by": "JK", "reason": "inverted"}, "check"),
        ("checked", {"check": "tap-test"}, "result"),
        ("assigned", {"ride": "r", "parts": ["p"], "to": "T08"}, "by"),
        ("dropped", {"ride": "r", "parts": ["p"], "by": "me"}, "reason"),
        ("repair", {"colour": "grey"}, "colour"),
        ("repair", {"part": "a\nb"}, "part"),
        ("repair", {"note": "a\x1b[2Jb"}, "note: it holds control characters"),
        ("repair", {"when": date(26, 5, 3)}, "not a year"),
    ],
)
def test_an_event_that_lacks_what_its_kind_needs_is_refused(
    kind: str, keys: dict[str, object], told: str
) -> None:
    with pytest.raises(UsageError) as caught:
        new_event(kind, **{"when": NOON, **keys})

    assert told in str(caught.value)


def test_every_kind_can_be_written(tmp_path: Path) -> None:
    load(tmp_path)
    all_keys = {
        "finding": RULE,
        "checks": ["lamp-by-each-control"],
        "check": "tap-test",
        "result": "ok",
        "reason": "known to be so",
        "ride": "T07-20260503T120000Z",
        "parts": ["0123456789ab-1"],
        "to": "T08",
        "by": "workshop",
    }
    for kind in KINDS:
        append_event(tmp_path, "T07", new_event(kind, date(2026, 5, 3), **all_keys))
    fleet = load_fleet(tmp_path, known_limits=KNOWN)

    assert fleet.mistakes == ()
    assert tuple(e.kind for e in fleet.bikes["T07"].events) == KINDS


# ---------------------------------------------------------------- when


@pytest.mark.parametrize(
    ("when", "zone", "instant"),
    [
        (NOON, "Europe/Rome", NOON),
        (date(2026, 5, 3), "UTC", datetime(2026, 5, 3, tzinfo=UTC)),
        (date(2026, 5, 3), "Europe/Rome", datetime(2026, 5, 2, 22, tzinfo=UTC)),
        (datetime(2026, 5, 3, 9, 30), "Europe/Rome", datetime(2026, 5, 3, 7, 30, tzinfo=UTC)),
    ],
)
def test_a_day_is_its_start_on_the_fleets_clock(when: date, zone: str, instant: datetime) -> None:
    assert new_event("wash", when).instant(zone) == instant


# ---------------------------------------------------------------- what it closes


def _finding(
    start: datetime | None = NOON, *, rule: str = RULE, seconds: float = 5
) -> StoredFinding:
    end = start + timedelta(seconds=seconds) if start else None
    stamp = start.strftime("%Y-%m-%dT%H:%M:%SZ") if start else "0123456789ab-1-60"
    return StoredFinding(
        id=f"T07/{rule}/{stamp}",
        rule=rule,
        severity=Severity.DANGER,
        ride="T07-undated-0123456789ab-1",
        start=start,
        end=end,
        start_s=60,
        end_s=60 + seconds,
        message="",
        measured=None,
        limit=None,
        unit="",
        channels=(),
    )


def _closing(finding: str, when: date = NOON + timedelta(hours=1)) -> Event:
    return new_event("signed_off", when, finding=finding, checks=["lamp-by-each-control"], by="JK")


CLOSES = [
    pytest.param(_closing(_finding().id), _finding(), True, id="its own id"),
    pytest.param(
        _closing(_finding().id, date(2026, 1, 1)), _finding(), True, id="an id, whatever the day"
    ),
    pytest.param(
        _closing(_finding().id), _finding(NOON + timedelta(seconds=0.5)), True, id="same second"
    ),
    pytest.param(
        _closing(_finding().id),
        _finding(NOON - timedelta(seconds=4)),
        True,
        id="judged again, begins earlier, overlaps",
    ),
    pytest.param(
        _closing(_finding().id), _finding(NOON + timedelta(seconds=60)), False, id="a later one"
    ),
    pytest.param(
        _closing(_finding(rule="switches/chatter").id), _finding(), False, id="another rule's id"
    ),
    pytest.param(
        _closing(_finding().id.replace("T07", "T08")), _finding(), False, id="another bike's id"
    ),
    pytest.param(_closing(RULE), _finding(), True, id="the rule, over before the sign-off"),
    pytest.param(_closing(f"T07/{RULE}"), _finding(), True, id="the bike and rule"),
    pytest.param(
        _closing(RULE), _finding(NOON + timedelta(hours=2)), False, id="the rule, came afterwards"
    ),
    pytest.param(
        _closing(RULE, date(2026, 5, 3)), _finding(), False, id="a day closes nothing of that day"
    ),
    pytest.param(
        _closing(RULE, date(2026, 5, 4)), _finding(), True, id="a day closes the day before"
    ),
    pytest.param(
        _closing(RULE, NOON + timedelta(seconds=2)),
        _finding(),
        False,
        id="the rule, still going on",
    ),
    pytest.param(_closing("switches"), _finding(), False, id="a family is no rule"),
    pytest.param(_closing(RULE), _finding(None), False, id="a rule closes nothing undated"),
    pytest.param(_closing(_finding(None).id), _finding(None), True, id="the id of an undated one"),
    pytest.param(
        new_event("repair", NOON, finding=RULE), _finding(), False, id="a repair closes none"
    ),
]


@pytest.mark.parametrize(("event", "finding", "closed"), CLOSES)
def test_a_closing_event_closes_what_it_names(
    event: Event, finding: StoredFinding, closed: bool
) -> None:
    assert closes(event, finding, bike="T07") is closed


def test_a_named_finding_closes_all_that_overlap_it() -> None:
    named = _finding(seconds=120)
    later = _finding(NOON + timedelta(seconds=100))

    assert closes(_closing(named.id), later, bike="T07", named=named)
    assert not closes(_closing(named.id), later, bike="T07")


def test_undated_findings_overlap_within_their_ride() -> None:
    named = _finding(None, seconds=30)
    moved = StoredFinding(
        **{f: getattr(named, f) for f in named.__slots__} | {"id": "T07/x", "start_s": 80.0}
    )

    assert closes(_closing(named.id), moved, bike="T07", named=named)


def test_minimal_bike_has_no_events(tmp_path: Path) -> None:
    assert load(tmp_path).bikes["T07"].events == ()
    assert "events" not in MINIMAL["bikes/T07.toml"]
