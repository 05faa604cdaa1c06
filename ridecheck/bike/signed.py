"""What people signed in a bike's file, entered into its register of dangers.

A sign-off names who, when and which checks were done. By id it closes that danger and what
overlaps it; by rule every danger of that rule which is in the register when it is entered.
It closes nothing that ended after it, nothing while it lies in the future, and nothing of a
register made again that may have become known after it.
"""

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from ridecheck.bike.dangers import Keys
from ridecheck.core.dangers import Closed, Found, Register
from ridecheck.core.model import Severity
from ridecheck.core.strict_toml import is_visible
from ridecheck.fleet.events import Event
from ridecheck.rules.base import Rule

SIGNING = ("signed_off", "misread")
REGISTER = "register"
"""What a sign-off names to close what of a register could not be made again."""
NOTHING_OPEN = "nothing of it was open"
MISREAD_CHECK = "raw-column-by-hand"
_ONE_SECOND = timedelta(seconds=1)


@dataclass(frozen=True, slots=True)
class Entering:
    """What entering needs to know. gone: numbers of open entries that are not found any more.

    restoring: the register was made again, so that an entry counts from when it was known.
    """

    bike: str
    now: datetime
    zone: str
    rules: Mapping[str, Rule]
    keys: Keys = field(default_factory=Keys)
    gone: frozenset[int] = frozenset()
    restoring: bool = False


def with_signatures(register: Register, events: Iterable[Event], entering: Entering) -> Register:
    """The register with an entry for each signing event that has none yet."""
    entered = Counter(e.event for e in register.entries if isinstance(e, Closed))
    for event in events:
        if event.kind not in SIGNING or not _is_about_dangers(event, entering):
            continue
        ident = event_hash(event)
        if entered[ident]:
            entered[ident] -= 1
            continue
        register = register.with_entries(closing_entry(register, event, entering))
    return register


def closing_entry(register: Register, event: Event, entering: Entering) -> Closed:
    """The entry of one signing event, with the numbers it closes, or why it closes none."""
    why = _void(event, entering)
    closes: list[int] = []
    if not why:
        named = _named(register, event, entering)
        refused = {n: _refused(n, e, event, entering) for n, e in named.items()}
        closes = [n for n, reason in refused.items() if not reason]
        closes += [n for n in register.lost if _names_register(event, entering.bike)]
        why = next((r for r in refused.values() if r), "" if closes else NOTHING_OPEN)
    return Closed(
        at=entering.now,
        when=event.instant(entering.zone),
        by=event.by,
        finding=event.finding,
        closes=tuple(closes),
        checks=event.checks or ((event.check,) if event.check else ()),
        event=event_hash(event),
        kind="misread" if event.kind == "misread" else "signed_off",
        why=why,
        layouts=dict(entering.keys.layouts) if event.kind == "misread" else {},
        model_key=entering.keys.model_key if event.kind == "misread" else "",
    )


def event_hash(event: Event) -> str:
    """16 hex digits that shows one event from another."""
    keys = {k: v for k, v in event.model_dump(exclude={"when"}).items() if v}
    said = json.dumps([event.when.isoformat(), keys], sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(said.encode("utf-8", "backslashreplace")).hexdigest()[:16]


def rule_named(finding: str, bike: str) -> str:
    """The rule that an id or a rule's name points at."""
    return "/".join(finding.removeprefix(f"{bike}/").split("/")[:2])


def _names_register(event: Event, bike: str) -> bool:
    return event.finding.removeprefix(f"{bike}/") == REGISTER


def _is_about_dangers(event: Event, entering: Entering) -> bool:
    rule = entering.rules.get(rule_named(event.finding, entering.bike))
    return rule is None or rule.severity is Severity.DANGER


def _void(event: Event, entering: Entering) -> str:
    if not is_visible(event.by):
        return "it names nobody"
    if event.instant(entering.zone) > entering.now:
        return "it was dated after the time it was entered"
    return ""


def _named(register: Register, event: Event, entering: Entering) -> dict[int, Found]:
    """The open entries an event names: by id with what overlaps it, or by rule."""
    rule = rule_named(event.finding, entering.bike)
    of_rule = {n: e for n, e in register.open.items() if e.rule == rule}
    if event.finding in (rule, f"{entering.bike}/{rule}"):
        return {n: e for n, e in of_rule.items() if e.start is not None}
    place = event.finding.removeprefix(f"{entering.bike}/{rule}/")
    by_id = {n: e for n, e in of_rule.items() if e.finding == event.finding or _is_at(e, place)}
    return by_id | {
        n: e for n, e in of_rule.items() if any(_overlap(e, named) for named in by_id.values())
    }


def _refused(number: int, entry: Found, event: Event, entering: Entering) -> str:
    """Why an event does not close an entry it names; "" where it does."""
    when = event.instant(entering.zone)
    if entry.end is not None and when < min(entry.end, entry.at):
        return "it is dated before the danger"
    if entering.restoring and entry.at > when:
        return "whether the danger was known then is undetermined"
    if event.kind == "misread":
        return _not_misread(number, entry, event, entering)
    rule = entering.rules.get(entry.rule)
    asked = set(rule.checks) if rule else set()
    if not event.checks or not asked <= set(event.checks):
        return "it does not name every check the danger asks for"
    return ""


def _not_misread(number: int, entry: Found, event: Event, entering: Entering) -> str:
    keys = entering.keys
    if event.check != MISREAD_CHECK:
        return f"it does not name the check {MISREAD_CHECK}"
    if number not in entering.gone:
        return "the danger is still found"
    mended = any(keys.layouts.get(n) != key for n, key in entry.layouts.items())
    if not (mended or entry.model != keys.model or entry.model_key != keys.model_key):
        return "neither its layout nor its model was changed"
    return ""


def _is_at(entry: Found, place: str) -> bool:
    """Whether the end of an id lies in an entry: a second of time, or of an undated part."""
    stem, _, second = place.rpartition("+")
    if stem and second.isdigit():
        return (
            stem in entry.parts and entry.start_s < int(second) + 1 and int(second) <= entry.end_s
        )
    try:
        start = datetime.fromisoformat(place)
    except ValueError:
        return False
    if start.tzinfo is None or entry.start is None or entry.end is None:
        return False
    return entry.start < start + _ONE_SECOND and start <= entry.end


def _overlap(a: Found, b: Found) -> bool:
    """Whether two entries overlap: in time, or within one undated ride."""
    if a.start is None or b.start is None or "time" not in (a.dating, b.dating):
        return a.ride == b.ride and a.start_s <= b.end_s and b.start_s <= a.end_s
    if a.dating != b.dating or a.end is None or b.end is None:
        return False
    return a.start <= b.end and b.start <= a.end
