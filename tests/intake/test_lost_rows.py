"""What could not be read of a log: counted, set aside above one in a hundred, never cleared."""

import gzip

import pytest
from folders import HELD_ON, Folder, day, log_text, rows_of, verdicts
from logs import fleet, layout, member, table

from ridecheck.batch.run import exit_code
from ridecheck.intake.read import Reading

ROWS = [f"{i / 10:.1f},{50 + i % 7}" for i in range(400)]


def read(text: str | bytes, how=None) -> Reading:
    """A log, read to its end."""
    reading = Reading(member(text), fleet({"bench": how or layout()}))
    list(reading.parts())
    return reading


def lines(folder: Folder, **plan) -> list[str]:
    return log_text(rows_of(**plan), day(1)).splitlines()


HALF = 1040
"""The middle row of the ride of folders.CLEAN."""


# ------------------------------------------------------------------------- what is counted


@pytest.mark.parametrize(
    ("damaged", "value", "where"),
    [
        (lambda r: r + ",1", "5 of 400 rows", "line 102: 3 fields, the header has 2"),
        (lambda r: r.partition(",")[0], "5 of 400 rows", "line 102: 1 fields, the header has 2"),
        (lambda r: r + "\0", "5 of 400 rows", "line 102: NUL bytes"),
        (lambda r: 'x"' + r, "5 of 400 rows", "line 102: a quote that is never closed"),
        (lambda r: "?" + r, "5 of 400 rows", "line 102: its time"),
    ],
    ids=["one column more", "one fewer", "NUL bytes", "a stray quote", "no time"],
)
def test_five_rows_of_four_hundred_set_the_log_aside_with_counts_and_the_first(
    damaged, value, where
) -> None:
    rows = [damaged(r) if 100 <= i < 105 else r for i, r in enumerate(ROWS)]
    reading = read(table(*rows))

    assert reading.problem is not None
    assert reading.problem.what.endswith("of the log cannot be read")
    assert reading.problem.value == value
    assert reading.problem.where == f"T07_ride.csv, {where}"


def test_four_rows_of_four_hundred_do_not_and_are_counted() -> None:
    rows = [r + ",1" if 100 <= i < 104 else r for i, r in enumerate(ROWS)]
    reading = read(table(*rows))

    assert reading.problem is None
    assert reading.left_out == 4


def test_what_never_held_a_sample_is_not_counted() -> None:
    odd = ["# lap 2", "", "t,v"]
    reading = read(table(*ROWS[:200], *odd * 20, *ROWS[200:]) + "\0" * 4096)

    assert reading.problem is None
    assert reading.left_out == 0


def test_a_block_of_nul_bytes_between_rows_is_as_many_rows_as_it_is_long() -> None:
    text = table(*ROWS)
    at = len(text) // 2
    reading = read(text[:at] + "\0" * 300 + text[at + 300 :])

    assert reading.problem is not None
    assert 8 < float(reading.problem.what.split("%")[0]) < 14


def test_one_lost_byte_of_utf_16_counts_by_the_bytes_it_costs() -> None:
    text = table(*ROWS).encode("utf-16")
    lost = text[: len(text) // 2] + text[len(text) // 2 + 1 :]
    reading = read(lost)

    assert reading.problem is not None
    assert 40 < float(reading.problem.what.split("%")[0]) < 80


def test_words_that_are_neither_on_nor_off_are_counted_as_other_text_is() -> None:
    how = layout(wheel_speed="v", front_brake={"column": "b", "on": ["1"], "off": ["0"]})
    rows = [f"{r},{'E' if i % 50 == 0 else i % 2}" for i, r in enumerate(ROWS)]
    reading = read(table(*rows, header="t,v,b"), how)

    assert reading.problem is not None
    assert reading.problem.value == '"E"; 8 of 400 cells'


def test_a_packed_log_that_is_cut_is_read_and_does_not_count(tmp_path) -> None:
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    packed = gzip.compress("\n".join(lines(folder)).encode())
    (folder.root / "inbox/T01_second.csv.gz").write_bytes(packed[: len(packed) * 3 // 4])
    outcome = folder.screen()

    assert verdicts(outcome) == {"T01": "no_opinion"}
    assert [log.what for log in outcome.report.set_aside] == ["The log is not whole"]


# ----------------------------------------------------------------------- through to the verdict


def wider(ls: list[str]) -> list[str]:
    return ls[:HALF] + [f"{x},7" for x in ls[HALF:]]


DAMAGE = {
    "one column more from the middle on": wider,
    "one column fewer from the middle on": lambda ls: (
        ls[:HALF] + [x.rpartition(",")[0] for x in ls[HALF:]]
    ),
    "no front brake but a sign in one cell of forty": lambda ls: [
        ls[0],
        *(x if i % 40 else _with_cell(ls[0], x, "front_brake", "E") for i, x in enumerate(ls[1:])),
    ],
    "oops in one speed of forty": lambda ls: [
        ls[0],
        *(
            x if i % 40 else _with_cell(ls[0], x, "wheel_speed", "oops")
            for i, x in enumerate(ls[1:])
        ),
    ],
}


def _with_cell(header: str, line: str, name: str, cell: str) -> str:
    cells = line.split(",")
    cells[header.split(",").index(name)] = cell
    return ",".join(cells)


def screened(tmp_path, damage, **plan):
    """A sound ride, and a second one damaged; what is said of the bike."""
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    text = "\n".join(damage(lines(folder, **plan))) + "\n"
    folder.write("inbox/T01_second.csv", text)
    return folder.screen()


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_a_danger_in_the_rows_that_were_read_holds_the_bike(tmp_path, damage) -> None:
    outcome = screened(tmp_path, damage, **HELD_ON)

    assert verdicts(outcome) == {"T01": "keep_in"}
    assert "seen on a log that could be read only in part" in outcome.report.bikes[0].because[0]
    assert len(outcome.report.set_aside) == 1


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_a_ride_read_in_part_clears_nothing_and_does_not_count(tmp_path, damage) -> None:
    outcome = screened(tmp_path, damage)

    assert verdicts(outcome) == {"T01": "no_opinion"}
    assert exit_code(outcome) == 3


def test_a_danger_in_the_rows_that_were_lost_leaves_no_opinion(tmp_path) -> None:
    outcome = screened(tmp_path, lambda ls: ls[:600] + [x + ",7" for x in ls[600:]], **HELD_ON)

    assert verdicts(outcome) == {"T01": "no_opinion"}


def test_below_the_limit_the_board_says_so_beside_the_release(tmp_path) -> None:
    damage = lambda ls: [x + ",7" if i in (700, 900) else x for i, x in enumerate(ls)]  # noqa: E731
    outcome = screened(tmp_path, damage)
    (bike,) = outcome.report.bikes

    assert bike.verdict.value == "release"
    assert bike.because == (
        "2 rows of 1 ride could not be read: the newest in T01-20260505T080000Z",
    )


def test_the_sound_log_under_the_same_name_takes_its_place(tmp_path) -> None:
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    sound = lines(folder)
    folder.write(
        "inbox/T01_second.csv", "\n".join([*sound[:HALF], *map("{},7".format, sound[HALF:])])
    )
    before = folder.screen()
    folder.write("inbox/T01_second.csv", log_text(rows_of(), day(1)))
    after = folder.screen()

    assert (verdicts(before), verdicts(after)) == ({"T01": "no_opinion"}, {"T01": "release"})
    assert [len(b.rides) for b in after.report.bikes] == [2]


def test_a_second_run_reads_it_no_more(tmp_path) -> None:
    folder = Folder(tmp_path / "fleet")
    folder.write(
        "inbox/T01_one.csv",
        "\n".join([*(ls := lines(folder))[:HALF], *(x + ",7" for x in ls[HALF:])]),
    )
    first, second = folder.screen(), folder.screen()

    assert (first.rides_judged, second.rides_judged, second.known) == (1, 0, 1)
    assert verdicts(first) == verdicts(second) == {"T01": "no_opinion"}
