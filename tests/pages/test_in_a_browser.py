"""The pages in a real browser. Not part of `make test`: `make pages-test` has what it needs."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from pages.browser import opened

KINDS = (
    *("index.html", "bikes/T07.html", "bikes/T12.html", "bikes/T40.html", "bikes/T05.html"),
    *("tags/T07.html", "workshop/T07.html", "traces/T01-20260501T080000Z.html"),
)
"""A page of every kind, and a bike of every verdict."""
WIDTHS = (390, 1024, 1440)


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("width", WIDTHS)
def test_a_page_fits_its_screen_without_sideways_scrolling(chromium, fleet, name, width):
    with opened(chromium, fleet / name, width=width) as page:
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_a_page_meets_the_guidelines_as_axe_checks_them(chromium, fleet, name, dark):
    # axe-core's rules for WCAG 2.0, 2.1 and 2.2, levels A and AA, with every fold open.
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
    with opened(chromium, fleet / name, dark=dark) as page:
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        found = Axe().run(page, options=rules).response["violations"]

        told = [(v["id"], [n["html"][:120] for n in v["nodes"][:3]]) for v in found]
        assert told == []


@pytest.mark.parametrize("name", KINDS)
def test_without_scripts_everything_is_there_and_visible(chromium, fleet, name):
    with opened(chromium, fleet / name, scripts=False) as bare:
        all_words = bare.locator("body").inner_text()
        for one in bare.locator("details > :not(summary)").all():
            assert one.is_visible()
    with opened(chromium, fleet / name) as page:
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        for sentence in page.locator("main p, main li").all_inner_texts():
            first = re.split(r"\s\d+ d\b", sentence)[0].split("\n")[0].strip()
            assert first[:60] in all_words


@pytest.mark.parametrize(
    ("name", "most"),
    [
        ("busy/index.html", 1),
        ("bikes/T05.html", 2),
        ("bikes/T07.html", 4),
        ("bikes/T12.html", 4),
        ("bikes/T40.html", 4),
        ("busy/bikes/T07.html", 4),
        ("tags/T07.html", 1),
        ("workshop/T07.html", 1),
    ],
)
def test_a_page_takes_no_more_sheets_than_promised(chromium, fleet, name, most):
    with opened(chromium, fleet / name) as page:
        pdf = page.pdf(prefer_css_page_size=True)

        assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= most


def test_forty_bikes_are_seen_at_once_on_a_desk(chromium, fleet):
    with opened(chromium, fleet / "busy" / "index.html", width=1440, height=1100) as page:
        rows = page.locator("tr.bike").all()

        assert len(rows) == 40
        assert max(r.bounding_box()["y"] + r.bounding_box()["height"] for r in rows) <= 1100


@pytest.mark.parametrize("name", ["index.html", *(f"bikes/T0{n}.html" for n in range(5))])
def test_hostile_labels_run_nothing_and_break_out_of_nothing(chromium, hostile, name):
    with opened(chromium, hostile / name, width=390) as page:
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")

        assert page.locator("img").count() == 0
        assert page.locator("script").count() == 1
        assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_a_hostile_label_on_a_tag_and_a_sheet_runs_nothing_either(chromium, hostile):
    for folder in ("tags", "workshop"):
        for n in range(5):
            with opened(chromium, hostile / folder / f"T0{n}.html") as page:
                assert page.locator("img").count() == 0


def test_the_board_is_filtered_by_what_is_typed(chromium, fleet):
    with opened(chromium, fleet / "index.html") as page:
        page.get_by_label("Find").fill("short pulse")

        assert page.locator("tr.bike:visible").count() == 1
        assert page.locator("#found").inner_text() == "1 of 40 bikes"
        assert page.locator("section.release").is_hidden()


def test_the_board_is_sorted_within_its_verdicts(chromium, fleet):
    with opened(chromium, fleet / "busy" / "index.html") as page:
        before = page.locator("table.board").first.locator("tr.bike").all_inner_texts()
        page.get_by_label("Order").select_option("uncommanded")
        numbers = page.eval_on_selector_all(
            "table.released tr.bike", "rows => rows.map(r => +r.dataset.uncommanded)"
        )
        page.get_by_label("Order").select_option("")

        assert numbers == sorted(numbers, reverse=True)
        assert len(set(numbers)) > 1
        assert page.locator("table.board").first.locator("tr.bike").all_inner_texts() == before


def test_the_board_says_how_old_the_data_are_today(chromium, fleet):
    with opened(chromium, fleet / "index.html") as page:
        told = page.locator("tr.bike .age").first.inner_text()
        today = page.evaluate("Math.floor((Date.now() - Date.parse('2026-05-12T14:03:11Z'))/864e5)")

        assert told == f"{max(today, 0)} d"


def test_a_drawing_is_read_with_the_keyboard_alone(chromium, fleet):
    with opened(chromium, fleet / "bikes" / "T07.html") as page:
        strip = page.locator("figure.strip").first
        strip.focus()
        page.keyboard.press("Home")
        at_zero = strip.locator("output").inner_text()
        page.keyboard.press("Shift+ArrowLeft")
        before = strip.locator("output").inner_text()

        assert at_zero.startswith("0.00 s: wheel speed about 96 km/h")
        assert "front brake on" in at_zero
        assert "front brake off" in before


def test_a_drawing_follows_the_pointer(chromium, fleet):
    with opened(chromium, fleet / "bikes" / "T07.html") as page:
        plot = page.locator("figure.strip").first.locator(".plot").first
        plot.scroll_into_view_if_needed()
        box = plot.bounding_box()
        page.mouse.move(box["x"] + box["width"] * 0.9, box["y"] + 5)

        told = page.locator("figure.strip").first.locator("output").inner_text()
        assert "front brake blank" in told
        assert "cruise engaged off" in told


def test_folds_are_shut_until_asked_for_and_open_by_key(chromium, fleet):
    with opened(chromium, fleet / "bikes" / "T07.html") as page:
        cancel = page.locator("details.cancel").first
        assert not cancel.locator("figure").is_visible()

        cancel.locator("summary").focus()
        page.keyboard.press("Enter")

        assert cancel.locator("figure").is_visible()


def test_the_board_leads_to_a_bike_and_back_with_the_keyboard(chromium, fleet):
    with opened(chromium, fleet / "index.html") as page:
        hrefs = page.eval_on_selector_all("tr.bike th > a", "all => all.map(a => a.href)")

        assert len(hrefs) == 40
        assert all(h.startswith(fleet.as_uri()) for h in hrefs)
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "To the content"


@pytest.mark.parametrize("name", ["bikes/T07.html", "traces/T01-20260501T080000Z.html"])
def test_the_words_of_a_drawing_keep_their_size_on_a_phone(chromium, fleet, name):
    sizes = []
    for width in (390, 1440):
        with opened(chromium, fleet / name, width=width) as page:
            text = page.locator("figure.strip .row .name:visible").first
            sizes.append(text.evaluate("e => parseFloat(getComputedStyle(e).fontSize)"))

    assert sizes[0] >= sizes[1] >= 11.0


def test_a_released_bike_and_a_kept_one_differ_without_colour(chromium, fleet):
    weights = {}
    for name in ("T05", "T07"):
        with opened(chromium, fleet / "bikes" / f"{name}.html") as page:
            word = page.locator(".decision .word")
            weights[name] = (
                word.evaluate("e => getComputedStyle(e).borderTopWidth"),
                word.evaluate("e => getComputedStyle(e).textTransform"),
            )

    assert weights["T05"] != weights["T07"]
