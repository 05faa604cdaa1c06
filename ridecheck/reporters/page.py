"""A page from its template: one file that needs nothing else and asks nothing of a network.

What comes from files and people is escaped, control characters included. The style and the one
script are allowed by their hashes; a page without its script shows everything.
"""

import base64
import hashlib
from functools import cache, partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from ridecheck.core.durations import rate, spoken
from ridecheck.core.model import RideSummary
from ridecheck.reporters import display_units, evidence, wording
from ridecheck.reporters.characters import shown

TEMPLATES = Path(__file__).parent / "templates"


def render(template: str, *, zone: str, units: str = "metric", **values: Any) -> str:
    """A page from its template, with the style and the script allowed by their hashes alone.

    zone: the clock that every instant is shown by. units: in which figures of speed and
    distance are written.
    """
    style, script = _shipped("style.css"), _shipped("page.js")
    return (
        _environment(units, zone)
        .get_template(template)
        .render(
            style=Markup(style),
            style_hash=Markup(_hash_source(style)),
            script=Markup(script),
            script_hash=Markup(_hash_source(script)),
            zone=zone,
            **values,
        )
    )


@cache
def _shipped(name: str) -> str:
    return (TEMPLATES / name).read_text("utf-8")


@cache
def _hash_source(text: str) -> str:
    """A Content-Security-Policy source that allows exactly this inline text."""
    digest = base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
    return f"'sha256-{digest}'"


@cache
def _environment(units: str, zone: str) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_harmless,
    )
    environment.filters.update(
        cause=wording.cause,
        chance=wording.chance,
        changed=wording.changed,
        check_name=wording.check_name,
        commanded=lambda commanded: wording.COMMANDED[commanded],
        count=wording.count,
        far=partial(display_units.far, units=units),
        figure=partial(display_units.figure, units=units),
        finding_text=wording.finding_text,
        label=lambda verdict: wording.VERDICT_LABELS[verdict],
        meaning=lambda verdict: wording.MEANINGS[verdict],
        minute=partial(wording.moment, zone=zone, seconds=False),
        moment=partial(wording.moment, zone=zone),
        percent=lambda share: f"{100.0 * share:.0f} %",
        rate=rate,
        reading=lambda value, unit: _reading(value, unit, units),
        refresh=_refresh,
        sentences=partial(evidence.sentences, units=units),
        spoken=spoken,
        state=lambda state: wording.STATES[state],
        suspects=wording.suspects,
        takes=evidence.takes,
        upper_first=lambda text: text[:1].upper() + text[1:],
        was=wording.was,
        words=wording.words,
        z_time=wording.z_time,
    )
    return environment


def _harmless(value: object) -> object:
    """Spell out what could steer a reader in plain text; mark-up made here passes."""
    return shown(value) if type(value) is str else value


def _reading(value: float | None, unit: str, units: str) -> str:
    """A measured figure: a time as a person says it, else with its unit; "" for blank."""
    if value is not None and unit == "s":
        return spoken(value)
    return display_units.figure(value, unit, units=units)


def _refresh(ride: RideSummary) -> str:
    """How often each channel showed a new value."""
    return ", ".join(
        f"{wording.words(name)} {rate(facts.interval_s) if facts.interval_s else 'at once'}"
        for name, facts in sorted(ride.channels.items())
    )
