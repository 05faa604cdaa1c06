"""Share of ordinary logger set-ups that are never released, before and after.

    python tests/studies/logger_setups.py

A set-up is one of the simulator's loggers, as it is or without one of the controls it logs, on
a model with or without a cancel button. Each is given a clean ride in which every control was
used. "before": as if every control were accepted unseen; "after": none is. What a rate is too
slow for, as the rules declare it, is not assessed in either. No ride is simulated.
"""

import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from kept import BRAKING, DAY, DEAD, RULES, result

from ridecheck.bike.context import Context
from ridecheck.bike.verdict import assess
from ridecheck.core.model import ChannelFacts, State
from ridecheck.fleet.files import CANCELLING
from ridecheck.rules import all_rules
from ridecheck.simulate.library import LOGGERS

BUTTONS = ("power", "set", "resume")
PANELS = {"with cancel": (*BUTTONS, "cancel"), "without": BUTTONS}
CONTROLS = ("front_brake", "rear_brake", "clutch", "roll_off", "switch_power", "switch_cancel")


def verdicts(logger, without: str, panel) -> tuple[str, str, str]:
    """Before, after, and why."""
    interval_s = 1 / logger.rate_hz
    channels = {c: ChannelFacts(interval_s, 1.0) for c in logger.channels if c != without}
    brakes = {"brake_lamp", "front_brake", "rear_brake"} & set(channels)
    states = {
        rule: State.NOT_ASSESSED
        for rule in (BRAKING, DEAD)
        if not brakes or interval_s > 1.1 * all_rules()[rule].clear_interval_s
    }
    exposures = dict.fromkeys(states, (0.0, 0))
    ride = result(DAY, states=states, exposures=exposures, channels=channels)
    said = []
    for accepted in (CANCELLING, ()):
        context = Context("T01", cruise_fitted=True, panel=panel, accept_unlogged=accepted)
        only = {c: f for c, f in ride.channels.items() if c in channels}
        report = assess([_with(ride, only)], context, as_of=ride.end, rules=RULES)
        said.append((report.verdict.value, report.because))
    return said[0][0], said[1][0], "; ".join(said[1][1])


def _with(ride, channels):
    return replace(ride, channels=channels)


def main() -> None:
    """Print each set-up whose verdict changes, and both shares."""
    before = after = count = 0
    for logger in LOGGERS.values():
        for without in ("", *CONTROLS):
            if without and without not in logger.channels:
                continue
            for name, panel in PANELS.items():
                old, new, why = verdicts(logger, without, panel)
                count += 1
                before += old == "no_opinion"
                after += new == "no_opinion"
                if old != new:
                    print(f"{logger.name}, without {without or 'nothing'}, panel {name}: {why}")
    print(f"no opinion: before {before} of {count}, after {after} of {count} set-ups")


if __name__ == "__main__":
    main()
