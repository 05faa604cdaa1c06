"""How long a unit takes to disengage, learnt from rows, and which inputs that rules out."""

import numpy as np
import pytest
from rides import part_from, ride_from, settings_from

from ridecheck.core.model import Span
from ridecheck.signals import cancels
from ridecheck.signals.cancels import latency
from ridecheck.trace import trace_ride

SETS_AGAIN = ["100 km/h, gear 5, 15 s", "cruise 100 km/h, gear 5, 20 s"]


def read_leads(latency_s, refresh_s, cancels, seed):
    """Leads as rows show them: input and flag each seen at the first row after they change."""
    rng = np.random.default_rng(seed)
    on_s = rng.uniform(0.0, refresh_s, cancels)
    first = np.ceil(on_s / refresh_s) * refresh_s
    gone = np.ceil((on_s + latency_s) / refresh_s) * refresh_s
    return [
        latency.allowed(lead_s, input_s=refresh_s, flag_s=refresh_s, skew_s=0.0)
        for lead_s in gone - first
    ]


@pytest.mark.parametrize("refresh_s", [0.02, 0.05, 0.1])
@pytest.mark.parametrize("latency_s", [0.03, 0.08, 0.2])
def test_what_is_learnt_holds_the_true_latency(refresh_s, latency_s):
    """Geometry of sampling: the true time lies within a refresh of the lead read from rows."""
    held = 0
    for seed in range(40):
        found = latency.learnt(read_leads(latency_s, refresh_s, 10, seed))
        held += found.span.start_s - 0.005 <= latency_s <= found.span.end_s + 0.005
        assert found.cancels == 10

    assert held >= 36


def test_a_few_cancels_teach_nothing_and_the_usual_time_stands():
    found = latency.learnt(read_leads(0.08, 0.02, latency.AGREE - 1, 1))

    assert (found.span, found.cancels) == (latency.USUAL, 0)


def test_cancels_that_do_not_agree_teach_nothing():
    apart = [Span(s, s + 0.02) for s in np.arange(0.0, 0.32, 0.04)]

    assert latency.learnt(apart).cancels == 0


def test_one_stray_among_many_does_not_move_what_is_learnt():
    spans = read_leads(0.08, 0.05, 12, 3)

    with_stray = latency.learnt([*spans, Span(-0.2, -0.1)])

    assert with_stray.cancels == 12
    assert with_stray.span == latency.learnt(spans).span


def test_the_middle_of_what_a_lead_allows_fits_best_and_its_ends_not_at_all():
    known = latency.Latency(Span(0.08, 0.08), 9)

    assert latency.fit(Span(0.03, 0.13), known) == pytest.approx(1.0)
    assert latency.fit(Span(0.1, 0.2), known) == pytest.approx(0.0, abs=1e-6)
    assert 0.0 < latency.fit(Span(0.05, 0.2), known) < 1.0


def five_brakings(**changes):
    """Five holds ended by the rear brake 0.15 s before, then one more at 210.15 s."""
    return {
        "pieces": [*SETS_AGAIN * 6, "100 km/h, gear 5, 20 s"],
        "on": {"rear_brake": [[s, s + 0.8] for s in (35.0, 70.0, 105.0, 140.0, 175.0)]},
    } | changes


def the_last(plan, case):
    ride = ride_from(plan, case)
    return ride, next(c for c in cancels.cancels(ride) if c.t_s > 200.0)


def test_a_clutch_pulled_with_the_cancel_has_not_ended_it_where_the_ride_tells_the_time():
    ride, last = the_last(five_brakings(), {"on": {"clutch": [[210.15, 210.6]]}})

    assert cancels.disengages_after(ride).cancels == 5
    assert (last.cause, last.commanded) == ("unexplained", None)
    (usual,) = (e.figures for e in last.evidence if e.kind == "at_the_wrong_time")
    assert (usual["cancels"], usual["most_s"]) == (5, pytest.approx(0.15, abs=0.05))


def test_the_same_clutch_at_its_time_has():
    _, last = the_last(five_brakings(), {"on": {"clutch": [[210.0, 210.6]]}})

    assert last.cause == "clutch"


def test_of_a_brake_held_in_vain_and_a_clutch_pulled_at_last_the_clutch_ended_it():
    _, last = the_last(
        five_brakings(), {"on": {"front_brake": [[207.0, 212.0]], "clutch": [[210.0, 210.6]]}}
    )

    assert last.cause == "clutch"


def test_a_brake_held_for_seconds_that_nothing_else_explains_is_never_called_not_asked_for():
    _, last = the_last(five_brakings(), {"on": {"front_brake": [[207.0, 212.0]]}})

    assert (last.cause, last.commanded) == ("unexplained", None)


def test_where_holds_are_read_off_the_speed_a_gentle_brake_is_no_stranger_to_their_end():
    held = ["100 km/h, gear 5, 15 s", "cruise 100 km/h, gear 5, 40 s"]
    hard, gentle = "rear brake 3.5 m/s2 to 80", "rear brake 1.1 m/s2 to 80"
    pieces = [p for b in [hard] * 5 + [gentle] for p in [*held, b, "speed to 100 at 1.0 m/s2"]]
    plan = {"pieces": pieces, "drop": ["cruise_engaged"], "rate_hz": 50}
    ended = [t.cancel for t in trace_ride([part_from(plan)], settings_from(plan)).cancels]

    assert [c.inferred for c in ended] == [True] * 6
    assert {c.cause for c in ended} == {"rear_brake"}
