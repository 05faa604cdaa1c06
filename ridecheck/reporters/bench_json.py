"""A bench plan and a bench reading for programs."""

from collections.abc import Sequence
from typing import Any

from ridecheck.reporters.bench_words import CAUTIONS, fact_sentence, left_out
from ridecheck.reporters.wording import rounded, z_time
from ridecheck.trace.bench.records import BenchReading, ControlRead, Step

SCHEMA = "ridecheck-bench/1"


def plan_dict(steps: Sequence[Step], bike: str) -> dict[str, Any]:
    """The sequence as plain values."""
    return {
        "schema": SCHEMA,
        "cautions": list(CAUTIONS),
        "bike": bike,
        "steps": [_step(s) for s in steps],
    }


def reading_dict(reading: BenchReading) -> dict[str, Any]:
    """A reading as plain values."""
    return {
        "schema": SCHEMA,
        "cautions": list(CAUTIONS),
        "bike": reading.bike,
        "model": reading.model,
        "parts": [{"log": p.log, "sha256": p.sha256, "part": p.part} for p in reading.parts],
        "start": z_time(reading.start),
        "duration_s": rounded(reading.duration_s, "s"),
        "moving_s": rounded(reading.moving_s, "s"),
        "controls": [_control(c) for c in reading.controls],
        "steps": [_step(s) for s in reading.steps],
        "done": list(reading.done),
        "not_seen": [s.id for s in left_out(reading)],
        "checks": [
            {"check": c.check, "result": c.result, "channels": list(c.channels), "uses": c.uses}
            for c in reading.checks
        ],
    }


def _step(step: Step) -> dict[str, Any]:
    return {
        "id": step.id,
        "title": step.title,
        "do": step.do,
        "must": step.must,
        "times": step.times,
        "minutes": step.minutes,
        "check": step.check,
        "channels": list(step.channels),
        "suspect": step.suspect,
    }


def _control(control: ControlRead) -> dict[str, Any]:
    return {
        "channel": control.channel,
        "state": control.state.value,
        "uses": control.uses,
        "shortest_s": rounded(control.shortest_s, "s"),
        "median_s": rounded(control.median_s, "s"),
        "unseen_s": rounded(control.unseen_s, "s"),
        "facts": [
            {
                "kind": f.kind,
                "fault": f.fault,
                "value": rounded(f.value, ""),
                "other": f.other,
                "at_s": rounded(f.at_s, "s"),
                "times": f.times,
                "sentence": fact_sentence(f),
            }
            for f in control.facts
        ],
    }
