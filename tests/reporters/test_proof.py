"""What people read of a repair: one record, told alike by text, page, board, JSON and CSV."""

from dataclasses import replace

import pytest
from reporters.examples import REPAIRED

from ridecheck.core.model import BeforeAfter, BikeReport, Verdict
from ridecheck.reporters.proof_json import proof_dict
from ridecheck.reporters.proof_text import proof_csv, proof_lines, proof_text
from ridecheck.reporters.proof_words import (
    board_phrase,
    first_sentence,
    met_sentence,
    more_sentence,
)


def cancels(**changes) -> BeforeAfter:
    usual = BeforeAfter(
        "uncommanded_cancels", "engaged_km", 100.0, 171.0, 3, 0, 3, 0, 16.0, 0.05, 20.0
    )
    return replace(usual, **changes)


def repaired(outcome: str, **changes):
    return replace(REPAIRED, outcome=outcome, counts=(cancels(**changes),))


def bike(repair) -> BikeReport:
    return BikeReport(
        "T07", "", "tourer", Verdict.INSPECT, None, (), "", (), None, repairs=(repair,)
    )


@pytest.mark.parametrize(
    ("repair", "said"),
    [
        (
            repaired("clean_so_far"),
            "3 uncommanded cancels in 100 km with cruise held before, "
            "none in 171 km since. If nothing had "
            "changed, so clean a stretch would come about 1 time in 20.",
        ),
        (
            repaired("clean_so_far", events_before=9),
            "9 uncommanded cancels in 3 bursts in 100 km with cruise held before, "
            "none in 171 km since. If "
            "nothing had changed, so clean a stretch would come about 1 time in 20.",
        ),
        (
            repaired("clean_so_far", km_after=10.0),
            "3 uncommanded cancels in 100 km with cruise held before, "
            "none in 10 km since. So short a clean "
            "stretch shows nothing yet.",
        ),
        (
            repaired("again", bursts_after=1, events_after=1),
            "3 uncommanded cancels in 100 km with cruise held before, "
            "1 in 171 km since. It came back: the "
            "cause is still there, or there is another.",
        ),
        (
            repaired("too_few", events_before=1, bursts_before=1),
            "1 uncommanded cancel in 100 km with cruise held before, "
            "none in 171 km since. One cancel before "
            "the repair can hardly ever be proven fixed by riding; rely on the checks.",
        ),
    ],
)
def test_the_first_sentence_says_before_since_and_what_it_is_worth(repair, said):
    assert first_sentence(repair) == said


def test_a_danger_gets_no_percentage_and_no_kilometres_to_go():
    danger = replace(repaired("danger"), dangers=("switches/brake-dead",))

    assert "no number of kilometres closes it" in first_sentence(danger)
    assert not any(c.isdigit() for c in first_sentence(danger))
    assert (more_sentence(danger), board_phrase(bike(danger))) == ("", "")


def test_clean_kilometres_to_go_are_said_alike_on_board_and_in_the_proof():
    repair = repaired("clean_so_far", km_after=62.0, more_km=48.0)

    assert (
        more_sentence(repair) == "About 48 km more with cruise held, without one, would settle it."
    )
    assert board_phrase(bike(repair)) == "repaired, 62 km of about 110 km clean"


def test_where_it_came_before_is_said_met_again_or_not():
    assert met_sentence(REPAIRED) == "Met again: bumps yes (12 min), leaning no."


def test_text_page_json_and_csv_come_from_the_same_record():
    one = bike(repaired("clean_so_far"))
    sentence = first_sentence(one.repairs[0])

    assert sentence in proof_text(one, zone="UTC")
    assert sentence in proof_lines(one, zone="UTC")
    assert proof_dict(one, ("Caution.",))["repairs"][0]["sentence"] == sentence
    assert sentence in proof_csv(one)


def test_a_bike_without_a_repair_says_how_to_note_one():
    none = replace(bike(REPAIRED), repairs=())

    assert "ridecheck note T07 repair --part PART --by NAME" in proof_text(none, zone="UTC")
