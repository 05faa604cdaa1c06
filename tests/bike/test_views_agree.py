"""Trace and board never say different things, over a seeded part of the grammar of defects.

The whole grammar is ridden by `python tests/studies/blind_spots.py`.
"""

from collections import Counter
from datetime import UTC, datetime
from functools import cache

import numpy as np
import pytest

from ridecheck.bike.context import Context
from ridecheck.bike.verdict import assess
from ridecheck.core.model import BikeReport, RideResult, Settings, SpeedSignal, Verdict
from ridecheck.ride.judge import judge_ride
from ridecheck.rules import all_rules
from ridecheck.simulate.grammar import Defect, drawn, kinds
from ridecheck.simulate.library import LOGGERS, MODELS, PLANS, RIDERS, at_rate
from ridecheck.simulate.parts import part_of
from ridecheck.simulate.ride import simulate_ride
from ridecheck.simulate.spec import BikeSpec, RidePlan

MODEL = MODELS["touring-triple-five"]
BIKE = BikeSpec("B1", MODEL, at_rate(LOGGERS["bench-20hz"], 10.0))
PLAN = RidePlan(datetime(2026, 5, 3, 9, 0, tzinfo=UTC), PLANS["proving-loop"], RIDERS["steady"])
OFTEN = {"length_s": 0.5, "share": 0.1, "occasion": "cruise"}


def some_of_the_grammar() -> list[Defect]:
    """Defects that end cruise again and again, and some drawn by lot."""
    rng = np.random.default_rng(18)
    every = list(kinds())
    lot = [drawn(*every[i], rng) for i in rng.choice(len(every), 3, replace=False)]
    return [
        Defect("wheel_speed", "lost", "sensor", **OFTEN),
        Defect("engine_speed", "lost", "sensor", **OFTEN),
        Defect("front_brake", "bouncing", "sensor", **OFTEN),
        Defect("rear_brake", "stuck-on", "unit", **OFTEN),
        *lot,
    ]


@cache
def judged(defect: Defect) -> tuple[RideResult, BikeReport]:
    """One ride with the defect, and what is said of the bike after it."""
    settings = Settings(
        "touring-triple-five", MODEL.drivetrain, SpeedSignal("driven_wheel", reading_stated=True)
    )
    result = judge_ride([part_of(simulate_ride(BIKE, PLAN, 3, defect=defect))], settings)
    report = assess([result], Context(bike="B1"), as_of=result.end, rules=all_rules())
    return result, report


@pytest.mark.parametrize("defect", some_of_the_grammar(), ids=lambda d: f"{d.side} {d.channel}")
class TestOverTheGrammar:
    def test_three_uncommanded_cancels_of_one_logged_cause_are_at_least_inspect(self, defect):
        result, report = judged(defect)
        causes = Counter(c.cause for c in result.cancels if c.commanded is False)
        causes.pop("unexplained", None)

        if max(causes.values(), default=0) >= 3:
            assert report.verdict in (Verdict.KEEP_IN, Verdict.INSPECT)

    def test_every_signal_lost_of_trace_is_evidence_for_a_rule(self, defect):
        result, _ = judged(defect)
        lost = [c for c in result.cancels if c.cause == "signal_lost" and c.commanded is False]

        for cancel in lost:
            near = [f for f in result.findings if f.start_s - 1.0 <= cancel.t_s <= f.end_s + 1.0]
            assert near, cancel


def test_the_part_of_the_grammar_ends_cruise_often_enough_to_say_something():
    counts = [
        sum(c.commanded is False and c.cause != "unexplained" for c in judged(d)[0].cancels)
        for d in some_of_the_grammar()
    ]

    assert sum(n >= 3 for n in counts) >= 2, counts
