from dataclasses import replace
from datetime import timedelta

import pytest
from reporters import examples
from rich.cells import cell_len

from ridecheck.core.model import Suspect, Verdict
from ridecheck.reporters import wording
from ridecheck.reporters.terminal import board, cautions, rides_line, unpainted, wrapped

FIRST = "40 bikes: 1 keep in, 3 inspect, 5 no opinion, 31 release; 2 logs not read"


def test_the_first_line_counts_bikes_by_verdict_and_logs_not_read():
    first = board(examples.forty_bikes()).splitlines()[0]

    assert first == FIRST


def test_one_bike_and_one_log_are_not_called_bikes_and_logs():
    fleet = examples.report(
        examples.bike("T01"), set_aside=(examples.aside("a.csv", "empty", "", ""),)
    )

    first = board(fleet).splitlines()[0]

    assert first == "1 bike: 0 keep in, 0 inspect, 0 no opinion, 1 release; 1 log not read"


@pytest.mark.parametrize("options", [{}, {"ascii_only": True}])
def test_no_line_is_wider_than_eighty_columns(options):
    long = examples.bike(
        "A" * 32,
        Verdict.INSPECT,
        because=("漢" * 90 + " and then " + "x" * 200,),
    )
    fleet = examples.forty_bikes()
    fleet = replace(
        fleet,
        fleet="F" * 120,
        bikes=(*fleet.bikes, long, examples.bike("B" * 32), examples.bike("C" * 32)),
        set_aside=(examples.aside("d" * 250 + ".csv", "no time column", "line 1", "v" * 90),),
    )

    text = board(fleet, today=examples.NEWEST + timedelta(days=400), **options)

    widest = max(cell_len(line) for line in text.splitlines())
    assert widest <= 80


def test_bikes_stand_by_urgency_and_newly_changed_ones_first():
    lines = board(examples.forty_bikes()).splitlines()

    tags = [line.split()[0] for line in lines if line.startswith("T") and " " in line]
    assert tags == ["T07", "T03", "T12", "T29", "T18", "T19", "T20", "T21", "T40"]


def test_every_bike_that_is_no_release_shows_word_reason_and_action():
    text = " ".join(board(examples.forty_bikes()).split())

    assert (
        "T07 keep in (was release) Cruise stayed engaged for 1.9 s with the front brake on at 96 "
        "km/h, longest allowed 0.55 s (12 May 2026 14:03:11 UTC). -> Take the key off the board. "
        "Do not ride it."
    ) in text
    assert "T21 no opinion: check by hand No ride. -> Not judged. Do the walk-round." in text


def test_a_bike_with_suspects_names_the_likeliest_and_the_check_to_do_first():
    told = " ".join(board(examples.report(examples.held_bike())).split())

    assert (
        "Suspect: front brake switch 71 %. First check: brake lamp from each control, about 1 min."
        in told
    )


@pytest.mark.parametrize(
    ("shares", "told"),
    [
        ([], ""),
        ([0.97], "Suspect: supply 97 %."),
        ([0.9, 0.05], "Suspect: supply 90 %."),
        ([0.49, 0.48, 0.03], "Suspects: supply 49 %, control unit 48 %."),
        ([0.999], "Suspect: supply over 99 %."),
    ],
)
def test_a_second_suspect_is_named_where_it_is_nearly_as_likely(shares, told):
    parts = ["supply", "control_unit", "actuator"]
    suspects = tuple(Suspect(p, s) for p, s in zip(parts, shares, strict=False))
    bike = examples.bike("H01", suspects=suspects, next_checks=())

    assert wording.suspects(bike) == told


def test_releases_fold_to_one_run_of_tags_with_what_stands_beside_the_word():
    lines = board(examples.forty_bikes()).splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("release (log only): "))

    folded = lines[start : start + 2]
    tags = " ".join(folded).split(": ", 1)[1].split()
    assert len(tags) == 31
    assert lines[start + 2 : start + 5] == [
        "      T05 release; seen once: cancel with no logged cause at 96 km/h",
        "      T08 T09 release; not covered: engages by itself (buttons not logged)",
        "      -> Do the walk-round as always.",
    ]


def test_a_bike_released_anew_tells_what_it_was():
    fleet = examples.report(examples.bike("T01", previous_verdict=Verdict.KEEP_IN))

    assert "release (log only): T01 (was keep in)" in board(fleet)


@pytest.mark.parametrize(
    ("age_days", "first"),
    [
        (14.0, FIRST),
        (14.1, "Newest data 14 days old. 40 bikes: 1 keep in, 3 inspect, 5 no opinion, 31"),
        (200.0, "Newest data 200 days old. 40 bikes: 1 keep in, 3 inspect, 5 no opinion, 31"),
    ],
)
def test_old_data_are_told_before_anything_else(age_days, first):
    today = examples.NEWEST + timedelta(days=age_days)

    told = board(examples.forty_bikes(), today=today, data_max_age_days=14.0).splitlines()[0]

    assert told == first


def test_without_colour_there_is_no_escape_and_with_it_only_emphasis():
    fleet = examples.forty_bikes()

    plain, painted = board(fleet), board(fleet, colour=True)

    assert "\x1b" not in plain
    assert "\x1b[1;31mkeep in\x1b[0m" in painted
    assert unpainted(painted) == plain


def test_text_from_files_cannot_steer_the_terminal():
    fleet = examples.report(
        examples.bike("T01", Verdict.INSPECT, because=(examples.HOSTILE,)),
        set_aside=(examples.aside("a\x1b]0;x\x07\r\n.csv", "empty\u202e", "", "\x9b2J"),),
    )

    text = board(fleet)

    assert not [c for c in text if c != "\n" and not c.isprintable()]
    assert "a\\x1b]0;x\\x07\\r\\n.csv: empty\\u202e: (\\x9b2J)" in " ".join(text.split())


def test_an_ascii_console_gets_ascii():
    fleet = examples.report(
        examples.bike("T01", Verdict.INSPECT, because=("Número 7 – 92 °C, 漢",))
    )

    text = board(fleet, ascii_only=True)

    assert text.isascii()
    assert "Numero 7 - 92 " in text


def test_cautions_come_once_at_the_end():
    text = " ".join(board(examples.forty_bikes()).split())

    for sentence in examples.CAUTIONS:
        assert text.count(sentence) == 1
    assert text.endswith(examples.CAUTIONS[-1])


def test_the_cautions_stand_alone_too():
    assert "- Keep in means not ridden at all, not even to the workshop." in cautions(
        examples.CAUTIONS
    )


def test_an_empty_fleet_has_a_board_too():
    first, second = board(examples.report()).splitlines()[:2]

    assert first == "0 bikes: 0 keep in, 0 inspect, 0 no opinion, 0 release; 0 logs not read"
    assert second == "Hollow Hill Tours, no dated ride"


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("", ["-"]),
        ("a b", ["- a b"]),
        ("abcdefgh ij", ["- abcdefgh", "  ij"]),
        ("abcdefghijk", ["- abcdefgh", "  ijk"]),
        ("漢漢漢漢漢", ["- 漢漢漢漢", "  漢"]),
    ],
)
def test_wrapping_counts_wide_characters_as_two(text, lines):
    assert wrapped(text, first="- ", rest="  ", width=10) == lines


def test_a_wide_terminal_draws_the_last_rides_beside_a_bike():
    fleet = examples.many_bikes(7, rides=3)
    bike = next(b for b in fleet.bikes if b.verdict is Verdict.KEEP_IN)

    narrow, wide = (board(fleet, columns=n).splitlines() for n in (80, 120))

    head = next(line for line in wide if line.startswith(bike.bike))
    assert head.startswith(next(line for line in narrow if line.startswith(bike.bike)))
    assert head[82:] == rides_line(bike)
    assert max(cell_len(line) for line in wide) <= 102
    assert max(cell_len(line) for line in narrow) <= 80


@pytest.mark.parametrize(
    ("commanded", "counts", "line"),
    [
        ([], True, "·"),
        ([True], True, "▁"),
        ([True] * 3 + [None], True, "▄"),
        ([True, False], True, "▂!"),
        ([True] * 40, True, "█"),
        ([False], False, "x!"),
    ],
)
def test_a_ride_is_as_high_as_its_cancels_and_marked_where_some_were_uncommanded(
    commanded, counts, line
):
    bike = examples.bike("T01")
    ride = replace(bike.rides[0], counts=counts)
    cancels = tuple(examples.cancel("T01", ride=ride.ride, commanded=c) for c in commanded)

    assert rides_line(replace(bike, rides=(ride,), cancels=cancels)) == line


def test_an_ascii_console_draws_rides_as_figures():
    fleet = examples.report(examples.held_bike())

    text = board(fleet, columns=120, ascii_only=True)

    assert text.isascii()
    assert "  3!" in text
