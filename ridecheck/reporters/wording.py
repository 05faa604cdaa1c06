"""The words and figures that terminal, pages and files share."""

import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from ridecheck.bike.checks import checks
from ridecheck.core import catalog
from ridecheck.core.model import (
    BikeReport,
    Cancel,
    FleetReport,
    SetAside,
    State,
    StoredFinding,
    Verdict,
)

VERDICTS = {
    Verdict.KEEP_IN: "keep in",
    Verdict.INSPECT: "inspect",
    Verdict.NO_OPINION: "no opinion",
    Verdict.RELEASE: "release",
}
"""The words counted in the first line of a board."""

MEANINGS = {
    Verdict.KEEP_IN: "do not ride, not even to the workshop",
    Verdict.INSPECT: "a fault was seen often enough to act on",
    Verdict.NO_OPINION: "not judged, check by hand",
    Verdict.RELEASE: "no fault found in the log",
}
"""What each word means, said once on a page."""

VERDICT_LABELS = VERDICTS | {
    Verdict.NO_OPINION: "no opinion: check by hand",
    Verdict.RELEASE: "release (log only)",
}
"""The words that stand beside a bike."""

STATES = {
    State.OK: "ok",
    State.FAULT: "finding",
    State.NOT_ASSESSED: "not assessed",
    State.ERROR: "not assessed: the program failed here",
}

CAUSES = {
    "unexplained": "no logged cause",
    "log_end": "the log ends",
    "intervention": "ABS or traction control",
    "below_minimum": "below the minimum speed",
    "above_maximum": "above the maximum speed",
    "far_from_set_speed": "too far from the set speed",
    "override_limit": "throttle held open too long",
    "signal_lost": "a signal was lost",
    "power_switch": "main switch",
    "cancel_switch": "cancel button",
    "roll_off": "throttle rolled closed",
    "engine_flare": "engine speed flared",
}

COMMANDED = {True: "commanded", False: "uncommanded", None: "undetermined"}

SPOKEN = {
    "roll_off_switch": "throttle-closed switch",
    "roll-off": "throttle-closed switch",
    "hold-sags": "speed droop",
    "lets-go-late": "releases late",
}
"""Codes, or parts of them, that are not what people say."""

DECIMALS = {"km/h": 1, "km": 1, "s": 3, "ms": 0, "rpm": 0, "%": 1, "V": 2, "m/s2": 2, "degC": 1}
"""Decimals of a figure by its unit; other units get three."""


def count(number: int, noun: str) -> str:
    """A number with its noun.

    >>> count(1, "bike"), count(0, "log")
    ('1 bike', '0 logs')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def rounded(value: float | None, unit: str) -> float | None:
    """A figure as it is printed in its unit; None for blank and for what is no number."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), DECIMALS.get(unit, 3)) + 0.0  # no minus zero


def figure(value: float | None, unit: str = "") -> str:
    """A figure with its unit, "" for blank.

    >>> figure(96.24, "km/h"), figure(3.0)
    ('96.2 km/h', '3')
    """
    number = rounded(value, unit)
    if number is None:
        return ""
    decimals = DECIMALS.get(unit)
    digits = f"{number:.{decimals}f}" if decimals is not None and unit != "s" else f"{number:g}"
    return f"{digits} {unit}".strip()


def words(name: str) -> str:
    """A channel's, part's, check's or rule's name as words.

    >>> words("front_brake"), words("roll_off"), words("cruise/engages-by-itself")
    ('front brake', 'throttle-closed switch', 'cruise: engages by itself')
    """
    if name in catalog.SPOKEN:
        return catalog.channel_name(name)
    for code in SPOKEN:
        left, found, right = name.partition(code)
        if found:
            return f"{_plain(left)}{SPOKEN[code]}{_plain(right)}"
    return _plain(name)


def _plain(code: str) -> str:
    return code.replace("_", " ").replace("-", " ").replace("/", ": ")


def check_name(check: str) -> str:
    """What a check is called; its id as words where this version does not know it.

    >>> check_name("lamp-by-each-control")
    'brake lamp from each control'
    """
    known = checks().get(check)
    return known.name if known else words(check)


def chance(share: float) -> str:
    """A probability as a reader takes it: never certain, never impossible.

    >>> chance(0.966), chance(0.999), chance(0.001)
    ('97 %', 'over 99 %', 'under 1 %')
    """
    if share >= 0.995:
        return "over 99 %"
    return f"{100.0 * share:.0f} %" if share >= 0.005 else "under 1 %"


def suspects(bike: BikeReport) -> str:
    """The likeliest parts and the check to do first, in a sentence each; "" without suspects.

    A second part is named where it is nearly as likely, so that nobody buys the first unseen.
    """
    if not bike.suspects:
        return ""
    first = bike.suspects[0].probability
    near = [s for s in bike.suspects[:3] if s.probability >= first / 2.0]
    parts = ", ".join(f"{words(s.part)} {chance(s.probability)}" for s in near)
    sentences = f"{'Suspects' if len(near) > 1 else 'Suspect'}: {parts}."
    if bike.next_checks:
        check = bike.next_checks[0]
        sentences += f" First check: {check_name(check.check)}, about {check.minutes} min."
    return sentences


def cause(cancel: Cancel) -> str:
    """What ended an engagement, in words."""
    return cause_name(cancel.cause)


def cause_name(code: str) -> str:
    """A cause's code in words."""
    return CAUSES.get(code, words(code))


def utc(instant: datetime | None) -> str:
    """An instant in UTC to the second; "date unknown" where there is none."""
    return f"{instant.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC" if instant else "date unknown"


def utc_ms(instant: datetime | None) -> str:
    """An instant in UTC to the millisecond; "date unknown" where there is none."""
    if instant is None:
        return "date unknown"
    return f"{instant.astimezone(UTC).isoformat(sep=' ', timespec='milliseconds')[:-6]} UTC"


def local(instant: datetime | None, zone: str) -> str:
    """An instant on the fleet's clock, "" where there is none or the clock is UTC.

    The date is left out where it is the same as in UTC.

    >>> local(datetime(2026, 5, 12, 22, 30, tzinfo=UTC), "Europe/Lisbon")
    '23:30:00 WEST'
    >>> local(datetime(2026, 5, 12, 23, 30, tzinfo=UTC), "Europe/Lisbon")
    '2026-05-13 00:30:00 WEST'
    """
    if instant is None or zone in ("UTC", "Etc/UTC"):
        return ""
    here = instant.astimezone(ZoneInfo(zone))
    same_day = here.date() == instant.astimezone(UTC).date()
    return f"{here:%H:%M:%S %Z}" if same_day else f"{here:%Y-%m-%d %H:%M:%S %Z}"


def moment(instant: datetime | None, zone: str, *, seconds: bool = True) -> str:
    """An instant on the fleet's clock, without the zone, which a page names once.

    >>> moment(datetime(2026, 5, 12, 23, 30, tzinfo=UTC), "Europe/Lisbon")
    '2026-05-13 00:30:00'
    """
    if instant is None:
        return "date unknown"
    here = instant.astimezone(ZoneInfo(zone))
    return f"{here:%Y-%m-%d %H:%M:%S}" if seconds else f"{here:%Y-%m-%d %H:%M}"


def z_time(instant: datetime | None) -> str | None:
    """An instant for programs: ISO 8601 with Z, fractions only where there are any."""
    if instant is None:
        return None
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")


def finding_text(finding: StoredFinding) -> str:
    """What was found, with what is in doubt about it and where it was carried over from."""
    text = finding.message
    if finding.doubt:
        text += f" (in doubt: {finding.doubt})"
    if finding.carried_from:
        text += f" (found by {finding.carried_from}; kept until signed off)"
    return text


def why_aside(log: SetAside) -> str:
    """Why a log was not read and what to do, in one line."""
    place = f" {log.where}" if log.where else ""
    place += f" ({log.value})" if log.value else ""
    return f"{log.what}:{place}; {log.what_to_do}" if place else f"{log.what}; {log.what_to_do}"


def changed(bike: BikeReport) -> bool:
    """True where the bike's newest day of data changed what is advised."""
    return bike.previous_verdict is not None and bike.previous_verdict != bike.verdict


def was(bike: BikeReport) -> str:
    """What was advised before the newest day of data, "" where nothing was."""
    return f"was {VERDICTS[bike.previous_verdict]}" if bike.previous_verdict else ""


def by_urgency(report: FleetReport) -> dict[Verdict, tuple[BikeReport, ...]]:
    """Bikes by verdict, most urgent first; within one, those newly changed, then by id."""
    ordered = sorted(report.bikes, key=lambda b: (not changed(b), b.bike))
    return {v: tuple(b for b in ordered if b.verdict is v) for v in Verdict}


def first_line(report: FleetReport) -> str:
    """How many bikes stand where, and how many logs were not read."""
    groups = by_urgency(report)
    tally = ", ".join(f"{len(bikes)} {VERDICTS[v]}" for v, bikes in groups.items())
    unread = count(len(report.set_aside), "log")
    return f"{count(len(report.bikes), 'bike')}: {tally}; {unread} not read"


def newest_data(report: FleetReport) -> datetime | None:
    """End of the newest dated ride of the fleet."""
    return max((b.last_data for b in report.bikes if b.last_data), default=None)


def beside(bike: BikeReport) -> str:
    """What is printed beside a release: what was seen once, what was not covered."""
    remarks = list(bike.because)
    if bike.since_repair:
        remarks.append(bike.since_repair)
    if bike.not_covered:
        remarks.append("not covered: " + ", ".join(bike.not_covered))
    return "; ".join(remarks)
