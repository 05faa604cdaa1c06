"""Each kind of evidence has one sentence, and no sentence has lost its kind."""

import ast
import string
from pathlib import Path

import pytest

import ridecheck
from ridecheck.core.model import Evidence
from ridecheck.reporters import evidence
from ridecheck.signals.cancels.latency import USUAL, Latency

PACKAGE = Path(ridecheck.__file__).parent
DERIVED = {"control", "length", "lead", "times_more", "changed", "usual"}


def written():
    """Every string written in the code that measures or traces."""
    for path in [*(PACKAGE / "signals").rglob("*.py"), *(PACKAGE / "trace").rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                yield node.value


def seen_kinds():
    """The kinds that stand in a call of ``seen`` itself."""
    for path in [*(PACKAGE / "signals").rglob("*.py"), *(PACKAGE / "trace").rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "seen":
                first = node.args[0]
                yield from [first.value] if isinstance(first, ast.Constant) else []


def test_every_kind_that_is_made_has_a_sentence():
    assert set(seen_kinds()) <= set(evidence.SENTENCES)


def test_every_sentence_is_of_a_kind_that_is_made():
    names = set(written())
    made = {kind for kind in evidence.SENTENCES if kind in names}
    spun = {kind for kind in evidence.SENTENCES if kind.removesuffix("_spun") in names}

    assert made | spun == set(evidence.SENTENCES)


@pytest.mark.parametrize("kind", evidence.SENTENCES)
def test_a_sentence_takes_figures_with_units_and_no_stop(kind):
    fields = {name for _, name, _, _ in string.Formatter().parse(evidence.SENTENCES[kind]) if name}
    units = ("_s", "_v", "_kmh", "_ms2", "_rpm", "_gear", "_percent")
    plain = {"count", "off", "pulses", "percent", "buttons", "names"} | DERIVED

    assert all(f in plain or f.endswith(units) for f in fields)
    assert not evidence.SENTENCES[kind].endswith(".")


SAID = [
    (
        Evidence("control_on", {"channel": "rear_brake", "lead_s": 0.15, "length_s": 0.1}),
        "rear brake on for 0.10 s, from 0.15 s before the cancel",
    ),
    (
        Evidence("control_on", {"channel": "roll_off", "lead_s": 0.0}),
        "throttle-closed switch on to the end of what is logged, from the row of the cancel",
    ),
    (
        Evidence("main_lamp_off", {"lead_s": -0.05}),
        "main switch lamp off from 0.05 s after the cancel",
    ),
    (
        Evidence("on_elsewhere", {"times": 1.0}),
        "the throttle-closed switch shows on once more in this ride, with the throttle open",
    ),
    (
        Evidence("speed_after", {"by_kmh": -4.26, "within_s": 2.0}),
        "speed fell by 4.3 km/h in the 2 s after",
    ),
    (
        Evidence("at_the_wrong_time", {"least_s": 0.1, "most_s": 0.15, "cancels": 5.0}),
        "ruled out by its timing: in this ride cruise disengages 0.10 to 0.15 s after an input "
        "(5 cancels)",
    ),
    (
        Evidence("at_the_wrong_time", {"least_s": 0.0, "most_s": 0.35, "cancels": 0.0}),
        "ruled out by its timing: units disengage within 0.35 s of an input",
    ),
]


@pytest.mark.parametrize(("seen", "said"), SAID)
def test_evidence_is_put_into_words(seen, said):
    assert evidence.sentence(seen) == said


def test_speeds_are_written_as_the_fleet_reads_them():
    lost = Evidence("wheel_speed_lost", {"from_kmh": 100.0, "to_kmh": 0.0})

    assert evidence.sentence(lost, "imperial") == "wheel speed fell from 62 to 0 mph at once"


def test_the_time_a_unit_takes_is_a_sentence_only_where_the_ride_shows_it():
    assert evidence.takes(Latency(USUAL, 0)) == ""
