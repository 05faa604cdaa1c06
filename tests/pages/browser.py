"""A real browser for the tests of pages: Debian's Chromium, driven through Playwright."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = os.environ.get("RIDECHECK_CHROMIUM", "/usr/bin/chromium")
QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
"""Without these the browser looks for hosts of its own; the pages are held to ask for none."""


@contextlib.contextmanager
def browser() -> Iterator[Browser]:
    """One browser for all tests of a run."""
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        yield chromium
        chromium.close()


@contextlib.contextmanager
def opened(
    chromium: Browser,
    path: Path,
    *,
    width: int = 1440,
    height: int = 1100,
    dark: bool = False,
    scripts: bool = True,
) -> Iterator[Page]:
    """A page from its file; afterwards it must have asked for nothing and thrown nothing."""
    context = chromium.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if dark else "light",
        java_script_enabled=scripts,
    )
    page = context.new_page()
    asked, wrong = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
    page.on("dialog", lambda dialog: wrong.append(dialog.message))
    page.goto(path.as_uri())
    yield page
    assert asked == [path.as_uri()], "a page asks for nothing but itself"
    assert wrong == [], "a page raises no error, no dialog, no violation of its policy"
    context.close()
