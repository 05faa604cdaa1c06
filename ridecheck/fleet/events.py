"""What happened to a bike: the events kept in its file, only ever appended to.

A closing event (signed_off, dismissed) names a finding's id or a rule. An id closes every
finding of that bike and rule that overlaps the named one; a rule closes every finding of
that rule which had ended by the event's ``when``. A ``when`` that is a day alone means the
start of that day, so that a sign-off never closes what may have come after it.
"""

import shutil
import tomllib
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, Literal, get_args
from zoneinfo import ZoneInfo

import tomlkit
from pydantic import (
    AfterValidator,
    Field,
    PlainValidator,
    ValidationError,
    WithJsonSchema,
    field_validator,
)
from pydantic_core.core_schema import ValidationInfo

from ridecheck.core.errors import FleetError, RidecheckError, UsageError
from ridecheck.core.files import placed
from ridecheck.core.model import StoredFinding
from ridecheck.core.names import nearest_name
from ridecheck.core.strict_toml import (
    BIKE_ID,
    Lines,
    OneLine,
    Table,
    is_printed,
    is_visible,
    one_of,
    wrong,
)

EventKind = Literal[
    "repair",
    "modification",
    "checked",
    "signed_off",
    "misread",
    "dismissed",
    "wash",
    "rain",
    "remark",
    "assigned",
    "dropped",
    "forgotten",
]
KINDS: tuple[EventKind, ...] = get_args(EventKind)

CLOSING = ("signed_off", "dismissed")

_NEEDS: Mapping[str, tuple[str, ...]] = {
    "checked": ("check", "result"),
    "signed_off": ("finding", "checks", "by"),
    "misread": ("finding", "check", "by", "reason"),
    "dismissed": ("finding", "reason", "by"),
    "assigned": ("ride", "parts", "to", "by"),
    "dropped": ("ride", "parts", "by", "reason"),
    "forgotten": ("by", "reason"),
}

_YEARS = range(1980, 2100)
_ONE_SECOND = timedelta(seconds=1)


def _day_or_instant(value: Any) -> date:
    if not isinstance(value, date):
        raise wrong("not a date", "2026-05-03, or 2026-05-03T16:10:00Z, without quotes")
    if value.year not in _YEARS:
        raise wrong("not a year of these bikes", f"{_YEARS[0]} to {_YEARS[-1]}")
    return value


def _printed(text: str) -> str:
    if not is_printed(text):
        raise wrong("it holds control characters", "plain text, on more than one line if need be")
    return text


DayOrInstant = Annotated[
    datetime | date,
    PlainValidator(_day_or_instant),
    WithJsonSchema({"type": "string", "description": "a date, or a date and time with zone"}),
]


class Event(Table):
    """One thing that happened to a bike. Which keys its kind needs is checked."""

    when: DayOrInstant
    kind: EventKind
    part: OneLine = ""
    note: Annotated[str, Field(max_length=2000), AfterValidator(_printed)] = ""
    by: OneLine = Field("", validate_default=True)
    finding: OneLine = Field("", validate_default=True)
    checks: Lines = Field((), validate_default=True)
    check: OneLine = Field("", validate_default=True)
    result: OneLine = Field("", validate_default=True)
    reason: OneLine = Field("", validate_default=True)
    ride: OneLine = Field("", validate_default=True)
    parts: Lines = Field((), validate_default=True)
    to: OneLine = Field("", validate_default=True)

    @field_validator("by", "finding", "checks", "check", "result", "reason", "ride", "parts", "to")
    @classmethod
    def _needed_by_its_kind(cls, value: Any, info: ValidationInfo) -> Any:
        kind = info.data.get("kind", "")
        texts = (value,) if isinstance(value, str) else value
        said = bool(texts) and all(t.strip() for t in texts)
        if info.field_name in _NEEDS.get(kind, ()) and not said:
            needs = ", ".join(_NEEDS[kind])
            raise wrong(f"a {kind} event needs this key", f"it needs {needs}")
        if info.field_name == "by" and "by" in _NEEDS.get(kind, ()) and not is_visible(value):
            raise wrong("nobody can be read in this", "a role, a name or initials, in letters")
        return value

    def instant(self, zone: str = "UTC") -> datetime:
        """When, in UTC; a day alone is its start, a time without zone is in ``zone``."""
        if not isinstance(self.when, datetime):
            when = datetime(self.when.year, self.when.month, self.when.day, tzinfo=ZoneInfo(zone))
        elif self.when.tzinfo is None:
            when = self.when.replace(tzinfo=ZoneInfo(zone))
        else:
            when = self.when
        return when.astimezone(UTC)


def new_event(kind: str, when: date, **keys: object) -> Event:
    """An event from a command's options; UsageError naming every key that is wrong."""
    try:
        return Event.model_validate({"kind": kind, "when": when, **keys})
    except ValidationError as error:
        raise _as_usage_error(kind, error) from None


def closes(
    event: Event,
    finding: StoredFinding,
    *,
    bike: str,
    named: StoredFinding | None = None,
    zone: str = "UTC",
) -> bool:
    """Whether a signed_off or dismissed event closes a finding of this bike.

    named: the stored finding whose id the event names, where there still is one; without
    it the instant inside the id is used. Whether a danger may be dismissed at all is not
    asked here. A finding without a date is closed by an id only.
    """
    if event.kind not in CLOSING:
        return False
    if event.finding == finding.id:
        return True
    if event.finding in (finding.rule, f"{bike}/{finding.rule}"):
        return finding.end is not None and finding.end <= event.instant(zone)
    same_rule = f"{bike}/{finding.rule}/"
    if not event.finding.startswith(same_rule):
        return False
    if named is not None and named.start is None:
        return (
            named.ride == finding.ride
            and named.start_s <= finding.end_s
            and finding.start_s <= named.end_s
        )
    span = _span_of(named) or _second_of(event.finding.removeprefix(same_rule))
    if span is None or finding.start is None or finding.end is None:
        return False
    return finding.start <= span[1] and span[0] <= finding.end


def events_of(root: Path, bike: str) -> tuple[Event, ...]:
    """What a bike's file says happened to it, as written; () where it cannot be read."""
    try:
        raw = _parsed((root / "bikes" / f"{bike}.toml").read_bytes()).get("events", [])
        return tuple(Event.model_validate(event) for event in raw)
    except (OSError, ValueError, RecursionError):  # what is wrong with the file is said by screen
        return ()


def append_event(root: Path, bike: str, event: Event) -> None:
    """Write an event at the end of a bike's file, leaving every byte before it as it was.

    The file is there whole or unchanged, whatever stops the program, and keeps its
    rights. UsageError for an unknown bike, FleetError where the file is not TOML or its
    events are written so that none can be appended.
    """
    path = (root / "bikes" / f"{bike}.toml").resolve()
    if not BIKE_ID.fullmatch(bike) or not path.is_file():
        known = sorted(p.stem for p in (root / "bikes").glob("*.toml"))
        raise UsageError(
            "unknown bike",
            where=str(root / "bikes"),
            value=bike,
            what_to_do=_advice(one_of(known), nearest_name(bike, known)),
        )
    try:
        before = path.read_bytes()
        after = before + _as_text(before, event)
        _check_appended(before, after, where=f"bikes/{bike}.toml")
        with placed(path) as temporary:
            temporary.write_bytes(after)
            shutil.copymode(path, temporary)
    except OSError as error:
        raise RidecheckError(
            "the event could not be written",
            where=str(path),
            value=error.strerror or str(error),
            what_to_do="give writing rights on the bikes folder, make room on the disk",
        ) from None


def _as_text(before: bytes, event: Event) -> bytes:
    """The event as a TOML table, with the file's own line ends and a blank line before."""
    keys = event.model_dump(exclude_defaults=True)
    keys = {k: list(v) if isinstance(v, tuple) else v for k, v in keys.items()}
    text = "\n" + tomlkit.dumps({"events": [keys]})
    if before and not before.endswith(b"\n"):
        text = "\n" + text
    raw = text.encode("utf-8")
    return raw.replace(b"\n", b"\r\n") if b"\r\n" in before else raw


def _check_appended(before: bytes, after: bytes, *, where: str) -> None:
    """The longer file must hold what it held before, and the event last."""
    try:
        old = _parsed(before)
        new = _parsed(after)
    except (ValueError, RecursionError) as error:
        raise FleetError(
            "an event cannot be appended to this file",
            where=where,
            value=str(error),
            what_to_do="put the file right first; events are written as [[events]] tables",
        ) from None
    appended = new.pop("events", [])
    if appended[:-1] != old.pop("events", []) or new != old:
        raise FleetError(
            "an event cannot be appended to this file without changing what is there",
            where=where,
            what_to_do="write its events as [[events]] tables at the end of the file",
        )
    Event.model_validate(appended[-1])


def _parsed(raw: bytes) -> dict[str, Any]:
    return tomllib.loads(raw.decode("utf-8-sig"))


def _span_of(finding: StoredFinding | None) -> tuple[datetime, datetime] | None:
    if finding is None or finding.start is None or finding.end is None:
        return None
    return finding.start, finding.end


def _second_of(text: str) -> tuple[datetime, datetime] | None:
    """The second that the end of an id shows, None where it shows none."""
    try:
        start = datetime.fromisoformat(text)
    except ValueError:
        return None
    start = start if start.tzinfo else start.replace(tzinfo=UTC)
    return start, start + _ONE_SECOND


def _as_usage_error(kind: str, error: ValidationError) -> UsageError:
    details = error.errors(include_url=False)
    keys = [str(d["loc"][0]) for d in details]
    worded = [d.get("ctx", {}).get("what", d["msg"]) for d in details]
    if "kind" in keys:
        advice = _advice(one_of(KINDS), nearest_name(kind, KINDS))
        return UsageError("no such kind of event", value=kind, what_to_do=advice)
    what = "; ".join(f"{k}: {t}" for k, t in zip(keys, worded, strict=True))
    needs = ", ".join(("when", *_NEEDS.get(kind, ())))
    return UsageError(
        f"this event cannot be kept: {what}", value=kind, what_to_do=f"a {kind} event needs {needs}"
    )


def _advice(allowed: str, nearest: str) -> str:
    return f"{allowed}; did you mean {nearest}?" if nearest else allowed
