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
        self.elements, self.words, self.style, self.unbalanced, self._open = [], [], "", [], []
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
        else:
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())

    def all(self, tag):
        return [attrs for name, attrs in self.elements if name == tag]


class PageChecks:
    """Promises of every page; the text comes from whoever inherits them."""

    def test_is_well_formed(self, text):
        assert Page(text).unbalanced == []

    def test_asks_nothing_of_a_network_and_runs_nothing(self, text):
        page = Page(text)

        tags = {tag for tag, _ in page.elements}
        assert not tags & {"script", "img", "iframe", "link", "object", "embed", "form", "base"}
        assert not [a for _, attrs in page.elements for a in attrs if a.startswith("on")]
        assert not [a for _, attrs in page.elements for a in attrs if a == "style"]
        assert "url(" not in page.style
        assert "@import" not in page.style
        for link in page.all("a"):
            assert re.fullmatch(r"#\w+|(\.\./index|bikes/[A-Za-z0-9_-]+)\.html", link["href"])

    def test_allows_its_own_style_by_hash_and_nothing_else(self, text):
        page = Page(text)
        policy = next(m["content"] for m in page.all("meta") if "http-equiv" in m)

        digest = base64.b64encode(hashlib.sha256(page.style.encode()).digest()).decode()
        assert policy == (
            f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
        )

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

    def test_uses_no_word_that_promises_more_than_a_log_can(self, text):
        promising = re.compile(r"\b(safe|safely|roadworthy|certified|approved|fit to ride)\b", re.I)

        assert promising.findall(Page(text).text) == []
