"""A Parquet log is read by name and by type, or refused with the reason."""

import functools
import io
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock
from decimal import Decimal

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from logs import fleet, layout, member, part, parts, refusal, seconds, speeds

from ridecheck.intake import read as reading
from ridecheck.intake.read import take_in
from ridecheck.intake.readers import parquet_log

START = datetime(2026, 5, 3, 16, 10, tzinfo=UTC)
MICROS = [1_777_824_600_000_000 + i * 50_000 for i in range(20)]
V = [50.0 + i for i in range(20)]


def packed(table: pa.Table, **options: object) -> bytes:
    sink = io.BytesIO()
    pq.write_table(table, sink, **options)
    return sink.getvalue()


def how(fmt: str | None = None, **columns: object):
    time = {"column": "t"} if fmt is None else {"column": "t", "format": fmt}
    return layout(time=time, kind="parquet", **columns)


def log(t: pa.Array, **columns: pa.Array) -> bytes:
    return packed(pa.table({"t": t, "v": pa.array(V[: len(t)]), **columns}))


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "America/New_York", "+02:00"])
def test_every_timestamp_type_gives_the_same_instants(unit: str, zone: str | None) -> None:
    per = {"s": 1_000_000, "ms": 1000, "us": 1, "ns": 1}[unit]
    counts = [(MICROS[0] + i * 1_000_000) // per for i in range(20)]
    if unit == "ns":
        counts = [c * 1000 for c in counts]
    times = pa.array(counts, type=pa.timestamp(unit, tz=zone))
    read = part(packed(pa.table({"t": times, "v": V}), version="2.6"), how())

    assert read.info.start == START
    assert seconds(read) == [float(i) for i in range(20)]
    assert read.samples["row"].to_list() == list(range(1, 21))


def test_legacy_96_bit_stamps_are_read() -> None:
    times = pa.array([m * 1000 for m in MICROS], type=pa.timestamp("ns"))
    data = packed(pa.table({"t": times, "v": V}), use_deprecated_int96_timestamps=True)

    assert part(data, how()).info.start == START


def test_a_stamp_without_a_zone_is_in_the_layouts_zone_and_one_with_is_not() -> None:
    local = pa.array([m + 7_200_000_000 for m in MICROS], type=pa.timestamp("us"))
    aware = pa.array(MICROS, type=pa.timestamp("us", tz="UTC"))
    berlin = how(file_time_zone="Europe/Berlin")

    assert part(log(local), berlin).info.start == START
    assert part(log(aware), berlin).info.start == START


@pytest.mark.parametrize(
    ("fmt", "times"),
    [
        ("epoch_nanoseconds", pa.array([m * 1000 for m in MICROS], type=pa.int64())),
        ("epoch_microseconds", pa.array(MICROS, type=pa.int64())),
        ("epoch_milliseconds", pa.array([m // 1000 for m in MICROS], type=pa.uint64())),
        ("epoch_seconds", pa.array([m / 1e6 for m in MICROS], type=pa.float64())),
        ("iso8601", pa.array([datetime.fromtimestamp(m / 1e6, UTC).isoformat() for m in MICROS])),
    ],
)
def test_plain_numbers_and_text_are_read_by_the_layouts_format(fmt: str, times: pa.Array) -> None:
    read = part(log(times), how(fmt))

    assert read.info.start == START
    assert seconds(read) == pytest.approx([i * 0.05 for i in range(20)], abs=1e-6)


def test_whole_nanoseconds_never_pass_through_a_float() -> None:
    times = pa.array([1_777_824_600_123_457_000 + i * 1_000_000 for i in range(20)])

    assert part(log(times), how("epoch_nanoseconds")).info.start.microsecond == 123_457


@pytest.mark.parametrize("fmt", ["epoch_seconds", "epoch_milliseconds"])
def test_a_32_bit_float_epoch_is_refused(fmt: str) -> None:
    times = pa.array([m / 1e6 for m in MICROS], type=pa.float32())
    error = refusal(log(times), how(fmt))

    # Next 32-bit float above 1.7778e9 is 128 further: numpy, IEEE 754.
    assert float(np.spacing(np.float32(1.7778e9))) == 128.0
    assert "too coarse" in error.what
    assert "128 s" in error.value


def test_a_32_bit_float_of_seconds_since_the_start_is_fine() -> None:
    times = pa.array([28_000 + i * 0.05 for i in range(20)], type=pa.float32())

    assert seconds(part(log(times), how("seconds"))) == pytest.approx(
        [i * 0.05 for i in range(20)], abs=0.005
    )


def test_durations_and_times_of_day_need_no_format() -> None:
    spans = pa.array([timedelta(milliseconds=50 * i) for i in range(20)], type=pa.duration("ms"))
    of_day = pa.array([clock(16, 10, i) for i in range(20)], type=pa.time64("us"))

    assert seconds(part(log(spans), how())) == pytest.approx([i * 0.05 for i in range(20)])
    assert part(log(of_day), how(), name="T07_2026-05-03.parquet").info.start == START


def test_numbers_without_a_stated_format_are_a_question_not_a_guess() -> None:
    error = refusal(log(pa.array([float(i) for i in range(20)])), how())

    assert "does not say of what" in error.what
    assert "format" in error.what_to_do


BRAKE = [False, True, None, True] * 5


@pytest.mark.parametrize(
    "cells",
    [
        pa.array(BRAKE),
        pa.array([None if b is None else int(b) for b in BRAKE], type=pa.int8()),
        pa.array([None if b is None else int(b) for b in BRAKE], type=pa.uint8()),
        pa.array([None if b is None else float(b) for b in BRAKE], type=pa.float32()),
        pa.array([None if b is None else ("ON" if b else "off") for b in BRAKE]),
        pa.array([None if b is None else ("1" if b else "0") for b in BRAKE]),
        pa.array(
            [None if b is None else ("true" if b else "false") for b in BRAKE]
        ).dictionary_encode(),
        pa.array([None if b is None else (b"on" if b else b"off") for b in BRAKE]),
        pa.array(["" if b is None else ("on" if b else "off") for b in BRAKE]),
    ],
    ids=["bool", "int8", "uint8", "float", "words", "digits", "dictionary", "bytes", "empty text"],
)
def test_switches_of_every_type_are_the_same(cells: pa.Array) -> None:
    times = pa.array(MICROS, type=pa.timestamp("us", tz="UTC"))
    read = part(log(times, fb=cells), how(front_brake="fb", wheel_speed="v"))

    assert read.samples["front_brake"].to_list() == BRAKE


@pytest.mark.parametrize(
    ("on", "off"), [("true", "false"), ("1", "0"), ("True", "False"), ("0", "1"), ("false", "true")]
)
def test_a_boolean_column_is_told_by_either_word(on: str, off: str) -> None:
    times = pa.array(MICROS, type=pa.timestamp("us", tz="UTC"))
    how_told = how(front_brake={"column": "fb", "on": [on], "off": [off]}, wheel_speed="v")
    read = part(log(times, fb=pa.array(BRAKE)), how_told)
    turned = on in {"0", "false"}

    assert read.samples["front_brake"].to_list() == [
        None if b is None else b != turned for b in BRAKE
    ]


@pytest.mark.parametrize(
    "cells",
    [
        pa.array([float("nan"), None, *V[2:]]),
        pa.array([None, float("nan"), *V[2:]], type=pa.float32()),
        pa.array([None, None, *map(int, V[2:])], type=pa.int16()),
        pa.array([None, None, *(Decimal(f"{v:.2f}") for v in V[2:])]),
        pa.array(["", "NaN", *(f"{v}" for v in V[2:])]),
        pa.array([None, None, *V[2:]], type=pa.float16()),
    ],
    ids=["double", "float", "int16", "decimal", "text", "half"],
)
def test_null_and_nan_are_both_blank(cells: pa.Array) -> None:
    times = pa.array(MICROS, type=pa.timestamp("us", tz="UTC"))
    read = part(packed(pa.table({"t": times, "v": cells})), how())

    assert speeds(read) == [None, None, *V[2:]]
    assert read.info.channels["wheel_speed"].present == 0.9


def test_a_column_of_nothing_is_blank_throughout() -> None:
    times = pa.array(MICROS, type=pa.timestamp("us", tz="UTC"))
    read = part(log(times, rpm=pa.nulls(20)), how(wheel_speed="v", engine_speed="rpm"))

    assert read.info.channels["engine_speed"].present == 0


def test_columns_are_found_by_name_whatever_their_order_or_company() -> None:
    times = pa.array(MICROS, type=pa.timestamp("us", tz="UTC"))
    other = packed(pa.table({"x": V[::-1], " v ": V, "lat": V, "t": times}))

    assert speeds(part(other, how())) == V


def test_many_row_groups_are_one_log() -> None:
    times = pa.array(MICROS, type=pa.timestamp("us", tz="UTC"))

    assert speeds(part(packed(pa.table({"t": times, "v": V}), row_group_size=3), how())) == V


def test_missing_and_doubled_columns_are_named() -> None:
    times = pa.array(MICROS, type=pa.timestamp("us", tz="UTC"))
    missing = refusal(packed(pa.table({"t": times, "speed_v": V})), how())
    doubled = refusal(packed(pa.Table.from_arrays([times, V, V], names=["t", "v", "v"])), how())

    assert missing.value == 'missing "v"'
    assert "stands more than once" in doubled.what


@pytest.mark.parametrize("keep", [4, 100, 0.5, -1])
def test_a_cut_file_has_no_footer_and_is_refused(keep: float) -> None:
    whole = log(pa.array(MICROS, type=pa.timestamp("us", tz="UTC")))
    cut = whole[: int(keep * len(whole)) if 0 < keep < 1 else int(keep)]

    assert "footer" in refusal(cut, how()).what


def test_a_damaged_page_is_refused() -> None:
    whole = bytearray(log(pa.array(MICROS, type=pa.timestamp("us", tz="UTC"))))
    whole[4:90] = bytes(86)

    assert "damaged" in refusal(bytes(whole), how()).what


def test_a_table_without_rows_is_refused() -> None:
    assert "no rows" in refusal(log(pa.array([], type=pa.timestamp("us"))), how()).what


def test_a_date_without_a_time_does_not_move() -> None:
    error = refusal(packed(pa.table({"t": [date(2026, 5, 3)] * 30, "v": [50.0] * 30})), how())

    assert "does not move" in error.what


@pytest.mark.parametrize(
    ("cells", "what"),
    [
        (pa.array([[50.0]] * 20), "lists or records"),
        (pa.array([{"x": 50.0}] * 20), "lists or records"),
        (pa.array(MICROS, type=pa.timestamp("us")), "text where numbers"),
        (pa.array([date(2026, 5, 3)] * 20), "text where numbers"),
        (pa.array([timedelta(seconds=5)] * 20), "text where numbers"),
    ],
    ids=["list", "record", "instant", "date", "duration"],
)
def test_a_column_of_another_nature_is_refused(cells: pa.Array, what: str) -> None:
    times = pa.array(MICROS, type=pa.timestamp("us", tz="UTC"))

    assert what in refusal(packed(pa.table({"t": times, "v": cells})), how()).what


def test_a_date_and_a_time_of_day_in_two_columns_are_joined() -> None:
    two = layout(time={"column": ["d", "c"]}, kind="parquet", wheel_speed="v")
    clocks = pa.array([clock(16, 10, i) for i in range(20)], type=pa.time64("us"))
    read = part(packed(pa.table({"d": [date(2026, 5, 3)] * 20, "c": clocks, "v": V})), two)

    assert read.info.start == START


def test_metadata_may_name_the_bike_and_the_start() -> None:
    table = pa.table({"t": [i * 0.05 for i in range(20)], "v": V}).replace_schema_metadata(
        {"Bike": "t09", "start": "2026-05-03T16:10:00Z"}
    )
    by_key = how("seconds", file_bike_from="column", file_bike_column="bike")
    known = fleet({"bench": how("seconds")}, T07=None, T09=None)
    keyed = fleet({"bench": by_key}, T07=None, T09=None)

    (unnamed,) = take_in(member(packed(table), "export.parquet"), known)
    (named,) = take_in(member(packed(table), "T07_export.parquet"), known)
    (stated,) = take_in(member(packed(table), "T07_export.parquet"), keyed)

    assert [p.info.bike for p in (unnamed, named, stated)] == ["T09", "T07", "T09"]
    assert unnamed.info.start == START


@pytest.mark.parametrize(
    ("kind", "wild"),
    [
        (pa.timestamp("us"), 2**62),
        (pa.timestamp("us", tz="UTC"), -(2**62)),
        (pa.timestamp("ms", tz="Europe/Berlin"), 2**61),
        (pa.date32(), 2**30),
        (pa.time64("us"), 2**62),
        (pa.time32("ms"), -5),
    ],
    ids=str,
)
def test_a_time_that_no_calendar_has_is_a_blank_row_and_the_others_are_read(kind, wild) -> None:
    per_s = {"date32[day]": 0, "time32[ms]": 1000}.get(str(kind), 1_000_000)
    per_s = 1000 if str(kind).startswith("timestamp[ms") else per_s
    counts = [i * per_s + (20_000 if kind == pa.date32() else 0) for i in range(300)]
    counts[150] = wild
    table = pa.table({"t": pa.array(counts, type=kind), "v": [50.0] * 300})

    if kind == pa.date32():  # a day alone is no time to go by
        assert "does not move" in refusal(packed(table), how()).what
    else:
        assert part(packed(table), how()).info.rows == 299


def test_a_log_of_times_that_no_calendar_has_is_refused_with_the_reason() -> None:
    wild = pa.array([2**62 + i for i in range(20)], type=pa.timestamp("us"))

    assert "time" in refusal(log(wild), how()).what


# ---------------------------------------------------------------- large ones


def test_row_groups_are_read_one_by_one_and_give_the_same(monkeypatch) -> None:
    count = 5000
    columns = {
        "t": pa.array([i / 10 for i in range(count)]),
        "v": pa.array([50.0 + i % 9 for i in range(count)]),
        "notes": pa.array(["x" * 50] * count),
    }
    buffer = io.BytesIO()
    pq.write_table(pa.table(columns), buffer, row_group_size=700)
    mapped = layout(kind="parquet", wheel_speed="v")
    (whole,) = parts(buffer.getvalue(), mapped, name="T07_x.parquet")
    read: list[tuple[int, list[str]]] = []
    sound = pq.ParquetFile.read_row_group

    def watched(self, group, columns, **more):
        read.append((group, columns))
        return sound(self, group, columns=columns, **more)

    monkeypatch.setattr(pq.ParquetFile, "read_row_group", watched)
    monkeypatch.setattr(reading, "MOST_ROWS", 1000)
    small = functools.partial(parquet_log.parquet_batches, batch_rows=1000)
    monkeypatch.setattr(reading, "parquet_batches", small)
    (one,) = parts(buffer.getvalue(), mapped, name="T07_x.parquet")

    assert one.samples.equals(whole.samples)
    assert read == [(group, ["t", "v"]) for group in range(8)]


def test_a_row_group_that_says_it_holds_too_much_is_refused_before_it_is_read(monkeypatch) -> None:
    monkeypatch.setattr(parquet_log, "MOST_CELLS", 1000)
    mapped = layout(kind="parquet", wheel_speed="v")
    table = pa.table({"t": [i / 10 for i in range(501)], "v": [50.0] * 501, "w": [0] * 501})
    monkeypatch.setattr(pq.ParquetFile, "read_row_group", None)
    buffer = io.BytesIO()
    pq.write_table(table, buffer)
    error = refusal(buffer.getvalue(), mapped, name="T07_x.parquet")

    assert error.what == "A row group of the Parquet file is too large to be read"
    assert error.value == "501 rows of 2 mapped columns, at most 1000 cells"
