"""Which rides count, in which order, and until when that stays so."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

from ridecheck.bike.context import Context
from ridecheck.core.model import RideResult

_INSTANT = timedelta(microseconds=1)


def rides_that_count(
    rides: Sequence[RideResult], context: Context, as_of: datetime | None
) -> list[RideResult]:
    """Dated rides that fit the model: the last 20, or those of 30 days, whichever is more."""
    fit = [r for r in rides if may_count(r)]
    if as_of is None:
        return fit[-context.rides :] if context.rides else []
    recent = sum(end_of(r) >= as_of - timedelta(days=context.days) for r in fit)
    count = max(context.rides, recent)
    return fit[-count:] if count else []


def may_count(ride: RideResult) -> bool:
    """Whether it is dated, of this bike, and read whole."""
    return ride.start is not None and ride.fits_model and not ride.partly_read


def stands_for(
    results: Iterable[RideResult], context: Context, as_of: datetime | None
) -> tuple[datetime | None, datetime | None]:
    """From when, and until before when, ``as_of`` may move and the report stay the same."""
    dated = [r for r in results if r.start is not None]
    if as_of is None or not dated:
        return None, None
    fit = sorted(end_of(r) for r in dated if may_count(r))
    leaving = fit[: -context.rides or None]  # the last ones count however old they are
    points = {end + timedelta(days=context.days) + _INSTANT for end in leaving}
    points |= {end + timedelta(days=context.data_max_age_days) + _INSTANT for end in fit[-1:]}
    points.add(morning_of(dated))
    return (
        max((p for p in points if p <= as_of), default=None),
        min((p for p in points if p > as_of), default=None),
    )


def ride_order(ride: RideResult) -> tuple[bool, datetime, str, str]:
    """By start; undated last; logs of one date alone in the order of their names."""
    first = datetime(1970, 1, 1, tzinfo=UTC)
    log = ride.parts[0].log if ride.parts and ride.dating != "time" else ""
    return (ride.start is None, ride.start or first, log, ride.ride)


def morning_of(dated: Sequence[RideResult]) -> datetime:
    """00:00 UTC of the newest day of data."""
    newest = max(r.start for r in dated if r.start is not None).astimezone(UTC)
    return newest.replace(hour=0, minute=0, second=0, microsecond=0)


def end_of(ride: RideResult) -> datetime:
    """The end of a ride that counts."""
    assert ride.end is not None, "only dated rides count"
    return ride.end
