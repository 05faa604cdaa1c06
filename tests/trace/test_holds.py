import polars as pl
import pytest
from rides import part_from, ride_from

from ridecheck.core.model import Span
from ridecheck.signals import cruise
from ridecheck.signals.holds import candidate_holds, with_inferred_holds

PLAIN = {"drop": ["cruise_engaged", "cruise_armed", "cruise_set_speed"]}


def ride(*pieces, **overlays):
    return ride_from({**PLAIN, "pieces": ["speed to 90 at 1.5 m/s2", *pieces], **overlays})


def test_steady_speed_that_ends_at_once_is_a_candidate():
    (hold,) = candidate_holds(ride("90 km/h, gear 5, 40 s", "brake 2.5 m/s2 to 40"))

    assert hold.length_s == pytest.approx(40.0, abs=1.5)
    assert hold.end_s == pytest.approx(90 / 3.6 / 1.5 + 40.0, abs=1.0)


@pytest.mark.parametrize(
    "pieces",
    [
        pytest.param(["90 km/h, gear 5, 12 s", "brake 2.5 m/s2 to 40"], id="too short"),
        pytest.param(["coast 0.5 m/s2 to 35", "35 km/h, 40 s", "coast 1 m/s2 to 5"], id="too slow"),
        pytest.param(["90 km/h, gear 5, 40 s"], id="the log ends"),
        pytest.param(["drift 0.15 m/s2 to 60", "coast 0.15 m/s2 to 50"], id="slowly changing"),
    ],
)
def test_other_steady_riding_is_not(pieces):
    assert candidate_holds(ride(*pieces)) == ()


def test_a_gap_ends_a_stretch_without_telling_how():
    gapped = ride("90 km/h, gear 5, 60 s", "brake 2.5 m/s2 to 40", gaps=[[60.0, 78.0]])

    assert candidate_holds(gapped) == ()


def test_inferred_holds_become_engagements_of_a_copy():
    plan = {
        **PLAIN,
        "pieces": ["speed to 90 at 1.5 m/s2", "90 km/h, gear 5, 40 s", "brake 2.5 m/s2 to 40"],
    }
    part, original = part_from(plan), ride_from(plan)

    guessed = with_inferred_holds([part], original.settings, original)

    assert guessed is not None
    assert len(cruise.engagements(guessed)) == 1
    assert "cruise_engaged" not in part.samples.columns
    assert guessed.samples["cruise_engaged"].dtype == pl.Boolean
    assert isinstance(cruise.engagements(guessed)[0].span, Span)


def test_a_ride_without_steady_speed_has_none():
    plan = {**PLAIN, "pieces": ["speed to 90 at 1.5 m/s2", "brake 2.5 m/s2 to 40"]}
    original = ride_from(plan)

    assert with_inferred_holds([part_from(plan)], original.settings, original) is None
