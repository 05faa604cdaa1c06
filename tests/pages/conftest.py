from dataclasses import replace

import pytest
from pages.browser import browser
from reporters import examples
from reporters.test_trace_reports import traced

from ridecheck.core.model import Verdict
from ridecheck.reporters.html import write_pages
from ridecheck.reporters.trace_page import write_trace

HOSTILE = (
    "<img src=x onerror=alert(1)>",
    '"></svg><script>alert(2)</script>',
    "\u202egrey\u202c",
    "x" * 300,
    "=1+1",
)
"""Labels that must neither run, break out, turn, burst nor count."""


@pytest.fixture(scope="session")
def chromium():
    with browser() as one:
        yield one


@pytest.fixture(scope="session")
def fleet(tmp_path_factory):
    """Forty bikes with every verdict, with prints and a trace, as files."""
    root = tmp_path_factory.mktemp("forty")
    write_pages(examples.forty_bikes(), root)
    write_pages(
        examples.report(examples.busy_bike(), *examples.many_bikes(39).bikes), root / "busy"
    )
    write_trace(traced(), examples.CAUTIONS, root)
    return root


@pytest.fixture(scope="session")
def hostile(tmp_path_factory):
    """A fleet whose every text tries something."""
    root = tmp_path_factory.mktemp("hostile")
    held = examples.held_bike()
    bikes = []
    for n, text in enumerate(HOSTILE):
        tag = f"T{n:02d}"
        findings = tuple(
            replace(f, finding=replace(f.finding, message=text, doubt=text)) for f in held.findings
        )
        cancels = tuple(replace(c, file_time=text) for c in held.cancels)
        history = tuple(replace(h, text=text, by=text, about=text) for h in held.history)
        rides = tuple(replace(r, log=text, aliases=(text,)) for r in held.rides)
        bikes.append(
            replace(
                held,
                bike=tag,
                label=text,
                model=text,
                because=(text, text),
                verdict=list(Verdict)[n % 4],
                not_covered=(text,),
                findings=findings,
                cancels=cancels,
                history=history,
                rides=rides,
            )
        )
    aside = (examples.aside(HOSTILE[0], HOSTILE[1], HOSTILE[0], HOSTILE[3]),)
    write_pages(examples.report(*bikes, set_aside=aside), root)
    return root
