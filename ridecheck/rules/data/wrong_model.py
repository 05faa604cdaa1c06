"""The log is not this model's, or its speed is in another unit.

What it checks
    The ratios of engine speed to wheel speed over all steady riding, against the ladder
    of the named model's gears, against the ladders of the fleet's other models, and
    against the named model with speed in another unit.
Why it matters
    On the wrong model everything seems to fail at once. Nothing but dangers is judged
    on such a log until somebody says whose it is.
What else looks like this
    A ride in one or two gears, which fits many ladders (not judged); a changed
    sprocket, which moves the whole ladder by a few per cent and still fits; a speed
    sensor that counts twice or half, shown by the logged gear, in each of which speed is
    then off by the same factor.
Next step
    Look on which bike the logger was; then assign the ride, or put the unit right in
    the layout.
References
    Speed from engine speed: V = 0.06 D n R (French order of 27 March 1979, art. 2).
    Mile 1.609344 km, nautical mile 1.852 km, exact by definition.
"""

from dataclasses import dataclass

from ridecheck.core.model import Exposure, Finding, Severity, Span
from ridecheck.rules.base import RaiseWhen, Verdicts, rule, threshold
from ridecheck.signals import drivetrain
from ridecheck.signals.ride import Ride


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of this rule."""

    least_s: float = threshold(
        60.0, "s", "a minute in two gears or more; less may lie on a rung by chance"
    )
    own_share: float = threshold(
        0.5, "", "a manual gearbox spends nearly all steady riding on its own ladder"
    )


@rule(
    needs=("wheel_speed", "engine_speed"),
    severity=Severity.FAULT,
    clear_s=60.0,
    clear_interval_s=1.5,
    raise_when=RaiseWhen(events=1_000_000),
    doubts_file=True,
    asks="steady riding in gear",
)
def check(ride: Ride, limits: Limits) -> Verdicts:
    """One finding at most: what the ratios fit better."""
    stated = ride.settings.speed_signal.reads_high_percent
    own = drivetrain.fit(ride, ride.settings.drivetrain, reads_high_percent=stated)
    fits_own = own.share >= drivetrain.limits(ride).ladder_share
    yield Exposure(seconds=own.seconds if fits_own else 0.0)
    models, unit = drivetrain.fitting_models(ride), drivetrain.fitting_factor(ride)
    if own.seconds < limits.least_s or (own.share >= limits.own_share and not models):
        return
    if (not models and not unit) or drivetrain.miscount(ride) is not None:
        return
    better = f"fits {' or '.join(models)} better" if models else f"fits with speed {unit}"
    yield Finding(
        span=Span(0.0, ride.duration_s),
        message=f"{100 * own.share:.0f} % of {own.seconds:.0f} s of steady riding lies on the "
        f"gears of {ride.settings.model}, {100 * abs(own.bias):.0f} % off; the log {better}",
        measured=own.share,
        limit=limits.own_share,
        unit="share",
        channels=("wheel_speed", "engine_speed"),
    )
