from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from rides import part_from, settings_from
from scipy.stats import binomtest, false_discovery_control

from ridecheck.core.model import ChannelFacts
from ridecheck.core.statistics import binomial_tail
from ridecheck.signals import cancels
from ridecheck.signals.ride import Ride
from ridecheck.trace.occasions import Occasion, _corrected, occasions

PIECES = ["speed to 100 at 1.5 m/s2", "cruise 100 km/h, gear 5, 400 s", "brake 2.5 m/s2 to 60"]
START_S = 18.52


def ride(drops_s, *, channel="vertical_acceleration", rest=9.81, spells=(), value=20.0):
    """400 s of hold, let go for a second at each of the given seconds into it.

    The channel is at rest but for the spells, given in seconds of the hold.
    """
    off = [[START_S + s, START_S + s + 1.0] for s in drops_s]
    plan = {"pieces": PIECES, "off": {"cruise_engaged": off}}
    part = part_from(plan)
    t_s = (part.samples["time"] - part.samples["time"][0]).dt.total_microseconds() / 1e6
    values = np.full(len(t_s), rest)
    for start_s, end_s in spells:
        values[((t_s >= START_S + start_s) & (t_s < START_S + end_s)).to_numpy()] = value
    channels = {**part.info.channels, channel: ChannelFacts(interval_s=0.05, present=1.0)}
    fuller = replace(
        part,
        info=replace(part.info, channels=channels),
        samples=part.samples.with_columns(pl.Series(channel, values)),
    )
    return Ride("ride", "T01", [fuller], settings_from(plan))


def unwanted(of):
    return [c for c in cancels.cancels(of) if c.cause == "unexplained"]


@pytest.mark.outside
@pytest.mark.parametrize("of", [1, 3, 10, 40])
@pytest.mark.parametrize("share", [0.01, 0.25, 0.9])
def test_the_chance_of_as_many_is_the_exact_binomial_tail_of_scipy(of, share):
    for hits in range(of + 1):
        expected = binomtest(hits, of, share, alternative="greater").pvalue

        assert binomial_tail(hits, of, share) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("raw", "corrected"),
    [
        # Holm's method worked by hand: 0.01 x 3, 0.02 x 2, 0.03 x 1 raised to what went before.
        ([0.01, 0.02, 0.03], [0.03, 0.04, 0.04]),
        ([0.01, 0.04, 0.03], [0.03, 0.06, 0.06]),
        ([0.6, 0.9], [1.0, 1.0]),
        ([0.001], [0.001]),
    ],
)
def test_tries_are_corrected_by_the_method_of_holm(raw, corrected):
    found = _corrected([Occasion(f"{p}", 1, 1, 0.5, p, p, 1) for p in raw])

    assert [o.p_corrected for o in found] == pytest.approx(sorted(corrected))
    assert {o.tried for o in found} == {len(raw)}


@pytest.mark.outside
def test_the_correction_is_never_milder_than_a_false_discovery_rate():
    raw = np.array([0.0001, 0.004, 0.019, 0.02, 0.3, 0.9])

    found = _corrected([Occasion(f"{i}", 1, 1, 0.5, p, p, 1) for i, p in enumerate(raw)])

    assert (np.array([o.p_corrected for o in found]) >= false_discovery_control(raw)).all()


DROPS_S = (50, 100, 150, 200, 250)


def test_cancels_behind_bumps_stand_out_as_counts():
    bumpy = ride(DROPS_S, spells=[(s - 0.3, s - 0.25) for s in DROPS_S])

    found = occasions(bumpy, unwanted(bumpy))

    assert found[0].name == "within 0.5 s of a bump"
    assert found[0].stands_out
    assert (found[0].cancels, found[0].of) == (5, 5)
    assert found[0].sentence.startswith(
        "within 0.5 s of a bump: 5 of 5 cancels, 0.38 % of engaged time"
    )


def test_cancels_away_from_bumps_do_not_stand_out():
    calm = ride(DROPS_S, spells=[(s + 20, s + 20.05) for s in DROPS_S])

    found = {o.name: o for o in occasions(calm, unwanted(calm))}

    assert found["within 0.5 s of a bump"].cancels == 0
    assert not [name for name, o in found.items() if o.stands_out]


def test_leaning_is_an_occasion():
    bends = [(s - 2, s + 2) for s in DROPS_S]
    winding = ride(DROPS_S, channel="lean_angle", rest=0.0, spells=bends, value=-25.0)

    (found,) = [o for o in occasions(winding, unwanted(winding)) if o.stands_out]
    assert found.name == "leaning more than 10 degrees"


def test_low_supply_is_an_occasion():
    dips = [(s - 8, s + 1) for s in DROPS_S]
    weak = ride(DROPS_S, channel="supply_voltage", rest=14.2, spells=dips, value=13.0)

    names = [o.name for o in occasions(weak, unwanted(weak)) if o.stands_out]
    assert names == ["supply below 14.2 V"]


def test_too_few_cancels_tell_nothing():
    two = ride((50, 100))

    assert len(unwanted(two)) == 2
    assert occasions(two, unwanted(two)) == ()
