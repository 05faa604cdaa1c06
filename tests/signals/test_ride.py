"""A ride as rules see it: parts joined, gaps, slow channels held."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from rides import part_from, ride_from, settings_from

from ridecheck.core.model import ChannelFacts, Span
from ridecheck.signals.ride import Ride, once

STEADY = {"pieces": ["80 km/h, gear 4, 10 s"]}


def moved(part, by_s, **changes):
    """The same part later on."""
    samples = part.samples.with_columns(pl.col("time") + timedelta(seconds=by_s))
    info = replace(part.info, start=part.info.start + timedelta(seconds=by_s), **changes)
    return replace(part, info=info, samples=samples)


def test_a_short_pause_of_the_logger_is_no_gap_a_long_one_is():
    pause = ride_from(STEADY | {"gaps": [[5.0, 5.4]]})
    gap = ride_from(STEADY | {"gaps": [[5.0, 6.0]]})

    assert len(pause.segments) == 1
    assert [(s.start_s, s.end_s) for s in gap.segments] == [
        (0.0, pytest.approx(4.95)),
        (pytest.approx(6.0), pytest.approx(9.95)),
    ]


def test_at_one_row_a_second_two_missing_rows_are_no_gap():
    ride = ride_from(STEADY | {"rate_hz": 1, "gaps": [[5.0, 6.5]]})

    assert len(ride.segments) == 1


def test_two_parts_are_joined_with_a_gap_between():
    part = part_from(STEADY)

    ride = Ride("r", "T01", [part, moved(part, 60.0)], settings_from(STEADY))

    assert ride.duration_s == pytest.approx(69.95)
    assert len(ride.segments) == 2


def test_a_part_cut_off_an_overlong_one_continues_it():
    part = part_from(STEADY)

    ride = Ride("r", "T01", [part, moved(part, 10.0, cut_before=True)], settings_from(STEADY))

    assert len(ride.segments) == 1


def test_a_slow_channel_is_held_for_its_refresh_and_no_longer():
    part = part_from(STEADY)
    kept = [i % 10 == 0 and not 100 <= i < 150 for i in range(200)]
    sparse = part.samples.with_columns(
        pl.when(pl.Series(kept)).then(pl.col("engine_speed")).alias("engine_speed")
    )
    facts = dict(part.info.channels) | {"engine_speed": ChannelFacts(0.5, 0.1, 10.0)}
    part = replace(part, info=replace(part.info, channels=facts), samples=sparse)

    rpm = Ride("r", "T01", [part], settings_from(STEADY)).numbers("engine_speed")

    assert np.isfinite(rpm[:105]).all()
    assert np.isnan(rpm[106:150]).all(), "1.5 refreshes after the last value it is blank"
    assert np.isfinite(rpm[150:]).all()


def test_a_held_value_never_crosses_a_gap():
    plan = STEADY | {"gaps": [[5.0, 6.0]], "blank": {"clutch": [[6.0, 7.0]]}}

    ride = ride_from(plan)

    assert np.isnan(ride.numbers("clutch")[ride.index(6.0)])


def test_a_channel_not_logged_is_blank_and_infinitely_slow():
    ride = ride_from(STEADY)

    assert not ride.has("gps_speed")
    assert np.isnan(ride.numbers("gps_speed")).all()
    assert ride.interval_s("gps_speed") == float("inf")
    assert np.isnan(ride.at("gps_speed", 3.0))


def test_at_gives_the_last_row_not_after_an_instant():
    ride = ride_from(STEADY | {"set": {"wheel_speed": [[5.0, 5.05, 33.0]]}})

    assert ride.at("wheel_speed", 5.04) == pytest.approx(33.0)
    assert ride.at("wheel_speed", 5.05) != pytest.approx(33.0)
    assert np.isnan(ride.at("wheel_speed", -0.1))


def test_a_slice_holds_both_ends():
    ride = ride_from(STEADY)

    assert ride.t_s[ride.slice(Span(1.0, 1.1))] == pytest.approx([1.0, 1.05, 1.1])


def test_what_is_measured_once_is_not_measured_again():
    calls = []

    @once
    def measured(ride, name):
        calls.append(name)
        return name.upper()

    ride = ride_from(STEADY)

    assert (measured(ride, "a"), measured(ride, "a"), measured(ride, "b")) == ("A", "A", "B")
    assert calls == ["a", "b"]


def test_stretches_of_flagged_rows_are_bridged_and_never_cross_a_gap():
    ride = ride_from({"pieces": ["80 km/h, gear 4, 20 s"], "gaps": [[10.5, 13.0]]})
    flags = (ride.t_s < 5.0) | ((ride.t_s >= 5.2) & (ride.t_s < 13.5))

    spans = ride.where(flags, bridge_s=0.3)

    assert [(s.start_s, s.end_s) for s in spans] == [
        (0.0, pytest.approx(10.5)),
        (pytest.approx(13.0), pytest.approx(13.5)),
    ]


def test_a_switch_and_its_rows_show_the_same_time():
    ride = ride_from(
        {"pieces": ["80 km/h, gear 4, 20 s"], "on": {"clutch": [[3.0, 4.0]]}, "gaps": [[3.5, 6.0]]}
    )

    by_rows = ride.where(ride.numbers("clutch") == 1)

    assert list(ride.when("clutch")) == list(by_rows)
    assert len(by_rows) == 1


def test_the_blur_of_channels_is_their_slowest_refresh_and_largest_skew():
    ride = ride_from(
        {"pieces": ["80 km/h, gear 4, 20 s"], "refresh": {"engine_speed": 0.5}},
    )

    blur_s = ride.blur_s("engine_speed", "wheel_speed")

    assert blur_s == pytest.approx(ride.interval_s("engine_speed"))
