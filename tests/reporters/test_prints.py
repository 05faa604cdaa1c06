import re
from dataclasses import replace

import pytest
from reporters import examples
from reporters.pages import Page, PageChecks

from ridecheck.core.model import Verdict
from ridecheck.reporters.html import write_pages
from ridecheck.reporters.prints import tag_page, workshop_page

FLEET = examples.forty_bikes()
HOSTILE = examples.bike("T99", label=examples.HOSTILE, because=(examples.HOSTILE,))


def bike(tag):
    return next(b for b in FLEET.bikes if b.bike == tag)


def prints():
    for make in (tag_page, workshop_page):
        for name in ("T07", "T12", "T40", "T05"):
            yield pytest.param(make(FLEET, bike(name)), id=f"{make.__name__} {name}")
        yield pytest.param(make(examples.report(HOSTILE), HOSTILE), id=f"{make.__name__} hostile")


@pytest.mark.parametrize("text", [*prints()])
class TestEveryPrint(PageChecks):
    pass


@pytest.mark.parametrize("tag", ["T07", "T12", "T40", "T05"])
def test_a_key_tag_bears_no_speed_no_time_of_day_and_no_file_name(tag):
    text = Page(tag_page(FLEET, bike(tag))).text

    assert re.findall(r"\bkm/h\b|\bmph\b|\d\d:\d\d|\.csv|sha256", text) == []


def test_a_key_tag_says_what_was_found_in_words_with_checks_and_a_line_to_sign():
    text = Page(tag_page(FLEET, bike("T07"))).text

    for part in (
        "keep in",
        "Take the key off the board. Do not ride it.",
        "Cruise stays engaged while a brake is on",
        "brake lamp from each control",
        "A control that does not light the lamp: the bike stays in.",
        "Signature",
        "Data of 2026-05-12",
    ):
        assert part in text


@pytest.mark.parametrize(
    ("verdict", "reason"),
    [
        (Verdict.RELEASE, "No fault found in the log."),
        (Verdict.NO_OPINION, "The log does not say."),
    ],
)
def test_a_tag_without_a_finding_says_why_all_the_same(verdict, reason):
    one = examples.bike("T01", verdict)

    assert reason in Page(tag_page(examples.report(one), one)).text


def test_the_workshop_sheet_says_what_was_seen_how_often_what_was_not_logged_and_what_was_done():
    text = Page(workshop_page(FLEET, bike("T07"))).text

    for part in (
        "Complaint",
        "Cruise stays engaged while a brake is on danger 1 1 2026-05-12 2026-05-12",
        "throttle grip; supply voltage (too slowly).",
        "2026-05-03 repair speed sensor: plug cleaned by JK",
        "What this does not prove",
        examples.SHA[:12],
    ):
        assert part in text


def test_the_workshop_sheet_says_nothing_about_riding_style_or_rider():
    text = Page(workshop_page(FLEET, bike("T07"))).text

    assert re.findall(r"\brider\b|speed limit|\bharsh|\baggressive", text, re.I) == []


def test_pages_of_a_run_that_changed_a_verdict_are_kept(tmp_path):
    fleet = examples.report(examples.bike("T01"), examples.bike("T02"))
    write_pages(fleet, tmp_path)
    worse = examples.report(
        examples.bike("T01", Verdict.KEEP_IN, because=("dark",)), examples.bike("T02")
    )

    write_pages(worse, tmp_path)
    write_pages(worse, tmp_path)

    kept = sorted(p.name for p in (tmp_path / "archive").iterdir())
    assert kept == [f"T01-{worse.generated_at:%Y%m%dT%H%M%SZ}-keep_in.html"]
    assert "Dark" in (tmp_path / "archive" / kept[0]).read_text("utf-8")


def test_prints_of_a_bike_that_left_go(tmp_path):
    fleet = examples.report(examples.bike("T01"), examples.bike("T02"))
    write_pages(fleet, tmp_path)

    write_pages(replace(fleet, bikes=fleet.bikes[1:]), tmp_path)

    left = sorted(str(p.relative_to(tmp_path)) for p in tmp_path.rglob("T0*.html"))
    assert left == ["archive/T01.html", "bikes/T02.html", "tags/T02.html", "workshop/T02.html"]
