"""Every way of writing the time ends on one time base, or is refused with the line."""

from datetime import UTC, datetime

import pytest
from logs import layout, part, parts, refusal, said, seconds, speeds, table

from ridecheck.core.model import Part

START = datetime(2026, 5, 3, 16, 10, tzinfo=UTC)


def timed(
    cells: list[str], fmt: str | None = "seconds", *, name: str = "T07_ride.csv", **file: object
) -> Part:
    """The only part of a log with these time cells."""
    return part(log_of(cells), how(fmt, **file), name=name)


def how(fmt: str | None, **file: object):
    time = {"column": "t"} if fmt is None else {"column": "t", "format": fmt}
    return layout(time=time, wheel_speed="v", **{f"file_{k}": v for k, v in file.items()})


def log_of(cells: list[str]) -> str:
    return table(*(f"{cell},{50 + i % 9}" for i, cell in enumerate(cells)))


SAME_INSTANTS = [
    ("epoch_seconds", ["1777824600", "1777824600.5", "1777824601"]),
    ("epoch_milliseconds", ["1777824600000", "1777824600500", "1777824601000"]),
    ("epoch_microseconds", ["1777824600000000", "1777824600500000", "1777824601000000"]),
    ("epoch_nanoseconds", ["1777824600000000000", "1777824600500000000", "1777824601000000000"]),
    ("iso8601", ["2026-05-03T16:10:00Z", "2026-05-03T16:10:00.5Z", "2026-05-03T16:10:01Z"]),
    ("iso8601", ["2026-05-03 16:10:00", "2026-05-03 16:10:00.500", "2026-05-03 16:10:01"]),
    ("iso8601", ["20260503T161000Z", "20260503T161000.5Z", "20260503T161001Z"]),
    (
        "iso8601",
        ["2026-05-03T18:10:00+02:00", "2026-05-03T18:10:00.5+02:00", "2026-05-03T18:10:01+02:00"],
    ),
    (
        "iso8601",
        ["2026-05-03T18:10:00+0200", "2026-05-03T16:10:00.5Z", "2026-05-03T17:10:01+01:00"],
    ),
    (None, ["2026-05-03T16:10:00", "2026-05-03T16:10:00.5", "2026-05-03T16:10:01"]),
    (
        "%d/%m/%Y %H:%M:%S%.f",
        ["03/05/2026 16:10:00.0", "03/05/2026 16:10:00.5", "03/05/2026 16:10:01.0"],
    ),
    (
        "%m/%d/%y %I:%M:%S%.3f %p",
        ["05/03/26 04:10:00.000 PM", "05/03/26 04:10:00.500 PM", "05/03/26 04:10:01.000 PM"],
    ),
    (
        "%d-%b-%Y %H:%M:%S%.f",
        ["03-May-2026 16:10:00.0", "03-May-2026 16:10:00.5", "03-May-2026 16:10:01.0"],
    ),
]


@pytest.mark.parametrize(("fmt", "cells"), SAME_INSTANTS)
def test_the_same_instants_in_every_format(fmt: str | None, cells: list[str]) -> None:
    read = timed(cells, fmt)

    assert read.info.start == START
    assert seconds(read) == [0, 0.5, 1]
    assert (read.info.dating, read.info.start_from) == ("time", "column")
    assert read.samples["file_time"].to_list() == cells


def test_day_numbers_count_from_the_thirtieth_of_december_1899() -> None:
    # Spreadsheet day number 46145 is 2026-05-03 (1900 date system as saved in workbooks).
    cells = [f"{46145 + 16 / 24 + 10 / 1440 + i / 86400:.8f}" for i in range(4)]
    read = timed(cells, "day_number")

    assert abs((read.info.start - START).total_seconds()) < 0.001
    assert seconds(read) == pytest.approx([0, 1, 2, 3], abs=0.001)


@pytest.mark.parametrize(
    ("fmt", "cells", "expected"),
    [
        ("seconds", ["0.00", "0.05", "0.10"], [0, 0.05, 0.1]),
        ("seconds", ["12.5", "13", "13.5"], [0, 0.5, 1]),
        ("milliseconds", ["0", "50", "100"], [0, 0.05, 0.1]),
    ],
)
def test_elapsed_time_without_any_start_is_undated(fmt, cells, expected) -> None:
    read = timed(cells, fmt)

    assert seconds(read) == pytest.approx(expected)
    assert (read.info.dating, read.info.start_from) == ("none", "unknown")
    assert read.info.start == datetime(1970, 1, 1, tzinfo=UTC)


def test_elapsed_time_is_added_to_the_first_start_that_is_found() -> None:
    pattern = r"_(?P<date>\d{8})_(?P<time>\d{6})"
    name = "T07_20260504_071500.csv"
    text = table("0.5,50", "0.6,51")

    with_line = part(
        "# start 2026-05-03T16:10:00Z\n" + text, how("seconds", start_pattern=pattern), name=name
    )
    by_name = part(text, how("seconds", start_pattern=pattern), name=name)
    by_day = part(text, how("seconds"), name=name)

    assert with_line.info.start == datetime(2026, 5, 3, 16, 10, 0, 500000, tzinfo=UTC)
    assert (by_name.info.start_from, by_name.info.dating) == ("name", "time")
    assert by_name.info.start == datetime(2026, 5, 4, 7, 15, 0, 500000, tzinfo=UTC)
    assert (by_day.info.start_from, by_day.info.dating) == ("name_date", "date")
    assert by_day.info.start == datetime(2026, 5, 4, tzinfo=UTC)


@pytest.mark.parametrize(
    "name", ["T07_2026-05-03_a.csv", "T07 20260503.csv", "T07-20260503T1610.csv"]
)
def test_a_date_alone_in_the_name_dates_the_day(name: str) -> None:
    assert timed(["0", "1"], name=name).info.start == datetime(2026, 5, 3, tzinfo=UTC)


@pytest.mark.parametrize("name", ["T07_20261345.csv", "T07_120260503.csv", "T07_2026-0503.csv"])
def test_digits_that_are_no_date_date_nothing(name: str) -> None:
    assert timed(["0", "1"], name=name).info.dating == "none"


def test_a_start_line_without_a_zone_is_in_the_layouts_zone() -> None:
    text = "start: 2026-05-03 18:10:00\n" + table("0,50", "1,51")

    assert part(text, how("seconds", time_zone="Europe/Berlin")).info.start == START


def test_a_time_of_day_belongs_to_the_date_in_the_name_and_passes_midnight() -> None:
    cells = ["23:59:59.0", "23:59:59.5", "00:00:00.0", "00:00:00.5"]
    read = timed(cells, "%H:%M:%S%.f", name="T07_2026-05-03.csv")

    assert read.info.start == datetime(2026, 5, 3, 23, 59, 59, tzinfo=UTC)
    assert seconds(read) == [0, 0.5, 1, 1.5]
    assert read.info.dating == "time"


def test_a_time_of_day_without_a_date_is_undated() -> None:
    read = timed(["16:10:00", "16:10:01"], "%H:%M:%S")

    assert read.info.dating == "none"
    assert seconds(read) == [0, 1]


def test_twenty_four_o_clock_is_midnight() -> None:
    cells = ["23:59:59", "24:00:00", "00:00:01"]
    of_day = timed(cells, "%H:%M:%S", name="T07_2026-05-03.csv")
    dated = timed([f"2026-05-03 {c}" for c in cells[:2]] + ["2026-05-04 00:00:01"], "iso8601")

    assert seconds(of_day) == [0, 1, 2]
    assert seconds(dated) == [0, 1, 2]


def test_two_columns_are_joined_by_a_space() -> None:
    two = layout(time={"column": ["date", "clock"], "format": "%d.%m.%Y %H:%M:%S"}, wheel_speed="v")
    read = part("date,clock,v\n03.05.2026,16:10:00,50\n03.05.2026,16:10:01,51\n", two)

    assert read.info.start == START
    assert read.samples["file_time"][0] == "03.05.2026 16:10:00"


# ---------------------------------------------------------------- zones and clock changes

# European Union: clocks go forward at 01:00 UTC on the last Sunday of March and back at
# 01:00 UTC on the last Sunday of October (Directive 2000/84/EC): 2026-03-29, 2026-10-25.


def test_a_ride_through_the_spring_night_loses_no_hour() -> None:
    read = timed(
        ["2026-03-29 01:59:58", "2026-03-29 01:59:59", "2026-03-29 03:00:00"],
        "iso8601",
        time_zone="Europe/Berlin",
    )

    assert seconds(read) == [0, 1, 2]
    assert read.info.start == datetime(2026, 3, 29, 0, 59, 58, tzinfo=UTC)


def test_a_local_time_that_never_was_is_moved_on_and_marked() -> None:
    read = timed(
        ["2026-03-29 02:10:00", "2026-03-29 02:10:01"], "iso8601", time_zone="Europe/Berlin"
    )

    assert read.info.start == datetime(2026, 3, 29, 1, 10, tzinfo=UTC)
    assert said(read, "never were") == 2


def test_the_repeated_hour_is_decided_by_order() -> None:
    cells = ["02:59:58", "02:59:59", "02:00:00", "02:00:01"]
    read = timed([f"2026-10-25 {c}" for c in cells], "iso8601", time_zone="Europe/Berlin")

    assert seconds(read) == [0, 1, 2, 3]
    assert read.info.start == datetime(2026, 10, 25, 0, 59, 58, tzinfo=UTC)


@pytest.mark.parametrize(
    ("cells", "start"),
    [
        (["01:59:59", "02:00:00"], datetime(2026, 10, 24, 23, 59, 59, tzinfo=UTC)),
        (["02:59:59", "03:00:00"], datetime(2026, 10, 25, 1, 59, 59, tzinfo=UTC)),
    ],
    ids=["rows before it", "rows after it"],
)
def test_the_repeated_hour_is_decided_by_the_rows_around_it(cells, start) -> None:
    read = timed([f"2026-10-25 {c}" for c in cells], "iso8601", time_zone="Europe/Berlin")

    assert read.info.start == start
    assert seconds(read) == [0, 1]
    assert not said(read, "repeats")


def test_an_hour_that_cannot_be_decided_is_marked() -> None:
    read = timed(
        ["2026-10-25 02:10:00", "2026-10-25 02:10:01"], "iso8601", time_zone="Europe/Berlin"
    )

    assert said(read, "repeats") == 2


def test_a_zone_in_the_value_wins_over_the_layouts() -> None:
    read = timed(
        ["2026-05-03T16:10:00Z", "2026-05-03T16:10:01Z"], "iso8601", time_zone="Asia/Tokyo"
    )

    assert read.info.start == START


# ---------------------------------------------------------------- clocks that misbehave


def test_repeated_stamps_are_spread_evenly_and_marked() -> None:
    cells = [f"2026-05-03T16:10:{s:02d}Z" for s in range(5) for _ in range(10)]
    read = timed(cells, "iso8601")

    assert seconds(read) == pytest.approx([i / 10 for i in range(50)])
    assert said(read, "share a stamp") == 50


def test_repeated_stamps_before_a_pause_are_not_spread_over_it() -> None:
    cells = ["0", "0", "1", "1", "2", "2", "100", "100"]
    read = timed(cells)

    assert seconds(read) == [0, 0.5, 1, 1.5, 2, 2.5, 100, 100.5]


def test_rows_out_of_order_keep_their_place() -> None:
    read = timed(["1.0", "1.2", "1.1", "1.3", "1.4"])

    assert seconds(read) == pytest.approx([0, 0.2, 0.25, 0.3, 0.4])
    assert speeds(read) == [50, 51, 52, 53, 54]
    assert said(read, "out of order") == 1


def test_two_sources_whose_rows_interleave_stay_in_file_order() -> None:
    cells = [f"{x:.1f}" for i in range(40) for x in (10 + i / 10, 9 + i / 10)]
    read = timed(cells)

    assert read.info.rows == 80
    assert (read.samples["time"].diff().drop_nulls().dt.total_microseconds() >= 0).all()


def test_a_clock_set_back_by_some_seconds_squeezes_nothing() -> None:
    cells = [f"{i / 10:.1f}" for i in range(100)] + [f"{5 + i / 10:.1f}" for i in range(100)]
    read = timed(cells)

    assert seconds(read) == pytest.approx([i / 10 for i in range(200)])
    assert said(read, "set back") == 1


def test_a_step_back_of_ten_seconds_or_more_begins_a_new_part() -> None:
    cells = [str(100 + i) for i in range(30)] + [str(i) for i in range(30)]
    one, two = parts(log_of(cells), how("seconds"))

    assert (one.info.rows, two.info.rows) == (30, 30)
    assert two.info.dating == "none"


def test_after_a_counter_starts_anew_only_the_day_is_known() -> None:
    text = "# start 2026-05-03T16:10:00Z\n" + log_of(
        [str(100 + i) for i in range(30)] + [str(i) for i in range(30)]
    )
    one, two = parts(text, how("seconds"), name="T07_20260503.csv")

    assert one.info.dating == "time"
    assert (two.info.dating, two.info.start) == ("date", datetime(2026, 5, 3, tzinfo=UTC))


def test_a_single_stray_stamp_costs_its_row_only() -> None:
    cells = [f"{i / 10:.1f}" for i in range(200)]
    cells[77] = "92345.7"
    read = timed(cells)

    assert read.info.rows == 199
    assert said(read, "neither the row before nor after") == 1


# 16 bits of ms overflow at 65.5 s, 31 bits at 24.9 days, 32 bits at 49.7 days, and 32 bits
# of microseconds at 71.6 min: arithmetic.
OVERFLOWS = [
    # format, counts the register holds, microseconds a count, digits behind the point
    ("milliseconds", 2**16, 1000, 0),
    ("milliseconds", 2**31, 1000, 0),
    ("milliseconds", 2**32, 1000, 0),
    ("seconds", 2**16, 1000, 3),
    ("seconds", 2**32, 1, 6),
]


@pytest.mark.parametrize(("fmt", "register", "count_us", "digits"), OVERFLOWS)
def test_a_counter_that_overflows_counts_on(fmt, register, count_us, digits) -> None:
    row = 50_000 // count_us
    counts = [(register - 5 * row + i * row) % register for i in range(10)]
    written_us = 1000 if fmt == "milliseconds" else 1_000_000
    read = timed([f"{c * count_us / written_us:.{digits}f}" for c in counts], fmt)

    assert seconds(read) == pytest.approx([i * 0.05 for i in range(10)])
    assert said(read, "overflowed") == 1


def test_a_signed_counter_wraps_to_its_most_negative_value() -> None:
    cells = [str(v if v < 2**31 else v - 2**32) for v in range(2**31 - 250, 2**31 + 250, 50)]
    read = timed(cells, "milliseconds")

    assert seconds(read) == pytest.approx([i * 0.05 for i in range(10)])


def test_a_logger_started_anew_is_no_overflow() -> None:
    cells = [str(v) for v in (*range(60_000, 90_000, 50), *range(0, 30_000, 50))]

    assert len(parts(log_of(cells), how("milliseconds"))) == 2


@pytest.mark.parametrize(
    "wrong",
    ["1970-01-01T00:00:0{}Z", "2019-02-03T04:05:0{}Z", "2098-01-01T00:00:0{}Z"],
    ids=["1970", "an old date", "a late date"],
)
def test_a_clock_set_in_the_first_minute_counts_the_earlier_rows_back(wrong: str) -> None:
    cells = [wrong.format(s) for s in range(5)]
    cells += [f"2026-05-03T16:10:{s:02d}Z" for s in range(30)]
    read = timed(cells, "iso8601")

    assert seconds(read) == [float(i) for i in range(35)]
    assert read.info.start == datetime(2026, 5, 3, 16, 9, 55, tzinfo=UTC)
    assert read.info.dating == "time"
    assert said(read, "clock was set") == 5


def test_a_jump_of_more_than_thirty_days_later_on_begins_a_new_part() -> None:
    cells = [f"2026-02-03T16:{m:02d}:{s:02d}Z" for m in range(3) for s in range(60)]
    cells += [f"2026-05-03T16:10:{s:02d}Z" for s in range(30)]
    one, two = parts(log_of(cells), how("iso8601"))

    assert (one.info.rows, two.info.rows) == (180, 30)
    assert two.info.start == START


def test_years_before_2000_are_undated() -> None:
    read = timed([f"1980-01-06T00:00:{s:02d}Z" for s in range(30)], "iso8601")

    assert read.info.dating == "none"
    assert read.info.start == datetime(1970, 1, 1, tzinfo=UTC)
    assert said(read, "clock wrong") == 1


def test_a_ride_dated_after_its_log_was_seen_is_undated() -> None:
    text = log_of(["2026-05-03T16:10:00Z", "2026-05-03T16:10:01Z"])
    early, same = (
        part(text, how("iso8601"), first_seen=datetime(2026, 5, day, tzinfo=UTC)) for day in (1, 3)
    )

    assert early.info.dating == "none"
    assert early.info.start == datetime(1970, 1, 1, tzinfo=UTC)
    assert said(early, "clock wrong") == 1
    assert same.info.dating == "time"


# ---------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("fmt", "cells", "what"),
    [
        ("epoch_milliseconds", [str(1777824600 + i) for i in range(40)], "early 1970"),
        ("epoch_microseconds", [str(1777824600000 + i * 50) for i in range(40)], "early 1970"),
        ("epoch_seconds", ["1777824600000", "1777824600050"], "after the year 2100"),
        ("milliseconds", [f"{i * 0.05:.2f}" for i in range(40)], "apart"),
        ("seconds", [str(i * 100_000) for i in range(40)], "apart"),
        ("iso8601", ["03.05.2026 16:10:00", "03.05.2026 16:10:01"], "cannot be read"),
        (None, ["0.00", "0.05"], "cannot be read"),
        ("seconds", ["0:01", "0:02"], "cannot be read"),
        ("epoch_seconds", ["1.78E+09"] * 30, "does not move"),
        ("%d/%m/%Y %H:%M:%S", ["05/13/2026 16:10:00", "05/14/2026 16:10:01"], "cannot be read"),
    ],
)
def test_a_time_that_is_not_the_layouts_is_refused(fmt, cells, what) -> None:
    error = refusal(log_of(cells), how(fmt))

    assert what in error.what
    assert "format" in error.what_to_do or "spreadsheet" in error.what_to_do


@pytest.mark.parametrize("fmt", ["seconds", "iso8601"])
def test_a_buffer_written_twice_counts_once(fmt: str) -> None:
    ticks = [*range(100), *range(88, 100), *range(100, 200)]
    cells = [
        f"{i / 10:.1f}" if fmt == "seconds" else f"2026-05-03T16:10:{i / 10:06.3f}Z" for i in ticks
    ]
    rows = [f"{cell},{50 + i % 37}" for cell, i in zip(cells, ticks, strict=True)]
    read = part(table(*rows), how(fmt))

    assert read.info.rows == 200
    assert seconds(read) == pytest.approx([i / 10 for i in range(200)])
    assert said(read, "were there before") == 12


def test_rows_that_only_look_alike_are_no_repeats() -> None:
    read = part(table(*(f"2026-05-03 16:10:{s:02d},0" for s in range(5) for _ in range(10))),
                how("iso8601"))  # fmt: skip

    assert read.info.rows == 50


def test_a_second_session_that_begins_like_the_first_is_kept() -> None:
    rows = [f"{i / 10:.1f},{0 if i < 50 else 30 + i % 7}" for i in range(900)]
    one, two = parts(table(*rows, *rows[:700]), how("seconds"))

    assert (one.info.rows, two.info.rows) == (900, 700)


def test_a_start_line_before_2000_is_no_date() -> None:
    read = part("# start 1980-01-06T00:00:00Z\n" + log_of(["0", "1", "2"]), how("seconds"))

    assert (read.info.dating, read.info.start) == ("none", datetime(1970, 1, 1, tzinfo=UTC))
    assert said(read, "clock wrong") == 1


def test_rows_in_no_order_at_all_are_refused() -> None:
    error = refusal(log_of([str(i * 7919 % 5000) for i in range(5000)]), how("seconds"))

    assert "back and forth" in error.what


def test_rows_whose_time_cannot_be_read_are_left_out_up_to_one_in_a_hundred() -> None:
    cells = [f"{i / 10:.1f}" for i in range(200)]
    cells[50], cells[51] = "", "x"
    read = timed(cells)

    assert read.info.rows == 198
    assert said(read, "cannot be read") == 2
    cells[52] = "y"
    error = refusal(log_of(cells), how("seconds"))
    assert error.what == "1.5% of the log cannot be read"
    assert error.value == "3 of 200 rows"
    assert error.where == "T07_ride.csv, line 52: its time"


def test_month_names_of_another_language_are_refused() -> None:
    error = refusal(log_of(["03-Mai-2026 16:10:00", "03-Dez-2026 16:10:01"]), how("%d-%b-%Y %T"))

    assert '"03-Mai-2026 16:10:00"' in error.value or '"03-Dez-2026' in error.value


def test_day_numbers_with_five_decimals_are_spread_between_their_steps() -> None:
    # Five decimals of a day are steps of 0.864 s: arithmetic.
    cells = [f"{46145 + i * 0.1 / 86400:.5f}" for i in range(200)]
    read = timed(cells, "day_number")

    assert said(read, "share a stamp") > 150
    assert (read.samples["time"].diff().drop_nulls().dt.total_microseconds() > 0).all()


def test_milliseconds_lost_in_a_spreadsheet_come_back_as_even_rows() -> None:
    cells = [f"2026-05-03 16:10:{i // 10:02d}" for i in range(100)]

    assert timed(cells, "iso8601").info.row_interval_s == pytest.approx(0.1)


# ---------------------------------------------------------------- as loggers write it


def unpadded(count: int, step_ms: int) -> list[str]:
    """Seconds and milliseconds without leading zeros, as two whole numbers with a point."""
    return [f"{ms // 1000}.{ms % 1000}" for ms in range(0, count * step_ms, step_ms)]


@pytest.mark.parametrize("step_ms", [12, 20, 50])
def test_milliseconds_without_leading_zeros_are_known_by_their_pattern(step_ms: int) -> None:
    read = timed(unpadded(720, step_ms))

    assert seconds(read) == pytest.approx([i * step_ms / 1000 for i in range(720)])


def test_the_same_with_a_date() -> None:
    cells = [f"2026-05-03T16:10:{ms // 1000:02d}.{ms % 1000}Z" for ms in range(0, 18_000, 20)]
    read = timed(cells, "iso8601")

    assert read.info.start == START
    assert seconds(read) == pytest.approx([i * 0.02 for i in range(900)])


def test_decimals_without_trailing_zeros_stay_decimals() -> None:
    read = timed([f"{i / 8:g}" for i in range(400)])

    assert seconds(read) == pytest.approx([i / 8 for i in range(400)])


def test_blocks_out_of_order_invent_no_time() -> None:
    order = [i + (20 if i % 40 < 20 else -20) for i in range(400)]
    text = table(*(f"{i / 10:.1f},{50 + i % 9}" for i in order))
    read = part(text, how("seconds"))

    assert seconds(read) == pytest.approx([i / 10 for i in range(400)])
    assert speeds(read) == [50 + i % 9 for i in range(400)]
    assert said(read, "blocks out of order") == 400


def test_a_clock_that_is_set_back_again_and_again_is_refused() -> None:
    cells = [f"{i // 100 + (i % 100) * 0.018:.3f}" for i in range(1200)]
    error = refusal(log_of(cells), how("seconds"))

    assert error.what == "The time steps back again and again"


@pytest.mark.parametrize("fmt", ["seconds", "iso8601", "%H:%M:%S%.f"])
def test_newest_first_is_turned_round(fmt: str) -> None:
    written = {
        "seconds": [f"{i / 10:.1f}" for i in range(600)],
        "iso8601": [f"2026-05-03T16:10:{i / 10:04.1f}Z" for i in range(600)],
        "%H:%M:%S%.f": [f"16:10:{i / 10:04.1f}" for i in range(600)],
    }[fmt]
    text = table(*(f"{c},{50 + i % 9}" for i, c in reversed(list(enumerate(written)))))
    read = part(text, how(fmt), name="T07_20260503.csv")

    assert seconds(read) == pytest.approx([i / 10 for i in range(600)])
    assert speeds(read) == [50 + i % 9 for i in range(600)]
    assert read.samples["row"][0] == 601
    assert said(read, "the newest row comes first") == 600


def test_elapsed_hours_minutes_and_seconds_are_added_to_a_start_line() -> None:
    cells = [f"00:00:{i / 10:04.1f}" for i in range(100)]
    (read,) = parts("# start 2026-05-03T16:10:00Z\n" + log_of(cells), how("%H:%M:%S%.f"))

    assert read.info.start == START


def test_times_of_day_that_fit_no_start_line_are_refused() -> None:
    cells = [f"03:00:{i / 10:04.1f}" for i in range(100)]
    text = "# start 2026-05-03T16:10:00Z\n" + log_of(cells)

    assert "do not begin at the start" in refusal(text, how("%H:%M:%S%.f")).what


def test_digits_that_stand_together_are_not_told_apart_by_chance() -> None:
    cells = [f"{day}0126 16:10:00" for day in (1, 2, 3)]
    error = refusal(log_of(cells), how("%d%m%y %H:%M:%S"))

    assert "cannot be read in 3 of 3 rows" in error.what
    assert '"10126 16:10:00"' in error.value
    assert timed([f"0{day}0126 16:10:0{day}" for day in (1, 1)], "%d%m%y %H:%M:%S").info.rows == 2
