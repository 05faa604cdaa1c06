"""Where a log falls into parts, and what is measured of each channel."""

import numpy as np
import polars as pl
import pytest
from logs import layout, part, parts, refusal, said, table

from ridecheck.intake.normalise import facts, read_key
from ridecheck.intake.normalise import parts as parting
from ridecheck.intake.normalise.facts import step_of

SPEED = layout(wheel_speed="v")


def log(times: list[float], speeds: list[float]) -> str:
    return table(*(f"{t:.2f},{v:g}" for t, v in zip(times, speeds, strict=True)))


def stretch(start_s: float, rows: int, *, every_s: float = 1.0) -> list[float]:
    return [start_s + i * every_s for i in range(rows)]


def test_a_pause_of_more_than_ten_minutes_ends_a_part_and_a_shorter_one_does_not() -> None:
    times = stretch(0, 60) + stretch(59 + 600, 60) + stretch(59 + 600 + 59 + 601, 60)
    found = parts(log(times, [0.0] * 180), SPEED)

    assert [p.info.rows for p in found] == [120, 60]
    assert [p.info.stem[-2:] for p in found] == ["-1", "-2"]
    assert not any(p.info.cut_before for p in found)


def test_a_forward_step_with_speed_carried_on_is_a_clock_step_not_a_rides_end() -> None:
    times = stretch(0, 60) + stretch(3659, 60)
    riding, parked = ([v] * 120 for v in (84.0, 0.0))

    (one,) = parts(log(times, riding), SPEED)
    assert said(one, "stepped forward while riding") == 1
    assert len(parts(log(times, parked), SPEED)) == 2
    slowed = [84.0] * 60 + [20.0] * 60
    assert len(parts(log(times, slowed), SPEED)) == 2


def test_an_overlong_part_is_cut_at_its_longest_standstill_and_the_cut_is_marked(
    monkeypatch,
) -> None:
    monkeypatch.setattr(parting, "MOST_ROWS", 1000)
    speeds = [60.0] * 1500
    speeds[300:310] = [0.0] * 10
    speeds[700:800] = [0.0] * 100
    one, two = parts(log(stretch(0, 1500), speeds), SPEED)

    assert (one.info.rows, two.info.rows) == (750, 750)
    assert (one.info.cut_before, two.info.cut_before) == (False, True)
    assert two.info.start > one.info.end
    assert (two.info.start - one.info.end).total_seconds() == 1


def test_a_part_without_a_standstill_is_cut_at_the_limit(monkeypatch) -> None:
    monkeypatch.setattr(parting, "MOST_ROWS", 1000)
    found = parts(log(stretch(0, 2500), [60.0] * 2500), SPEED)

    assert [p.info.rows for p in found] == [1000, 1000, 500]


def test_twelve_hours_are_the_limit_too() -> None:
    found = parts(log(stretch(0, 1000, every_s=50), [60.0] * 1000), SPEED)

    assert [p.info.rows for p in found] == [865, 135]  # 12 h = 43 200 s = 864 steps of 50 s
    assert found[1].info.cut_before


def test_a_row_alone_between_breaks_is_left_out_and_counted() -> None:
    times = [*stretch(1000, 30), 2000.0, *stretch(10, 30)]
    found = parts(log(times, [0.0] * 61), SPEED)

    assert [p.info.rows for p in found] == [30, 30]
    assert said(found[0], "single rows") == 1


def test_a_log_of_one_row_is_refused() -> None:
    assert "single row" in refusal(log([0.0], [50.0]), SPEED).what


def polled(rows: int = 4000, *, refresh_s: float = 0.9, row_s: float = 0.09) -> pl.DataFrame:
    """A polled logger: rows come ten times as fast as each channel is asked for."""
    t = np.arange(rows) * row_s
    asked = np.floor(t / refresh_s + 1e-9) * refresh_s
    speed = np.round(60 + 30 * np.sin(asked / 20))
    return pl.DataFrame({"t": np.round(t, 3), "v": speed, "rpm": np.round(speed * 45)})


def interval(frame: pl.DataFrame, channel: str = "wheel_speed", **how) -> float:
    read = part(frame.write_csv(), layout(wheel_speed="v", engine_speed="rpm", **how))
    return read.info.channels[channel].interval_s


def test_a_channel_that_is_polled_slowly_has_the_interval_of_its_changes() -> None:
    frame = polled()

    assert interval(frame) == pytest.approx(0.9, abs=0.1)
    assert interval(frame, "engine_speed") == pytest.approx(0.9, abs=0.1)


def test_a_channel_that_changes_with_every_row_has_the_rows_interval() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(4000) * 0.05
    v = np.round(60 + 30 * np.sin(t / 20) + rng.normal(0, 0.2, 4000), 1)
    frame = pl.DataFrame({"t": np.round(t, 2), "v": v, "rpm": np.round(v * 45)})

    assert interval(frame) == pytest.approx(0.05, abs=0.001)


def test_a_channel_that_never_changes_has_the_rows_interval() -> None:
    frame = polled().with_columns(rpm=pl.lit(3000))

    assert interval(frame, "engine_speed") == pytest.approx(0.09)


def test_a_channel_with_blanks_between_has_the_spacing_of_its_values() -> None:
    t = np.arange(2000) * 0.1
    frame = pl.DataFrame({"t": np.round(t, 1), "v": 60 + 20 * np.sin(t / 9)}).with_columns(
        rpm=pl.when(pl.int_range(2000) % 10 == 0).then(pl.col("v") * 45)
    )

    assert interval(frame, "engine_speed") == pytest.approx(1.0)
    assert interval(frame) == pytest.approx(0.1)


def test_the_layouts_refresh_wins_over_what_is_measured() -> None:
    read = part(
        polled().write_csv(), layout(wheel_speed={"column": "v", "refresh_s": 0.5, "skew_s": 0.2})
    )

    assert read.info.channels["wheel_speed"].interval_s == 0.5
    assert read.info.channels["wheel_speed"].skew_s == 0.2


@pytest.mark.parametrize(
    ("values", "step"),
    [
        (np.round(np.linspace(0, 120, 900)), 1.0),
        (np.round(np.linspace(0, 120, 900), 1), 0.1),
        (np.round(np.linspace(0, 75, 900)) * 1.609344, 1.609344),
        (np.round(np.round(np.linspace(0, 75, 900)) * 1.609344, 1), 1.609344),
        (np.round(np.linspace(0, 8000, 3000) / 50) * 50, 50.0),
        (np.array([5.0, 5.0, 5.0]), 0.0),
        (np.full(50, np.nan), 0.0),
        (np.random.default_rng(1).random(3000) * 100, 0.0),
    ],
    ids=["1 km/h", "0.1 km/h", "1 mph", "1 mph rounded", "50 rpm", "few", "blank", "none"],
)
def test_the_step_of_a_channel_is_the_smallest_regular_one(values, step: float) -> None:
    assert step_of(values) == pytest.approx(step, rel=0.02)


def test_presence_is_the_share_of_rows_with_a_value() -> None:
    frame = pl.DataFrame({"t": [0.0, 0.1, 0.2, 0.3], "v": [1.0, None, 3.0, None], "rpm": 5.0})

    read = part(frame.write_csv(), layout(wheel_speed="v", engine_speed="rpm"))

    assert read.info.channels["wheel_speed"].present == 0.5
    assert read.info.channels["engine_speed"].present == 1.0


def test_facts_of_a_long_part_are_measured_where_the_bike_moves() -> None:
    rows = 4 * 3 * facts.WINDOW_ROWS
    t = np.arange(rows) * 0.05
    v = np.where((t > 3000) & (t < 4000), np.round(60 + 30 * np.sin(t / 20), 2), 0.0)
    frame = pl.DataFrame({"t": np.round(t, 2), "v": v, "rpm": np.round(v * 45)})

    assert interval(frame) == pytest.approx(0.05, abs=0.001)


def test_the_same_rows_in_another_dialect_have_the_same_hash() -> None:
    point = part("t,v\n0.0,50.5\n0.1,51\n", layout(wheel_speed="v"))
    comma = part("t;v;x\n0,0;50,50;1\n0,1;51,0;2\n", layout(wheel_speed="v", file_decimal=","))
    other = part("t,v\n0.0,50.5\n0.1,52\n", layout(wheel_speed="v"))

    assert point.info.rows_sha256 == comma.info.rows_sha256
    assert point.info.rows_sha256 != other.info.rows_sha256
    assert point.info.sha256 != comma.info.sha256


def test_the_read_key_changes_with_all_that_changes_the_samples() -> None:
    key = read_key("0" * 64, SPEED)

    assert read_key("0" * 64, layout(wheel_speed="v")) == key
    assert read_key("1" * 64, SPEED) != key
    assert read_key("0" * 64, layout(wheel_speed={"column": "v", "unit": "mph"})) != key
    assert part(table("0,1", "1,2"), SPEED).info.read_key != key


def test_samples_have_fixed_types_and_hold_nothing_that_was_not_logged() -> None:
    how = layout(wheel_speed="v", gear="g", front_brake="fb")
    read = part("t,v,g,fb\n0.0,50,3,1\n0.1,,,\n0.2,52,N,0\n", how)

    assert read.samples.schema == {
        "time": pl.Datetime("us", "UTC"),
        "row": pl.UInt32,
        "file_time": pl.String,
        "wheel_speed": pl.Float64,
        "gear": pl.Int16,
        "front_brake": pl.Boolean,
    }
    assert read.samples.row(1)[3:] == (None, None, None)
