import os
import re
from dataclasses import replace
from datetime import timedelta

import pytest
from reporters import examples
from reporters.pages import Page, PageChecks

from ridecheck.core.model import Coverage, Happened, Severity, State, Trend, Verdict
from ridecheck.reporters.html import bike_page, index_page, write_pages


def pages():
    fleet = examples.forty_bikes()
    told = {b.bike: b for b in fleet.bikes}
    hostile = examples.bike("T99", label=examples.HOSTILE, because=(examples.HOSTILE,))
    return [
        pytest.param(index_page(fleet), id="board"),
        pytest.param(index_page(examples.report()), id="board of no bike"),
        pytest.param(bike_page(fleet, told["T07"]), id="kept in"),
        pytest.param(bike_page(fleet, told["T40"]), id="undated"),
        pytest.param(bike_page(fleet, told["T21"]), id="no ride"),
        pytest.param(bike_page(fleet, told["T05"]), id="released"),
        pytest.param(bike_page(fleet, hostile), id="hostile label"),
    ]


@pytest.mark.parametrize("text", pages())
class TestEveryPage(PageChecks):
    pass


def test_the_board_starts_with_the_tally_and_lists_by_urgency():
    page = Page(index_page(examples.forty_bikes()))

    assert "40 bikes: 1 keep in, 3 inspect, 5 no opinion, 31 release; 2 logs not read" in page.text
    links = [a["href"] for a in page.all("a") if a["href"].startswith("bikes/")]
    assert links[:5] == [f"bikes/{t}.html" for t in ("T07", "T03", "T12", "T29", "T18")]
    assert len(links) == 40


def test_the_board_names_the_likeliest_part_and_the_check_to_do_first():
    page = index_page(examples.report(examples.held_bike()))

    assert "Suspect: front brake switch 71 %. First check: brake lamp from each control" in page


def test_the_board_lists_logs_not_read_with_what_to_do():
    told = Page(index_page(examples.forty_bikes())).text

    assert (
        "scan 0001.csv this is a picture, not a table first bytes (PNG) compare the file with its "
        "layout"
    ) in told


def test_the_board_shows_what_stands_beside_a_release():
    told = Page(index_page(examples.forty_bikes())).text

    assert "T05 : seen once: cancel with no logged cause at 96 km/h" in told
    assert "T08, T09 : not covered: engages by itself (buttons not logged)" in told


def test_a_kept_in_bike_says_so_in_words_with_action_and_evidence():
    fleet = examples.forty_bikes()

    told = Page(bike_page(fleet, examples.held_bike())).text

    assert told.startswith("Ride-log plausibility report: T07")
    for part in (
        "keep in was release do not ride, not even to the workshop Take the key off the board.",
        "danger Cruise stayed engaged for 1.90 s with the front brake on",
        "Measured 1.90 s, limit 0.55 s. Seen once, newest 2026-05-12 15:03:11",
        "front brake switch 71 %",
        "24 % is left for something not listed, or no fault",
        "A control that does not light the lamp: the bike stays in.",
        "1 commanded, 1 uncommanded, 1 undetermined",
        "Commanded: rear brake 1.",
        "2026-05-12 15:03:11.250 front brake uncommanded 104.3 km/h, gear 5, re-engaged at once",
        "9 of them with cruise off. Not logged: throttle-closed switch.",
        "Row 57830, log time 14:03:11.25.",
        "all times Europe/Lisbon",
        examples.SHA,
    ):
        assert part in told


def test_what_was_not_assessed_stands_apart_and_never_reads_ok():
    text = bike_page(examples.forty_bikes(), examples.held_bike())
    apart = text[text.index('This is not "ok"') : text.index("Judged: beside")]

    assert "throttle_grip is not logged" in apart
    assert "not assessed: the program failed here" in apart
    assert ">ok<" not in apart


@pytest.mark.parametrize("state", [State.NOT_ASSESSED, State.ERROR])
def test_a_bike_of_which_nothing_was_judged_shows_no_ok(state):
    bike = examples.bike(
        "T01", Verdict.NO_OPINION, coverage=(Coverage("speed/jumps", state, "blank", 0.0, 0),)
    )

    text = bike_page(examples.report(bike), bike)

    assert ">ok<" not in text
    assert 'class="word no_opinion">no opinion: check by hand<' in text


def test_an_undated_ride_reads_date_unknown():
    fleet = examples.forty_bikes()
    undated = next(b for b in fleet.bikes if b.bike == "T40")

    told = Page(bike_page(fleet, undated)).text

    assert "1 ride, 1 ride with the date unknown" in told
    assert "fault open date unknown 12 s into the ride, for 1.50 s clock stands at 1970" in told


def test_markup_in_a_label_is_text():
    bike = examples.bike("T01", label=examples.HOSTILE)

    text = bike_page(examples.report(bike), bike)

    assert text.count("<script") == 1  # the page's own
    assert "&lt;script&gt;alert(1)&lt;/script&gt;\\x1b[31m\\u202e" in text


def test_findings_of_one_rule_are_told_once_with_how_often_and_the_worst():
    found = [
        examples.finding(
            "T01",
            "speed/jumps",
            f"jump {n}",
            measured=float(n),
            limit=1.0,
            unit="km/h",
            start=examples.NEWEST + timedelta(seconds=n),
        )
        for n in (3, 9, 5)
    ]
    heavy = examples.finding("T01", "switches/brake-dead", "dark", severity=Severity.DANGER)
    bike = examples.bike("T01", Verdict.KEEP_IN, findings=(*found, heavy))

    text = bike_page(examples.report(bike), bike)

    top = Page(text[text.index("What was found") : text.index("Sign-off</h2>")]).text
    assert top.index("Dark") < top.index("Jump 9")
    assert "Seen 3 times in 1 ride, newest 2026-05-12 15:03:20" in top
    assert "Measured 9.0 km/h, limit 1.0 km/h" in top
    assert "Jump 3" not in top


def test_long_tables_are_cut_and_say_so():
    many = tuple(
        examples.finding("T01", "speed/jumps", f"jump {n}", start=examples.NEWEST + timedelta(n))
        for n in range(250)
    )
    bike = examples.bike("T01", Verdict.INSPECT, findings=many)

    told = Page(bike_page(examples.report(bike), bike)).text

    assert "The first 200 of 250; report.json holds them all" in told


def test_a_full_page_cuts_nothing():
    many = tuple(
        examples.finding("T01", "speed/jumps", f"jump {n}", start=examples.NEWEST + timedelta(n))
        for n in range(250)
    )
    bike = examples.bike("T01", Verdict.INSPECT, findings=many)

    text = bike_page(examples.report(bike), bike, full=True)

    assert {f"jump {n}" for n in range(250)} <= set(re.findall(r"jump \d+", text))


def channel(value):
    value /= 255
    return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4


def luminance(colour):
    digits = colour.lstrip("#")
    digits = "".join(2 * d for d in digits) if len(digits) == 3 else digits
    red, green, blue = (channel(int(digits[i : i + 2], 16)) for i in (0, 2, 4))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_as_computed_here_matches_the_standard_extremes():
    # WCAG 2.2, definition of contrast ratio: black on white is 21:1.
    assert contrast("#000", "#fff") == pytest.approx(21.0)


@pytest.mark.outside
@pytest.mark.parametrize("number", [0, 1, 2], ids=["light", "dark", "print"])
def test_text_stands_out_from_its_ground_by_the_ratio_of_the_standard(number):
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1 for text of normal size.
    style = Page(index_page(examples.report())).style
    blocks = re.findall(r":root \{(.*?)\}", style, re.S)
    colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6})", blocks[number]))

    pairs = [(ink, "paper") for ink in ("ink", "soft", "link", "keep", "look", "none", "free")]
    pairs += [(ink, f"{ink}-ground") for ink in ("keep", "look", "none", "free")]
    pairs += [("ink", f"{ground}-ground") for ground in ("keep", "look", "none", "free")]
    pairs += [("link", "free-ground"), ("ink", "raised"), ("soft", "keep-ground")]
    weak = {p: round(contrast(*(colours[c] for c in p)), 2) for p in pairs}
    assert {p: r for p, r in weak.items() if r < 4.5} == {}


def test_pages_are_written_with_the_users_rights_and_nothing_is_left_over(tmp_path):
    before = os.umask(0o027)
    try:
        write_pages(examples.forty_bikes(), tmp_path)
    finally:
        os.umask(before)

    written = sorted(str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*") if p.is_file())
    bikes = [f"bikes/T{n:02d}.html" for n in range(1, 41)]
    prints = [f"{folder}/T{n:02d}.html" for folder in ("tags", "workshop") for n in range(1, 41)]
    assert written == sorted([*bikes, "index.html", "report.json", *prints])
    assert (tmp_path / "index.html").stat().st_mode & 0o777 == 0o640


def test_the_same_report_gives_the_same_pages(tmp_path):
    fleet = examples.forty_bikes()
    write_pages(fleet, tmp_path / "a")
    write_pages(replace(fleet, bikes=fleet.bikes[::-1]), tmp_path / "b")

    for page in (tmp_path / "a").rglob("*.*"):
        assert page.read_bytes() == (tmp_path / "b" / page.relative_to(tmp_path / "a")).read_bytes()


def test_the_page_of_a_bike_that_left_moves_to_the_archive(tmp_path):
    fleet = examples.forty_bikes()
    write_pages(fleet, tmp_path)

    write_pages(replace(fleet, bikes=fleet.bikes[1:]), tmp_path)

    assert not (tmp_path / "bikes" / "T01.html").exists()
    assert "T01" in (tmp_path / "archive" / "T01.html").read_text("utf-8")


def test_a_page_that_cannot_be_put_in_place_leaves_the_old_one(tmp_path, monkeypatch):
    fleet = examples.forty_bikes()
    write_pages(fleet, tmp_path)
    before = (tmp_path / "index.html").read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="No space left"):
        write_pages(replace(fleet, fleet="Another name"), tmp_path)

    assert (tmp_path / "index.html").read_bytes() == before
    assert not [p for p in tmp_path.rglob(".*") if p.is_file()]


def test_a_cancel_links_to_the_strip_charts_of_its_ride_once_they_are_written():
    bike = examples.held_bike()
    ride = next(c.ride for c in bike.cancels if c.commanded is not True)
    link = f'<a href="../traces/{ride}.html">'

    assert link in bike_page(examples.forty_bikes(), bike, traced=frozenset({ride}))
    assert link not in bike_page(examples.forty_bikes(), bike)


def test_the_box_and_the_list_count_the_same_findings():
    first = examples.bike("T01").rides[0]
    old = replace(first, ride="T01-old", counts=False)
    found = (
        examples.finding("T01", "speed/jumps", "jump"),
        _of_ride(examples.finding("T01", "speed/jumps", "jump of old"), "T01-old"),
        _of_ride(
            examples.finding("T01", "switches/brake-dead", "dark", severity=Severity.DANGER),
            "T01-old",
        ),
    )
    bike = examples.bike("T01", Verdict.KEEP_IN, rides=(first, old), findings=found)

    text = bike_page(examples.report(bike), bike)
    top = Page(text[text.index("What was found") : text.index("Sign-off</h2>")]).text

    assert "Jump " in top
    assert "Dark" in top
    assert "times" not in top
    assert "jump of old" in text  # under "All findings"


def _of_ride(item, ride):
    return replace(item, finding=replace(item.finding, ride=ride, id=f"{ride}-{item.finding.id}"))


def test_speed_over_a_whole_ride_is_drawn_on_a_full_page_alone():
    bike = examples.bike("T01")

    for full, times in ((False, 0), (True, 1)):
        text = bike_page(examples.report(bike), bike, full=full)
        whole = text[text.index(">Whole rides<") : text.index(">Controls in")]
        assert whole.count('data-name="wheel speed" data-unit') == times


def test_trends_run_along_the_history_with_repairs_marked():
    days = [examples.NEWEST - timedelta(days=d) for d in range(6)]
    rides = tuple(examples.ride("T01", start=d) for d in days)
    values = tuple((r.ride, 13.0 + n / 10.0) for n, r in enumerate(rides))
    bike = examples.bike(
        "T01",
        rides=rides,
        history=(Happened(days[3], "repair", "supply", "earth cleaned", "shop"),),
        trends=(Trend("supply", "V", values, 13.2, 13.5, "rising", None),),
    )

    text = bike_page(examples.report(bike), bike)
    history = text[text.index(">History<") : text.index(">Whole rides<")]

    assert 'data-name="supply" data-unit="V"' in history
    assert ">repair supply</text>" in history
    assert "earth cleaned" in history
