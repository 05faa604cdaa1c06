"""Before against after a repair: what is counted, in which rides, and what it comes to."""

from dataclasses import replace
from datetime import timedelta

import pytest
from kept import BRAKING, DAY, result

from ridecheck.bike.proof import Moment, bursts, repairs
from ridecheck.core.model import Cancel, Repair, RideResult
from ridecheck.fleet.events import new_event

UTC_DAY = timedelta(days=1)


def cancel(ride: str, t_s: float, *, commanded: bool | None = False) -> Cancel:
    return Cancel(ride, t_s, None, None, "", 2, 90.0, "rear_brake", commanded)


def ridden(
    day: int, *at_min: float, km: float = 60.0, engaged_km: float = 40.0, **keys
) -> RideResult:
    """A ride of an hour on a day, with uncommanded cancels at so many minutes."""
    made = result(DAY + day * UTC_DAY, minutes=60, engaged_km=engaged_km, **keys)
    ends = tuple(cancel(made.ride, 60.0 * m) for m in at_min)
    return replace(made, distance_km=km, cancels=ends)


def repair(day: int, hour: int | None = None, part: str = "rear_brake_switch"):
    when = DAY + day * UTC_DAY
    return new_event("repair", when.replace(hour=hour) if hour else when.date(), part=part, by="JK")


def compared(rides, *events, **keys) -> Repair:
    (one,) = repairs(rides, events or (repair(5),), zone="UTC", **keys)
    return one


FIVE_BURSTS = [ridden(d, 10.0) for d in range(5)]


def test_bursts_are_events_near_in_time_or_in_distance():
    def burst_count(*at):
        return bursts([Moment(s, km) for s, km in at])

    assert burst_count() == 0
    assert burst_count((0, 0), (900, 30)) == 1, "within 15 minutes"
    assert burst_count((0, 0), (86400, 10)) == 1, "within 10 km, the next day"
    assert burst_count((0, 0), (901, 10.1)) == 2
    assert burst_count((0, 0), (800, 20), (1600, 40), (2400, 60)) == 1, "a chain is one burst"


def test_a_day_alone_leaves_that_days_rides_out_and_an_instant_splits_them():
    rides = [ridden(0), ridden(5), ridden(6)]  # each from 08:00 to 09:00

    by_day = compared(rides, repair(5))
    by_instant = compared(rides, repair(5, hour=12))

    assert (by_day.rides_before, by_day.rides_after) == (1, 1)
    assert (by_instant.rides_before, by_instant.rides_after) == (2, 1)


def test_before_begins_at_the_repair_before_and_after_ends_at_the_next():
    rides = [ridden(d) for d in (0, 2, 4)]

    first, second = repairs(rides, (repair(3), repair(1)), zone="UTC")

    assert (first.rides_before, first.rides_after) == (1, 1)
    assert (second.rides_before, second.rides_after) == (1, 1)


def test_undated_rides_and_rides_of_another_bike_do_not_count():
    rides = [ridden(0, 10.0), replace(result(None), cancels=(cancel("x", 5.0),)),
             ridden(1, 10.0, fits_model=False), ridden(6)]  # fmt: skip

    assert (compared(rides).rides_before, compared(rides).counts[0].events_before) == (1, 1)


def test_commanded_and_undetermined_cancels_are_not_counted():
    ride = ridden(0, 10.0)
    more = (cancel(ride.ride, 2000.0, commanded=True), cancel(ride.ride, 3000.0, commanded=None))

    one = compared([replace(ride, cancels=(*ride.cancels, *more)), ridden(6)])

    assert one.counts[0].events_before == 1


def test_clean_riding_after_five_bursts_is_clean_so_far_then_fixed():
    so_far = compared([*FIVE_BURSTS, ridden(6)])
    count = so_far.counts[0]

    assert (so_far.outcome, count.bursts_before, count.km_before) == ("clean_so_far", 5, 200.0)
    assert count.more_km == pytest.approx(0.88 * 200.0 - 40.0, abs=3.0)

    after = [ridden(6 + i) for i in range(5)]

    assert compared([*FIVE_BURSTS, *after]).outcome == "fixed"
    assert compared([*FIVE_BURSTS, *after]).counts[0].more_km == 0.0


def test_one_cancel_before_can_hardly_ever_be_shown_to_be_gone():
    one = compared([ridden(0, 10.0), *(ridden(6 + i) for i in range(8))])

    assert one.outcome == "too_few"
    assert one.counts[0].km_after + (one.counts[0].more_km or 0.0) > 23 * 40.0


def test_a_cancel_after_is_said_and_never_called_fixed():
    again = compared([*FIVE_BURSTS, ridden(6, 10.0)])
    less = compared([*FIVE_BURSTS, ridden(6, 10.0), *(ridden(7 + i) for i in range(30))])

    assert again.outcome == "again"
    assert less.outcome == "less"


def test_nothing_before_gives_nothing_to_compare():
    one = compared([ridden(0), ridden(6)])

    assert (one.outcome, one.decides) == ("nothing_before", None)


def test_an_open_danger_is_never_closed_by_kilometres():
    kept_in = ridden(0, 10.0, found=[BRAKING])
    rides = [kept_in, *FIVE_BURSTS[1:], *(ridden(6 + i) for i in range(9))]
    closed = frozenset(f.id for f in kept_in.findings)

    assert compared(rides).outcome == "danger"
    assert compared(rides).dangers == (BRAKING,)
    assert compared(rides, closed=closed).outcome == "fixed"


def pulsing(day: int, pulses: int, bursts: int) -> RideResult:
    measures = {
        "short_pulses.rear_brake": float(pulses),
        "short_pulse_bursts.rear_brake": float(bursts),
    }
    return replace(ridden(day, *((10.0,) if pulses and day == 0 else ())), measures=measures)


def test_short_pulses_are_preferred_where_they_settle_it_sooner():
    rides = [*(pulsing(d, 30, 3) for d in range(3)), *(pulsing(6 + d, 0, 0) for d in range(3))]

    one = compared(rides)

    assert (one.decides, one.outcome) == ("short_pulses", "fixed")
    assert one.counts[0].what == "uncommanded_cancels"
    assert one.counts[1].events_before == 90


def test_occasions_met_again_are_hours_with_cruise_held_in_them():
    def ride(day, *at_min, bumps_s, hits=0):
        measures = {"occasion.bumps.seconds": bumps_s, "occasion.bumps.uncommanded": float(hits)}
        return replace(ridden(day, *at_min), measures=measures)

    (met,) = compared([ride(0, 10.0, bumps_s=90.0, hits=1), ride(6, bumps_s=1800.0)]).met_again
    (unknown,) = compared([ride(0, 10.0, bumps_s=90.0, hits=1), ridden(6)]).met_again

    assert (met.occasion, met.cancels_before, met.hours_since) == ("bumps", 1, 0.5)
    assert unknown.hours_since is None


def test_hold_quality_is_weighed_by_time():
    def ride(day, unsteady, seconds):
        return replace(
            ridden(day), measures={"hold.unsteady_kmh": unsteady, "hold.seconds": seconds}
        )

    one = compared([ride(0, 1.0, 300.0), ride(1, 2.0, 100.0), ride(6, 0.5, 50.0)])

    assert (one.hold_before_kmh, one.hold_after_kmh) == (pytest.approx(1.25), pytest.approx(0.5))
