"""What a person reads at a glance is read, and what is not a number is not made one."""

import pytest
from logs import layout, part, refusal, said, speeds, table


def of(cells: list[str], **keys: object) -> list[float | None]:
    """Wheel speed of a log with these cells, semicolons between."""
    rows = [f"{i / 10:.1f};{cell}" for i, cell in enumerate(cells)]
    return speeds(part(table(*rows, header="t;v"), _how(**keys)))


def _how(**keys: object):
    file = {k: v for k, v in keys.items() if k.startswith("file_")}
    column = {k: v for k, v in keys.items() if not k.startswith("file_")}
    return layout(wheel_speed={"column": "v", **column}, **file)


@pytest.mark.parametrize(
    ("cells", "keys", "values"),
    [
        (["8,0", "80", "81"], {"file_thousands": ","}, [None, 80.0, 81.0]),
        (["1,5", "80", "81"], {"file_thousands": ","}, [None, 80.0, 81.0]),
        (["50 km/h", "51km/h", "52 kph"], {}, [50.0, 51.0, 52.0]),
        (["50 mph", "51", "52"], {}, [None, 51.0, 52.0]),
        (["50 mph", "51 mph", "52"], {"unit": "mph"}, [80.467, 82.077, 83.686]),
        (["0x32", "0x33", "52"], {}, [50.0, 51.0, 52.0]),
        (["'50'", "'51'", "52"], {}, [50.0, 51.0, 52.0]),
        (["---", "?", "52"], {}, [None, None, 52.0]),
        (["#DIV/0!", "nil", "52"], {}, [None, None, 52.0]),
        (["n.a.", "--.-", "52"], {}, [None, None, 52.0]),
    ],
)
def test_cells_are_what_a_person_reads(cells, keys, values) -> None:
    assert of(cells, **keys) == values


def test_thousands_group_by_three() -> None:
    how = layout(engine_speed="n", file_thousands=",", file_separator=";")
    rows = ["0.0;1,050", "0.1;12,500", "0.2;950", "0.3;1,05", "0.4;10,50.0"]
    values = part(table(*rows, header="t;n"), how).samples["engine_speed"].to_list()

    assert values == [1050.0, 12500.0, 950.0, None, None]


def test_a_minus_sign_of_its_own_is_a_minus() -> None:
    how = layout(air_temperature="a")
    values = part(table("0.0,\u22125", "0.1,-4", header="t,a"), how).samples["air_temperature"]

    assert values.to_list() == [-5.0, -4.0]


def test_odd_words_for_no_value_are_counted_and_named() -> None:
    read = part(table("0.0,---", "0.1,---", "0.2,50"))

    assert said(read, 'wheel_speed: "---" read as no value') == 2


@pytest.mark.parametrize(
    ("header", "name"),
    [
        ('t,"Speed\n(km/h)"', "Speed (km/h)"),
        ('t,"Speed\n(km/h)"', "Speed\n(km/h)"),
        ("t,Re\u0301gime", "R\u00e9gime"),
        ("t,R\u00e9gime", "Re\u0301gime"),
        ("t,\u200bspeed\ufeff", "speed"),
    ],
    ids=["line break", "line break in the layout too", "two marks", "one mark", "no width"],
)
def test_names_are_the_same_however_they_are_put_together(header: str, name: str) -> None:
    assert speeds(part(table("0.0,50", "0.1,51", header=header), layout(wheel_speed=name))) == [
        50,
        51,
    ]


def test_an_unnamed_column_that_counts_the_rows_is_no_column_of_the_header() -> None:
    rows = [f"{i},{i / 10:.1f},{50 + i}" for i in range(20)]

    assert speeds(part(table(*rows)))[:3] == [50.0, 51.0, 52.0]


def test_a_long_preamble_is_skipped_where_the_layout_says_so() -> None:
    text = "".join(f"set-up {i}\n" for i in range(600)) + table("0.0,50", "0.1,51")
    how = layout(wheel_speed="v", file_skip_lines=600)

    assert speeds(part(text, how)) == [50.0, 51.0]
    assert "t" in refusal(text).value


def test_lines_of_words_between_rows_are_skipped_counted_and_set_nothing_aside() -> None:
    rows = [f"{i / 10:.1f},{50 + i % 5}" for i in range(100)]
    odd = ["end of block", "*** lap 2 ***", "Session started 10:32 am"]
    read = part(table(*rows[:30], odd[0], *rows[30:60], odd[1], *rows[60:], odd[2]))

    assert (read.info.rows, read.info.left_out, read.info.partly) == (100, 0, False)
    assert said(read, "lines of words between rows skipped") == 3


def test_a_raised_one_is_no_number_and_ends_nothing() -> None:
    rows = [f"{i / 10:.1f},{50 + i}" for i in range(150)] + ["15.0,\u00b9"]

    assert speeds(part(table(*rows)))[-1] is None
