"""Two speed channels differ by the factor of a unit.

What it checks
    The ratio of each two speed channels over steady riding, against 1.609 (mile), 1.852
    (knot) and 3.6 (m/s). All the time, or on some stretches only, which a unit changed
    while logging leaves.
Why it matters
    One of the two is in another unit than the layout says. Everything that compares
    them would seem broken; that is the layout, not the bike.
What else looks like this
    A sensor that counts twice or half its pulses (factor 2, not a unit); a much smaller
    wheel on a trailer.
Next step
    Put the unit of the channel right in the layout; look at the display's unit setting.
References
    Mile 1.609344 km, nautical mile 1.852 km, both exact by definition; 3.6 km/h is 1 m/s.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ridecheck.core.catalog import channel_name
from ridecheck.core.model import Exposure, Finding, Severity
from ridecheck.core.units import KM_PER_MILE, KM_PER_NAUTICAL_MILE
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import motion
from ridecheck.signals.ride import Floats, Ride

SPEEDS = ("wheel_speed", "front_wheel_speed", "gps_speed")
FACTORS = {
    "the mile": KM_PER_MILE,
    "the knot": KM_PER_NAUTICAL_MILE,
    "the metre a second": 3.6,
}
STEADY_MS2 = 0.5


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    within: float = threshold(
        0.03, "", "instruments read a few per cent high; the factors lie 15 % apart"
    )
    least_s: float = threshold(
        60.0, "s", "a locked or spinning wheel, or a lost fix, does not last so long"
    )
    slowest_kmh: float = threshold(
        15.0, "km/h", "below, whole units and pulse counting blur the ratio"
    )


@rule(
    needs=(("wheel_speed", "front_wheel_speed"), ("gps_speed", "front_wheel_speed")),
    severity=Severity.NOTE,
    clear_s=120.0,
    clear_interval_s=1.5,
    convict_interval_s=2.0,
    asks="steady riding with two speeds",
    raise_when=RaiseWhen(events=1_000_000),
    falsifies=SPEEDS,
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """Each pair of speeds and each factor that lasts."""
    pairs = [p for p in combinations(SPEEDS, 2) if ride.has(*p)]
    judged_s = [0.0]
    for one, two in pairs:
        ratio = _ratio(ride, one, two, limits.slowest_kmh)
        judged_s.append(ride.where(np.isfinite(ratio)).seconds)
        yield from _findings(ride, (one, two), ratio, limits)
    yield Exposure(seconds=max(judged_s))


def _ratio(ride: Ride, one: str, two: str, slowest_kmh: float) -> Floats:
    """Ratio of two speeds on steady rows on which both move, (n,); NaN elsewhere."""
    a, b = ride.numbers(one), ride.numbers(two)
    with np.errstate(invalid="ignore", divide="ignore"):
        steady = np.abs(motion.acceleration(ride, one)) < STEADY_MS2
        usable = steady & (np.minimum(a, b) > slowest_kmh)
        return np.where(usable, a / b, np.nan)


def _findings(
    ride: Ride, pair: tuple[str, str], ratio: Floats, limits: Limits
) -> Iterator[Finding]:
    total_s = ride.where(np.isfinite(ratio)).seconds
    for unit, factor in FACTORS.items():
        for way in (factor, 1.0 / factor):
            near = np.abs(ratio / way - 1.0) <= limits.within
            near_s = ride.where(near).seconds
            if near_s < limits.least_s:
                continue
            fast, slow = pair if way > 1.0 else pair[::-1]
            middle = float(np.median(ratio[near]))
            for span in ride.where(near, bridge_s=float("inf")):
                yield Finding(
                    span=span,
                    message=f"{channel_name(fast)} is {max(middle, 1 / middle):.3f} times "
                    f"{channel_name(slow)} for {near_s:.0f} of {total_s:.0f} s of steady riding: "
                    f"the factor of {unit} ({factor:.3f})",
                    measured=middle,
                    limit=way,
                    unit="",
                    channels=(pair[1],),
                )
