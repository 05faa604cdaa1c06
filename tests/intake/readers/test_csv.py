"""A CSV log is read rightly, or refused with the reason and the line."""

import pytest
from logs import layout, part, parts, refusal, said, seconds, speeds, table

TEN = [f"{i / 10:.1f},{50 + i}" for i in range(10)]


def lines(count: int) -> list[str]:
    return [f"{i / 10:.1f},{50 + i % 7}" for i in range(count)]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
def test_lines_may_end_in_any_of_the_three_ways(end: str) -> None:
    read = part(table(*TEN, end=end))

    assert speeds(read) == [50.0 + i for i in range(10)]
    assert read.samples["row"].to_list() == list(range(2, 12))


def test_line_ends_may_be_mixed() -> None:
    read = part("t,v\r\n0.0,50\n0.1,51\r0.2,52\r\n0.3,53\n")

    assert speeds(read) == [50, 51, 52, 53]
    assert read.samples["row"].to_list() == [2, 3, 4, 5]


@pytest.mark.parametrize(
    ("separator", "decimal"),
    [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", ".")],
)
def test_the_separator_is_found_by_the_header(separator: str, decimal: str) -> None:
    text = "t,v,rpm\n0.0,50.5,3000\n0.1,51.5,3010\n".replace(",", separator).replace(".", decimal)
    how = layout(wheel_speed="v", engine_speed="rpm", file_decimal=decimal)

    assert speeds(part(text, how)) == [50.5, 51.5]


def test_auto_never_takes_spaces_for_a_separator() -> None:
    error = refusal("t v\n0.0 50\n0.1 51\n")

    assert "not in the file" in error.what


def test_several_spaces_separate_where_the_layout_says_so() -> None:
    read = part("  t     v\n  0.0   50\n  0.1   51\n", layout(file_separator="spaces"))

    assert speeds(read) == [50, 51]


def test_a_tab_log_is_not_read_by_a_layout_that_says_comma() -> None:
    error = refusal("t\tv\n0.0\t50\n", layout(file_separator=","))

    assert '"t"' in error.value
    assert '"v"' in error.value


def test_a_decimal_comma_with_a_comma_between_columns_is_refused() -> None:
    error = refusal("t,v\n0,0,50,5\n", layout(file_decimal=","))

    assert "look alike" in error.what
    assert "line 1" in error.where


def test_a_fraction_of_a_second_may_have_the_decimal_comma_too() -> None:
    how = layout(
        time={"column": "t", "format": "%d.%m.%Y %H:%M:%S%.f"}, wheel_speed="v", file_decimal=","
    )
    read = part("t;v\n03.05.2026 16:10:00,25;50,5\n03.05.2026 16:10:00,50;51,5\n", how)

    assert seconds(read) == [0, 0.25]
    assert speeds(read) == [50.5, 51.5]


@pytest.mark.parametrize(
    ("encode", "stated"),
    [
        (lambda s: b"\xef\xbb\xbf" + s.encode(), "utf-8"),
        (lambda s: b"\xff\xfe" + s.encode("utf-16-le"), "utf-8"),
        (lambda s: b"\xfe\xff" + s.encode("utf-16-be"), "utf-8"),
        (lambda s: s.encode("utf-16-le"), "utf-16-le"),
        (lambda s: s.encode("cp1252"), "cp1252"),
    ],
    ids=["UTF-8 mark", "UTF-16 LE mark", "UTF-16 BE mark", "UTF-16 LE stated", "Windows-1252"],
)
def test_a_byte_order_mark_overrides_the_stated_encoding(encode, stated: str) -> None:
    how = layout(wheel_speed="v", air_temperature="Luft [°C]", file_encoding=stated)
    read = part(encode("t,v,Luft [°C]\n0.0,50,21\n0.1,51,-4\n"), how)

    assert read.samples["air_temperature"].to_list() == [21, -4]


def test_an_encoding_that_is_not_stated_hurts_only_the_names_that_need_it() -> None:
    data = "t,v,Luft [°C]\n0.0,50,21\n0.1,51,22\n".encode("cp1252")

    assert speeds(part(data)) == [50, 51]
    error = refusal(data, layout(wheel_speed="v", air_temperature="Luft [°C]"))
    assert "Luft [°C]" in error.value


def test_a_preamble_is_passed_over_and_its_start_is_used() -> None:
    text = "Logger seven, firmware 2.1\nrider,none\n\nstart 2026-05-03T16:10:00Z\n" + table(*TEN)
    read = part(text)

    assert read.info.start.isoformat() == "2026-05-03T16:10:00+00:00"
    assert read.info.start_from == "preamble"
    assert read.samples["row"][0] == 6


def test_lines_before_skip_lines_are_no_header_even_if_they_look_like_one() -> None:
    read = part("t,v\n1,2\nt,v\n0.0,50\n0.1,51\n", layout(file_skip_lines=2))

    assert speeds(read) == [50, 51]


def test_comments_and_blank_lines_are_skipped_and_counted() -> None:
    read = part(table("0.0,50", "# lap 1", "", "0.1,51", "   ", "#", "0.2,52"))

    assert speeds(read) == [50, 51, 52]
    assert read.samples["row"].to_list() == [2, 5, 8]
    assert said(read, "starting with #") == 2
    assert said(read, "blank lines") == 2


@pytest.mark.parametrize("stated", [True, False])
def test_a_units_row_is_no_sample(stated: bool) -> None:
    read = part(table("s,km/h", *TEN), layout(file_units_row=stated))

    assert speeds(read)[0] == 50
    assert read.samples["row"][0] == 3


def test_a_first_sample_is_not_taken_for_the_units_row_the_layout_promises() -> None:
    read = part(table(*TEN), layout(file_units_row=True))

    assert read.info.rows == 10


def test_units_with_blanks_for_switches_are_no_sample() -> None:
    how = layout(wheel_speed="v", front_brake="fb", engine_speed="rpm")
    read = part("t,v,fb,rpm\ns,km/h,,rpm\n0.0,50,0,3000\n0.1,51,1,3010\n", how)

    assert read.samples["front_brake"].to_list() == [False, True]


def test_a_repeated_header_and_its_units_row_are_no_samples() -> None:
    read = part(table("s,km/h", "0.0,50", "0.1,51", "t,v", "s,km/h", "0.2,52", "0.3,53"))

    assert speeds(read) == [50, 51, 52, 53]
    assert read.samples["row"].to_list() == [3, 4, 7, 8]
    assert said(read, "header line") == 1
    assert said(read, "units row") == 1


def test_a_repeated_header_where_the_time_starts_anew_begins_a_part() -> None:
    one, two = parts(table("0.0,50", "0.1,51", "0.2,51", "t,v", "0.0,70", "0.1,71"))

    assert speeds(one) == [50, 51, 51]
    assert speeds(two) == [70, 71]
    assert (one.info.stem[-2:], two.info.stem[-2:]) == ("-1", "-2")


def test_a_footer_is_no_sample() -> None:
    read = part(table(*lines(300), "average,53", "rows 300", "max;56;;;"))

    assert read.info.rows == 300
    assert said(read, "number of fields") == said(read, "lines of words") == 1
    assert said(read, "cannot be read") == 1


def test_rows_with_another_number_of_fields_are_left_out_and_counted() -> None:
    how = layout(wheel_speed="v", engine_speed="rpm")
    text = "t,v,rpm\n0.0,50,3000\n0.1,51\n0.2,52,3020,9\n0.3,53,3030\n0.4,3040\n0.5,55,3050\n"
    read = part(text, how)

    assert speeds(read) == [50, 53, 55]
    assert read.samples["row"].to_list() == [2, 5, 7]
    assert said(read, "number of fields") == 3


def test_a_short_and_a_long_row_do_not_make_up_for_each_other() -> None:
    how = layout(wheel_speed="v", engine_speed="rpm")
    read = part("t,v,rpm\n0.0,50,3000\n0.1,51\n0.2,52,3020,9\n0.3,53,3030\n", how)

    assert speeds(read) == [50, 53]


@pytest.mark.parametrize(
    ("header", "tail"),
    [("t,v", ","), ("t,v,", ","), ("t,v,", "")],
    ids=["rows only", "header and rows", "header only"],
)
def test_a_trailing_separator_shifts_nothing(header: str, tail: str) -> None:
    read = part(table(*(line + tail for line in TEN), header=header))

    assert speeds(read) == [50.0 + i for i in range(10)]
    assert not read.info.notes or said(read, "number of fields") == 0


def test_a_trailing_separator_on_a_few_rows_only_leaves_those_out() -> None:
    read = part(table(*TEN[:5], TEN[5] + ",", *TEN[6:]))

    assert read.info.rows == 9
    assert said(read, "number of fields") == 1


def test_quoted_fields_may_hold_separators_quotes_and_line_breaks() -> None:
    how = layout(wheel_speed="v", engine_speed="rpm")
    text = (
        '"t","note","v","rpm"\n0.0,"a, b","50",3000\n0.1,"say ""hi""",51,3010\n'
        '0.2,"two\nlines",52,3020\n"0.3",plain,"53",3030\n'
    )
    read = part(text, how)

    assert speeds(read) == [50, 51, 52, 53]
    assert read.samples["row"].to_list() == [2, 3, 4, 6]


def test_a_stray_quote_costs_its_own_row_only() -> None:
    text = table(*lines(60), '6.0,"50', *(f"{6.1 + i / 10:.1f},51" for i in range(200)))
    read = part(text)

    assert read.info.rows == 260
    assert said(read, "never closed") == 1


def test_rows_that_touch_nul_bytes_are_left_out() -> None:
    data = table(*TEN).encode().replace(b"0.5,55", b"0.\0\0,55") + b"\0" * 4096
    read = part(data)

    assert read.info.rows == 9
    assert said(read, "rows with NUL") == said(read, "stretches of NUL") == 1
    assert read.info.left_out == 1


@pytest.mark.parametrize(
    ("last", "rows"),
    [("1.0,60.5", 11), ("1.0", 10), ("1.0,60", 10), ("1.0,", 10), ("1.0,60.", 10)],
    ids=["whole", "a field short", "decimals missing", "nothing", "cut at the point"],
)
def test_a_last_line_without_its_end_is_used_only_if_complete(last: str, rows: int) -> None:
    text = table(*(f"{i / 10:.1f},{50 + i}.5" for i in range(10))) + last

    assert part(text).info.rows == rows


def test_mapped_names_are_compared_without_blanks_and_quotes_but_with_case() -> None:
    read = part('" t ", v \n0.0, 50\n0.1,51 \n')
    error = refusal("T,V\n0.0,50\n")

    assert speeds(read) == [50, 51]
    assert '"t"' in error.value
    assert 'nearest to "t": "T"' in error.what_to_do


def test_a_mapped_name_met_twice_is_refused() -> None:
    error = refusal("t,v,v\n0.0,50,51\n")

    assert '"v" stands more than once' in error.what
    assert "columns 2, 3" in error.value


def test_blank_and_unmapped_double_names_are_ignored() -> None:
    read = part("t,,x,v,x,\n0.0,1,2,50,3,4\n0.1,1,2,51,3,4\n")

    assert speeds(read) == [50, 51]


def test_a_missing_column_is_named_with_the_nearest_and_the_line() -> None:
    how = layout(wheel_speed="Speed [km/h]")
    error = refusal("device,x\nt,Speed (km/h),rpm\n0.0,50,3000\n", how)

    assert error.value == 'missing "Speed [km/h]"'
    assert "line 2" in error.where
    assert 'nearest to "Speed [km/h]": "Speed (km/h)"' in error.what_to_do


def test_an_optional_column_may_be_absent() -> None:
    how = layout(wheel_speed="v", rear_brake={"column": "rb", "optional": True})
    read = part(table(*TEN), how)

    assert "rear_brake" not in read.samples.columns
    assert "rear_brake" not in read.info.channels


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"t,v\n", "a header but no rows"),
        (b"t,v", "a header but no rows"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256)) * 8, "no text"),
        (bytes(range(1, 256)) * 20, "no text"),
        (b"\n\n\n", "not in the file"),
        (b"hello\n", "not in the file"),
    ],
    ids=["header only", "header without end", "picture", "bytes", "blank lines", "no table"],
)
def test_what_is_no_log_is_refused(data: bytes, what: str) -> None:
    assert what in refusal(data).what


def test_a_header_further_down_than_a_preamble_ever_reaches_is_not_searched_for() -> None:
    error = refusal("x,y\n" * 5000 + table(*TEN))

    assert "not in the file" in error.what


def test_the_fast_and_the_careful_path_read_the_same() -> None:
    how = layout(wheel_speed="v", engine_speed="rpm", gear="g", front_brake="fb")
    rows = [f"{i * 0.05:.2f},{50 + i * 0.1:.1f},{3000 + i},{i % 6},{i % 2}" for i in range(400)]
    plain = table(*rows, header="t,v,rpm,g,fb")
    careful = plain + "\n"
    fast, slow = part(plain, how), part(careful, how)

    assert fast.samples.equals(slow.samples)
    assert fast.info.rows_sha256 == slow.info.rows_sha256


def test_a_file_that_ends_where_a_spreadsheet_does_says_so(monkeypatch) -> None:
    monkeypatch.setattr("ridecheck.intake.readers.csv_log.SHEET_LINES", 11)

    assert said(part(table(*TEN)), "as many as a spreadsheet holds") == 1
    assert not said(part(table(*TEN, "1.0,60")), "as many as a spreadsheet holds")


def test_event_rows_between_samples_are_left_out_and_a_marker_column_is_kept() -> None:
    how = layout(wheel_speed="v", marker="m")
    read = part("t,v,m\n0.0,50,\n0.05,lap\n0.1,51,x\n# marker\n0.2,52,\n", how)

    assert read.samples["marker"].to_list() == [False, True, False]
    assert said(read, "number of fields") == 1


def test_a_first_row_with_fewer_fields_is_left_out_like_any_other() -> None:
    read = part("t,v,x,\n1;2,3|4\n0.0,50,1,\n0.1,51,1,\n0.2,52,1,,\n0.3,53,1,\n")

    assert speeds(read) == [50, 51, 53]


def test_a_line_of_megabytes_is_left_out_unread() -> None:
    read = part(table("0.0,50", "0.1,51", "9," * 800_000, "0.2,52"))

    assert speeds(read) == [50, 51, 52]
    assert said(read, "number of fields") == 1
