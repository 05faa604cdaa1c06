"""The ripple of a damaged ring: against scipy's periodogram, and a ring counted tooth by tooth.

The periodogram for samples at uneven places is Lomb's and Scargle's (scipy.signal, "standard"
normalisation: the share of the variance that a wave of that order explains). The ring is the
arithmetic of any toothed ring: with one of N teeth gone, one of N - 1 intervals is twice as
long.
"""

import numpy as np
import pytest
from rides import ride_from
from scipy.signal import lombscargle

from ridecheck.core.model import Finding
from ridecheck.rules.speed import once_per_turn
from ridecheck.rules.speed.once_per_turn import ORDERS, Limits, explained

pytestmark = pytest.mark.outside

PIECES = [
    "speed to 100 at 1.5 m/s2",
    "100 km/h, gear 5, 90 s",
    "coast to 85 at 0.5 m/s2",
    "85 km/h, gear 5, 90 s",
]


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 20.0, 50.0])
@pytest.mark.parametrize("noise", [0.3, 3.0])
def test_each_order_explains_what_the_periodogram_of_scipy_says(rate_hz, noise):
    rng = np.random.default_rng(7)
    t_s = np.arange(0.0, 6.0, 1.0 / rate_hz) + rng.uniform(0.0, 0.3 / rate_hz, round(6 * rate_hz))
    turns = 13.2 * t_s + 0.05 * t_s**2
    left = np.sin(2 * np.pi * turns + 0.8) + noise * rng.standard_normal(len(turns))
    left -= left.mean()

    ours = explained(turns, left)
    theirs = lombscargle(turns, left, 2 * np.pi * ORDERS, normalize=True)

    np.testing.assert_allclose(ours, theirs, rtol=1e-6)


@pytest.mark.parametrize("share", [0.012, 0.02, 0.05])
@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0])
def test_a_ripple_of_known_size_is_measured(share, rate_hz):
    plan = {
        "pieces": PIECES,
        "rate_hz": rate_hz,
        "ripple": {"wheel_speed": [[0, 300, share, 1.0]]},
    }

    found = _found(plan)

    assert len(found) == 1
    assert found[0].measured == pytest.approx(share, rel=0.12)


@pytest.mark.parametrize("teeth", [24, 48, 96])
def test_a_ring_that_lost_a_tooth_is_found_where_speed_is_counted_over_a_third_of_a_turn(teeth):
    ripple = _missing_tooth(teeth, over_turns=1 / 3)

    found = _found({"pieces": PIECES, "rate_hz": 20.0}, ripple)

    assert len(found) == 1
    assert found[0].measured > Limits().ripple


def _found(plan, ripple=None):
    """Findings of the rule alone; ripple: a factor on speed for each turn's fraction."""
    ride = ride_from(plan)
    if ripple is not None:
        speed = ride.numbers("wheel_speed")
        turned = np.cumsum(speed / 20.0) / 3.6 / ride.settings.drivetrain.circumference_m
        speed *= ripple(turned % 1.0)
    return [x for x in once_per_turn.check.check(ride, Limits()) if isinstance(x, Finding)]


def _missing_tooth(teeth, over_turns):
    """Teeth seen within the last ``over_turns``, over those that a whole ring would show."""
    angles = np.arange(1, teeth) / teeth  # the tooth at 0 is gone
    span = max(1, round(teeth * over_turns))

    def factor(fraction):
        behind = (fraction[:, None] - angles[None, :]) % 1.0
        return (behind < span / teeth).sum(axis=1) / span

    return factor
