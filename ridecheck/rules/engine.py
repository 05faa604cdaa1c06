"""Run the rules over one ride: limits, states, doubts, and what may be said of a signal in doubt.

A short exposure can convict but cannot clear: findings always count, silence counts as
"ok" only where the fault could have shown itself.
"""

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from ridecheck.core.catalog import channel_name
from ridecheck.core.durations import rate
from ridecheck.core.model import (
    Exposure,
    Finding,
    LimitUsed,
    Note,
    RuleOutcome,
    Severity,
    Span,
    State,
    Unjudged,
)
from ridecheck.core.thresholds import Limit, in_force, limits_in
from ridecheck.core.unforeseen import UNFORESEEN
from ridecheck.rules import all_rules
from ridecheck.rules.base import Need, Rule
from ridecheck.signals import definitions, drivetrain, switch_usage
from ridecheck.signals.ride import Ride
from ridecheck.signals.tables import SHARED

FAMILY_ORDER = ("data", "speed", "drivetrain", "electrical", "switches", "cruise")
"""Which falsifying rules speak first: the file, then the signal others are held against."""

DOUBT_MARGIN_S = 1.0
"""A signal shown false is not believed this long before and after, either."""

JITTER = 1.1
"""A measured refresh this much over the one needed still counts as meeting it."""

CRUISE_CHANNELS = ("cruise_engaged", "cruise_armed", "cruise_set_speed")


@dataclass(frozen=True, slots=True)
class RuleFinding:
    """A finding with the rule that made it. doubt: which signal, or the whole file."""

    rule: str
    severity: Severity
    finding: Finding
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the rules say of one ride.

    fits_model False: the log is more likely another bike's, or in other units; fits
    names the fleet's models it fits better. notes: what the reader should know of the
    model file or the log, not of the bike. measures: numbers that later stages learn from.
    """

    rules: tuple[RuleOutcome, ...]
    findings: tuple[RuleFinding, ...]
    fits_model: bool = True
    fits: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()
    measures: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Doubt:
    """A stretch in which a channel is not to be believed, and why."""

    channel: str
    span: Span
    why: str


def judge(ride: Ride, *, rules: Iterable[Rule] | None = None) -> Judgement:
    """Apply rules (all by default) to one ride; reads nothing but the ride.

    Rules that show the file or a signal to be false run first. Danger rules always
    report, with the doubt beside the finding; the others abstain where a channel they
    need is in doubt, and altogether where the file is.
    """
    outcomes: list[RuleOutcome] = []
    findings: list[RuleFinding] = []
    doubts: list[_Doubt] = []
    file_doubt = ""
    for rule in sorted(all_rules().values() if rules is None else rules, key=_order):
        if file_doubt and not rule.danger and not rule.doubts_file and rule.family != "data":
            reason = f"not judged: {file_doubt}"
            outcomes.append(RuleOutcome(rule.id, State.NOT_ASSESSED, reason, 0.0, 0))
            continue
        outcome, found = _run(rule, ride, doubts)
        outcomes.append(outcome)
        findings += [
            dataclasses.replace(f, doubt=_doubt_text(f, rule, doubts, file_doubt)) for f in found
        ]
        if rule.doubts_file and found:
            file_doubt = _file_doubt(ride)
        doubts += [
            _Doubt(c, f.finding.span, f.finding.message)
            for f in found
            for c in _falsified(rule, f.finding)
        ]
    outcomes.sort(key=lambda o: o.rule)
    findings.sort(key=lambda f: (f.severity.rank, f.finding.span.start_s, f.rule))
    return Judgement(
        rules=tuple(outcomes),
        findings=tuple(findings),
        fits_model=not file_doubt,
        fits=drivetrain.fitting_models(ride) if file_doubt else (),
        notes=_notes(ride),
        measures=measures(ride),
    )


def measures(ride: Ride) -> Mapping[str, float]:
    """What the ride shows of this bike's constants, for the stage that learns over rides."""
    return {**drivetrain.measures(ride), **switch_usage.measures(ride)}


def known_limits() -> Mapping[str, Mapping[str, Limit]]:
    """Every limit that fleet files may set: rule id -> name -> what it is."""
    return {
        **{name: limits_in(table, danger=True) for name, table in SHARED.items()},
        **{r.id: limits_in(r.limits, danger=r.danger) for r in all_rules().values()},
    }


def effective_limits(rule: Rule, ride: Ride) -> tuple[Any, tuple[LimitUsed, ...]]:
    """The rule's limits for the bike of a ride, and who set each."""
    return in_force(
        rule.limits,
        danger=rule.danger,
        overrides=ride.settings.thresholds.get(rule.id, {}),
        cruise=ride.settings.cruise,
        shared_used=definitions.used(ride),
    )


def _run(rule: Rule, ride: Ride, doubts: list[_Doubt]) -> tuple[RuleOutcome, list[RuleFinding]]:
    """One rule over one ride: its outcome and what it found."""
    limits, used = effective_limits(rule, ride)

    def outcome(state: State, reason: str = "", **more: Any) -> RuleOutcome:
        facts = {"exposure_s": 0.0, "events": 0, "findings": 0} | more
        return RuleOutcome(rule=rule.id, state=state, reason=reason, limits=used, **facts)

    cannot = _cannot_run(rule, ride)
    if cannot:
        return outcome(State.NOT_ASSESSED, cannot), []
    try:
        said = tuple(rule.check(ride, limits))
    except UNFORESEEN as error:
        # One broken rule must not lose the night's batch, and must never look like "ok".
        return outcome(State.ERROR, f"{type(error).__name__}: {error}"), []
    found, unjudged = _believed(rule, ride, said, doubts)
    seconds = sum(e.seconds for e in said if isinstance(e, Exposure))
    events = sum(e.events for e in said if isinstance(e, Exposure))
    slow = _too_slow(rule, ride, rule.clear_interval_s)
    exposure = (
        {"exposure_s": 0.0, "events": 0} if slow else {"exposure_s": seconds, "events": events}
    )
    if found:
        return outcome(State.FAULT, findings=len(found), **exposure), found
    if unjudged:
        return outcome(State.NOT_ASSESSED, _unjudged_text(unjudged), **exposure), []
    short = slow or _short(rule, seconds, events)
    return outcome(State.NOT_ASSESSED if short else State.OK, short, **exposure), []


def _cannot_run(rule: Rule, ride: Ride) -> str:
    """Why a rule cannot be run on this ride at all; "" where it can."""
    unfitted = rule.cruise_only and ride.settings.cruise.fitted is False
    if unfitted and not (rule.danger and ride.runs("cruise_engaged").on()):
        return "the model file says no cruise control is fitted"
    if rule.holds_steady and ride.settings.cruise.adaptive:
        return "the model file says that cruise keeps a distance: it may hold below its set speed"
    missing = [need for need in rule.needs if not _present(need, ride)]
    if missing:
        return f"not logged: {', '.join(_need_text(need) for need in missing)}"
    return ""


def _believed(
    rule: Rule, ride: Ride, said: tuple[Finding | Unjudged | Exposure, ...], doubts: list[_Doubt]
) -> tuple[list[RuleFinding], list[Unjudged]]:
    """Split what a rule said into what is believed and what could not be judged."""
    unjudged = [s for s in said if isinstance(s, Unjudged)]
    found: list[RuleFinding] = []
    slow = _too_slow(rule, ride, rule.convict_interval_s)
    for finding in (s for s in said if isinstance(s, Finding)):
        doubt = next(iter(_doubting(finding, rule, doubts)), None)
        if slow:
            unjudged.append(Unjudged(finding.span, slow))
        elif doubt is not None and not (rule.danger or rule.doubt_counts):
            name = channel_name(doubt.channel)
            unjudged.append(Unjudged(finding.span, f"{name} is in doubt there: {doubt.why}"))
        else:
            found.append(RuleFinding(rule.id, rule.severity, finding))
    return found, unjudged


def _doubting(finding: Finding, rule: Rule, doubts: list[_Doubt]) -> list[_Doubt]:
    """The doubts that touch a finding through a channel its rule needs."""
    used = {name for need in rule.needs for name in _names(need)} | set(finding.channels)
    wide = Span(finding.span.start_s - DOUBT_MARGIN_S, finding.span.end_s + DOUBT_MARGIN_S)
    return [d for d in doubts if d.channel in used and d.span.overlaps(wide)]


def _doubt_text(found: RuleFinding, rule: Rule, doubts: list[_Doubt], file_doubt: str) -> str:
    """What is in doubt about a danger that is reported all the same."""
    if file_doubt and rule.family != "data":
        return f"seen on a log whose bike is in doubt: {file_doubt}"
    names = dict.fromkeys(d.channel for d in _doubting(found.finding, rule, doubts))
    return ", ".join(map(channel_name, names))


def _falsified(rule: Rule, finding: Finding) -> tuple[str, ...]:
    """Channels a finding shows to be false: those of the rule that the finding names."""
    named = tuple(c for c in rule.falsifies if c in finding.channels)
    return named or rule.falsifies


def _file_doubt(ride: Ride) -> str:
    """Why the whole log is doubted, naming the models it fits better."""
    fits = drivetrain.fitting_models(ride)
    if fits:
        return f"the log fits {' or '.join(fits)} better than the named model"
    return "speed and engine speed do not fit the named model, or are in other units"


def _notes(ride: Ride) -> tuple[Note, ...]:
    """A model file that denies a cruise control the log shows at work is wrong."""
    engaged = ride.runs("cruise_engaged").on()
    if ride.settings.cruise.fitted is False and engaged:
        message = "the model file says no cruise control is fitted, the log shows it engaged"
        return (Note("values", message, len(engaged)),)
    return ()


def _too_slow(rule: Rule, ride: Ride, limit_s: float) -> str:
    """A sentence naming the slowest needed channel above a refresh limit; "" if none is."""
    intervals_s = {need: min(_refresh_s(n, ride) for n in _names(need)) for need in rule.needs}
    need = max(intervals_s, key=lambda n: intervals_s[n], default=None)
    if need is None or intervals_s[need] <= limit_s * JITTER:
        return ""
    interval_s = intervals_s[need]
    return f"{_need_text(need)} logged at {rate(interval_s)}; {rate(limit_s)} needed"


def _refresh_s(name: str, ride: Ride) -> float:
    """Refresh interval; a latched switch shows every press, so any rate will do for it."""
    if ride.has(name) and ride.channels[name].latched:
        return 0.0
    return ride.interval_s(name)


def _short(rule: Rule, seconds: float, events: int) -> str:
    """A sentence where the exposure is too small to clear; "" where it is enough."""
    asks = rule.asks or "what could have shown it"
    if seconds < rule.clear_s:
        seen = f"only {seconds:.0f} s" if seconds >= 0.5 else "nothing"
        return f"{seen} seen of {asks}; it takes {rule.clear_s:.0f} s to rule it out"
    if events < rule.clear_events:
        seen = f"only {events}" if events else "none"
        return f"{seen} seen of {asks}; it takes {rule.clear_events} to rule it out"
    return ""


def _unjudged_text(unjudged: list[Unjudged]) -> str:
    first = unjudged[0]
    more = f" (and {len(unjudged) - 1} more stretches)" if len(unjudged) > 1 else ""
    return f"at {first.span.start_s:.1f} s: {first.reason}{more}"


def _order(rule: Rule) -> tuple[int, int, str]:
    stage = 0 if rule.doubts_file else 1 if rule.falsifies else 2
    return stage, FAMILY_ORDER.index(rule.family), rule.id


def _names(need: Need) -> tuple[str, ...]:
    return (need,) if isinstance(need, str) else need


def _present(need: Need, ride: Ride) -> bool:
    return any(ride.has(name) for name in _names(need))


def _need_text(need: Need) -> str:
    return " or ".join(map(channel_name, _names(need)))
