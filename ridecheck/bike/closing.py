"""What a sign-off or a dismissal closes, told to who notes it."""

from dataclasses import replace
from pathlib import Path

from ridecheck.bike.closed import closed_findings
from ridecheck.bike.context import Context
from ridecheck.bike.events_allowed import results_of, rule_closed
from ridecheck.core.errors import FleetError
from ridecheck.fleet import load_fleet
from ridecheck.fleet.events import Event
from ridecheck.rules import all_rules
from ridecheck.rules.engine import known_limits


def closing_told(root: Path, bike: str, event: Event) -> str:
    """What a sign-off or dismissal closes once it is noted, and what of that rule stays open.

    One sentence, "" for other events, where nothing is stored of the rule, and where the
    fleet's own file is wrong, so that nobody knows what was closed before.
    """
    if event.kind not in ("signed_off", "dismissed") or not event.finding:
        return ""
    results = list(results_of(root, bike))
    rule = rule_closed(root, bike, event.finding)[0]
    of_rule = {f.id for r in results for f in r.findings if rule and f.rule == rule.id}
    if not of_rule:
        return ""
    try:
        fleet = load_fleet(root, known_limits=known_limits())
    except FleetError:
        return ""
    own = fleet.bikes[bike].events if bike in fleet.bikes else ()
    earlier = Context(bike, events=own, time_zone=fleet.time_zone)
    later = replace(earlier, events=(*own, event))
    before, after = (closed_findings(results, c, all_rules()) for c in (earlier, later))
    told = f"Closes {len((after - before) & of_rule)} of {len(of_rule - before)} open"
    left = sorted(of_rule - after)
    if not left:
        return f"{told}."
    undated = [f.id for r in results for f in r.findings if f.id in left and f.end is None]
    if undated:
        return (
            f"{told}; {len(left)} stay open: one without a date is closed by its id, {undated[0]}."
        )
    return f"{told}; {len(left)} stay open: name the rule with --finding to close all up to --when."
