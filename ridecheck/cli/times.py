"""Instants as options name them: what names no zone is on the fleet's clock."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from ridecheck.core.errors import UsageError


def now() -> datetime:
    """The clock's instant, to the second."""
    return datetime.now(UTC).replace(microsecond=0)


def instant(text: str, root: Path) -> date:
    """A date, or a date and time on the fleet's clock where no zone is given. UsageError."""
    zone = _zone(root)
    try:
        if len(text) == len("2026-05-03"):
            return date.fromisoformat(text)
        named = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            "this is no date or time",
            where="ridecheck",
            value=text,
            what_to_do=f"write 2026-05-03, 2026-05-03T16:10:00 (the fleet's time, {zone}) or "
            "2026-05-03T16:10:00Z",
        ) from None
    return named if named.tzinfo else on_clock(named, zone)


def moment(text: str, root: Path) -> datetime | None:
    """The instant an option names; a date alone is its start on the fleet's clock, "" is None."""
    if not text:
        return None
    named = instant(text, root)
    if isinstance(named, datetime):
        return named
    return on_clock(datetime(named.year, named.month, named.day), _zone(root))


def within(text: str, span: tuple[datetime, datetime], zone: str) -> float | None:
    """Seconds from a ride's start to the time that --at names; None where it lies outside.

    Seconds from the start, an instant, or a time of day on the fleet's clock. UsageError for
    what is no time at all.
    """
    start = span[0]
    try:
        at_s = float(text)
    except ValueError:
        tried = [(at - start).total_seconds() for at in _named(text, span, zone)]
        at_s = next((s for s in tried if _inside(s, span)), -1.0)
    return at_s if _inside(at_s, span) else None


def outside(text: str, spans: Sequence[tuple[datetime, datetime]], zone: str) -> UsageError:
    """Says over which time the rides went that --at missed."""
    clock = ZoneInfo(zone)
    went = " and ".join(
        f"{start.astimezone(clock):%Y-%m-%d %H:%M:%S} to {end.astimezone(clock):%H:%M:%S %Z}, "
        f"{(end - start).total_seconds():.0f} s"
        for start, end in spans
    )
    return UsageError(
        "this time lies outside the ride",
        where="ridecheck trace --at",
        value=text,
        what_to_do=f"the ride went from {went}",
    )


def on_clock(local: datetime, zone: str) -> datetime:
    """A time on the fleet's clock as an instant, the first of two where clocks go back."""
    here = local.replace(tzinfo=ZoneInfo(zone))
    if here.astimezone(UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None) != local:
        raise UsageError(
            "clocks skip this time",
            where=zone,
            value=f"{local:%Y-%m-%d %H:%M:%S}",
            what_to_do="name it in UTC, with a Z at its end",
        )
    return here.astimezone(UTC)


def _inside(at_s: float, span: tuple[datetime, datetime]) -> bool:
    """Within the ride, to the second that people name."""
    return -1.0 < at_s < (span[1] - span[0]).total_seconds() + 1.0


def _named(text: str, span: tuple[datetime, datetime], zone: str) -> list[datetime]:
    """What a text may name: one instant, or that time of each day that the ride touches."""
    try:
        if len(text) > len("14:03:11.250"):
            named = datetime.fromisoformat(text)
            return [named if named.tzinfo else on_clock(named, zone)]
        clock = time.fromisoformat(text)
    except ValueError:
        raise UsageError(
            "this is no time of a ride",
            where="--at",
            value=text,
            what_to_do=f"write 14:03:11 (the fleet's time, {zone}), 2026-05-03T14:03:11Z, or "
            "seconds from the start",
        ) from None
    first = span[0].astimezone(ZoneInfo(zone)).date()
    days = (span[1].astimezone(ZoneInfo(zone)).date() - first).days
    found = []
    for day in range(days + 1):
        local = datetime.combine(first + timedelta(days=day), clock)
        found.append(local if local.tzinfo else on_clock(local, zone))
    return found


def _zone(root: Path) -> str:
    from ridecheck.fleet.load import time_zone_of

    return time_zone_of(root)
