"""Instants as options name them."""

from datetime import UTC, date, datetime

from ridecheck.core.errors import UsageError


def now() -> datetime:
    """The clock's instant, to the second."""
    return datetime.now(UTC).replace(microsecond=0)


def instant(text: str) -> date:
    """A date, or a date and time (UTC where no zone is given). Raises UsageError."""
    try:
        if len(text) == len("2026-05-03"):
            return date.fromisoformat(text)
        named = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            "this is no date or time",
            where="ridecheck",
            value=text,
            what_to_do="write 2026-05-03 or 2026-05-03T16:10:00Z",
        ) from None
    return named if named.tzinfo else named.replace(tzinfo=UTC)


def moment(text: str) -> datetime | None:
    """The instant an option names; a date alone is its start in UTC, "" is None."""
    if not text:
        return None
    named = instant(text)
    if isinstance(named, datetime):
        return named
    return datetime(named.year, named.month, named.day, tzinfo=UTC)
