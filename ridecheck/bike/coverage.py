"""What the rides that count could have shown, rule by rule."""

from collections.abc import Sequence
from dataclasses import replace

from ridecheck.bike.case import Case
from ridecheck.bike.sentences import count, rule_words
from ridecheck.core.model import Coverage, RideResult, RuleOutcome, State

CRUISE_CHANNELS = frozenset(
    {
        "cruise_armed",
        "cruise_engaged",
        "cruise_set_speed",
        "switch_power",
        "switch_set",
        "switch_resume",
        "switch_cancel",
    }
)


def coverage(case: Case) -> tuple[Coverage, ...]:
    """Every rule over the rides that count."""
    every = []
    for rule in case.rules:
        found = sum(bool(case.open_in(r, rule)) for r in case.counting)
        one = covered(case, rule)
        if found:
            one = replace(one, state=State.FAULT, reason=f"found in {count(found, 'ride')}")
        every.append(one)
    return tuple(every)


def not_covered(case: Case) -> tuple[str, ...]:
    """Dangers, and what else speaks up, that the rides that count could not have shown."""
    return tuple(
        f"{rule_words(c.rule)} ({c.reason})" if c.reason else rule_words(c.rule)
        for c in coverage(case)
        if c.state is State.NOT_ASSESSED and _speaks_up(case, c.rule) and is_needed(case, c.rule)
    )


def is_needed(case: Case, rule: str) -> bool:
    """Whether it must be judged: a bike without cruise control needs no rules about it."""
    known = case.rules.get(rule)
    about_cruise = known.cruise_only if known else rule.startswith("cruise/")
    return not (about_cruise or rule.startswith("cruise/")) or has_cruise(case)


def has_cruise(case: Case) -> bool:
    """Whether the bike has cruise control: as its model says, else whether any is logged."""
    if case.context.cruise_fitted is not None:
        return case.context.cruise_fitted
    return any(
        c in CRUISE_CHANNELS and f.present > 0 for r in case.counting for c, f in r.channels.items()
    )


def covered(case: Case, rule_id: str) -> Coverage:
    """Exposures added up from after the last ride with an open finding of the rule."""
    outcomes = [(r, o) for r in case.counting for o in r.rules if o.rule == rule_id]
    after = 0
    for i, (ride, _) in enumerate(outcomes):
        if case.open_in(ride, rule_id):
            after = i + 1
    since = [o for _, o in outcomes[after:]]
    exposure_s = round(sum(o.exposure_s for o in since), 3)
    events = sum(o.events for o in since)
    state = _summed_state(case, rule_id, since, exposure_s, events)
    reason = ""
    if state is State.NOT_ASSESSED:
        reason = _shortfall(case, rule_id, exposure_s, events) or _newest_reason(outcomes)
    elif state is State.ERROR:
        reason = next(o.reason for o in reversed(since) if o.state is State.ERROR)
    return Coverage(rule_id, state, reason, exposure_s, events)


def _speaks_up(case: Case, rule: str) -> bool:
    known = case.rules.get(rule)
    return case.is_danger(rule) or (known is not None and known.speaks_up)


def _shortfall(case: Case, rule_id: str, exposure_s: float, events: int) -> str:
    """What the rides together showed of what it takes; "" where they showed nothing."""
    rule = case.rules.get(rule_id)
    if rule is None:
        return ""
    asks = rule.asks or "what could have shown it"
    if rule.clear_events and events:
        return f"only {events} seen of {asks}; it takes {rule.clear_events} to rule it out"
    if rule.clear_s and exposure_s and exposure_s < rule.clear_s:
        seen = f"only {exposure_s:.0f} s seen of {asks}"
        return f"{seen}; it takes {rule.clear_s:.0f} s to rule it out"
    return ""


def _summed_state(
    case: Case, rule_id: str, since: Sequence[RuleOutcome], exposure_s: float, events: int
) -> State:
    rule = case.rules.get(rule_id)
    if any(o.state is State.ERROR for o in since):
        return State.ERROR
    if any(o.state is State.OK for o in since):
        return State.OK
    asks = rule is not None and (rule.clear_s > 0 or rule.clear_events > 0)
    enough = rule is not None and exposure_s >= rule.clear_s and events >= rule.clear_events
    return State.OK if asks and enough else State.NOT_ASSESSED


def _newest_reason(outcomes: Sequence[tuple[RideResult, RuleOutcome]]) -> str:
    """The newest reason why a ride could not be judged by a rule."""
    reasons = [o.reason for _, o in outcomes if o.reason and o.state is State.NOT_ASSESSED]
    return reasons[-1] if reasons else ""
