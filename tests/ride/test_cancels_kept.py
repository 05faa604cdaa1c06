"""What was seen at a cancel is kept in the ride's result, and comes back from it as it was."""

import pytest
from rides import part_from, settings_from

from ridecheck.core.model import Evidence
from ridecheck.reporters.evidence import sentences
from ridecheck.ride.judge import judge_ride
from ridecheck.store.results import read_result, result_path, write_result

LOST_S = (60.0, 95.0, 130.0)


def with_engine_speed_lost(lasts_s, rate_hz):
    """Three holds; the signal is gone for so long and each time cruise is off 0.15 s later."""
    gone = [[s, s + lasts_s, 0.0] for s in LOST_S]
    off = [[s + 0.15, s + 6.0] for s in LOST_S]
    plan = {
        "pieces": ["speed to 100 at 1.5 m/s2", "cruise 100 km/h, gear 5, 150 s"],
        "set": {"engine_speed": gone},
        "off": {"cruise_engaged": off},
        "rate_hz": rate_hz,
    }
    return judge_ride([part_from(plan)], settings_from(plan), bike="T01", ride_id="T01-1")


@pytest.mark.parametrize("rate_hz", [10, 20, 50])
@pytest.mark.parametrize("lasts_s", [0.25, 0.5, 0.9])
def test_engine_speed_lost_for_a_moment_is_the_cause_that_is_kept(lasts_s, rate_hz, tmp_path):
    made = with_engine_speed_lost(lasts_s, rate_hz)
    write_result(tmp_path, made)

    cancels = read_result(result_path(tmp_path, "T01", "T01-1")).cancels[:3]

    assert [(c.cause, c.commanded) for c in cancels] == [("signal_lost", False)] * 3
    for cancel in cancels:
        assert cancel.evidence[0].kind == "engine_speed_lost"
        assert cancel.evidence[0].figures["to_rpm"] == 0.0


def test_evidence_comes_back_from_the_result_as_it_was(tmp_path):
    made = with_engine_speed_lost(0.5, 20)
    write_result(tmp_path, made)

    kept = read_result(result_path(tmp_path, "T01", "T01-1"))

    assert kept.cancels == made.cancels
    assert isinstance(kept.cancels[0].evidence[0], Evidence)
    assert sentences(kept.cancels[0].evidence) == sentences(made.cancels[0].evidence)
