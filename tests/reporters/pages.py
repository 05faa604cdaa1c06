"""What every page must keep, and a page taken apart to look."""

import base64
import hashlib
import re
from html.parser import HTMLParser

from reporters import examples

VOID = {"meta", "br", "link", "img", "hr", "input"}


class Page(HTMLParser):
    """A page taken apart: elements with attributes, visible text, faults in nesting."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.words, self.unbalanced, self._open = [], [], [], []
        self.style = self.script = ""
        self.feed(text)
        self.close()
        self.unbalanced += self._open

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag):
        if not self._open or self._open.pop() != tag:
            self.unbalanced.append(tag)

    def handle_data(self, data):
        if self._open and self._open[-1] == "style":
            self.style += data
        elif self._open and self._open[-1] == "script":
            self.script += data
        else:
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())

    def all(self, tag):
        return [attrs for name, attrs in self.elements if name == tag]


def hash_of(text):
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return f"'sha256-{digest}'"


class PageChecks:
    """Promises of every page; the text comes from whoever inherits them."""

    def test_is_well_formed(self, text):
        assert Page(text).unbalanced == []

    def test_asks_nothing_of_a_network(self, text):
        page = Page(text)

        tags = [tag for tag, _ in page.elements]
        assert not {*tags} & {"img", "iframe", "link", "object", "embed", "form", "base", "image"}
        assert not [a for _, attrs in page.elements for a in attrs if a.startswith("on")]
        assert not [a for _, attrs in page.elements for a in attrs if a == "style"]
        assert not [a for _, attrs in page.elements for a in attrs if a in ("src", "xlink:href")]
        assert "url(" not in page.style
        assert "@import" not in page.style
        asking = r"\b(?:fetch|XMLHttpRequest|import|eval|WebSocket|sendBeacon|innerHTML)\b"
        assert re.findall(asking, page.script) == []
        for link in page.all("a"):
            assert re.fullmatch(
                r"#[\w-]+|(\.\./)?(index|(bikes|tags|workshop|traces)/[A-Za-z0-9_-]+)\.html",
                link["href"],
            )

    def test_allows_its_own_style_and_script_by_hash_and_nothing_else(self, text):
        page = Page(text)
        policy = next(m["content"] for m in page.all("meta") if "http-equiv" in m)

        assert policy == (
            f"default-src 'none'; style-src {hash_of(page.style)}; "
            f"script-src {hash_of(page.script)}; base-uri 'none'; form-action 'none'"
        )
        assert [tag for tag, _ in page.elements].count("script") == 1

    def test_has_the_title_of_the_report(self, text):
        assert re.search(r"<title>(.*)</title>", text)[1].startswith(
            "Ride-log plausibility report: "
        )

    def test_shows_every_caution(self, text):
        told = Page(text).text

        for sentence in examples.CAUTIONS:
            assert told.count(sentence) == 1

    def test_holds_no_control_character(self, text):
        assert not [c for c in text if c != "\n" and not c.isprintable()]

    def test_can_be_read_by_a_screen_reader(self, text):
        page = Page(text)

        assert page.all("html")[0]["lang"] == "en"
        assert len(page.all("h1")) == 1
        assert all("scope" in cell for cell in page.all("th"))
        ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
        assert len(ids) == len(set(ids))
        labels = [a["aria-labelledby"] for _, a in page.elements if "aria-labelledby" in a]
        assert set(labels) <= set(ids)
        shown = [a for tag, a in page.elements if tag == "svg" and "aria-hidden" not in a]
        assert all(a.get("aria-label") for a in shown if a.get("role") == "img")
        assert all(a.get("role") == "img" for a in shown if a.get("class") == "spark")

    def test_opens_every_fold_so_that_a_page_without_its_script_shows_everything(self, text):
        page = Page(text)

        assert all("open" in attrs for attrs in page.all("details"))

    def test_uses_no_word_that_promises_more_than_a_log_can(self, text):
        promising = re.compile(r"\b(safe|safely|roadworthy|certified|approved|fit to ride)\b", re.I)

        assert promising.findall(Page(text).text) == []
