"""The BIKE stage: all stored results of one bike in time order, weighed into one verdict.

Pure: nothing is read, and nothing learned here is an input of anything. Worked out anew,
whole, whenever a bike is touched.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from ridecheck.core.model import (
    BikeReport,
    Cancel,
    Coverage,
    ReportedFinding,
    RideResult,
    RideSummary,
    RuleOutcome,
    Severity,
    State,
    StoredFinding,
    Verdict,
)
from ridecheck.fleet.events import CLOSING, Event, closes
from ridecheck.rules.base import RaiseWhen, Rule

ACTIONS = {
    Verdict.KEEP_IN: "Take the key off the board. Do not ride it.",
    Verdict.INSPECT: "Do the listed checks before the next hire.",
    Verdict.NO_OPINION: "Not judged. Do the walk-round.",
    Verdict.RELEASE: "Nothing found in the log. Do the walk-round as always.",
}
FORGOTTEN = "forgotten on request; kept for its open danger alone, until that is signed off"
"""Note of a ride of which nothing is left but a danger. It does not count."""
OKS_THAT_LIFT = 5
"""This many later rides in which its rule is ok lift an inspect."""
RELAPSE_RIDES = 20
"""One more event within this many rides after that raises it at once."""
_INSTANT = timedelta(microseconds=1)
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


@dataclass(frozen=True, slots=True)
class Context:
    """What the BIKE stage may know besides the results.

    wrong: why a file of this bike cannot be used, a sentence each. bikes_by_model: which
    bikes of the fleet each model has. time_zone: of dates in events, and of wording.
    """

    bike: str
    label: str = ""
    model: str = ""
    rides: int = 20
    days: float = 30
    data_max_age_days: float = 14
    must_assess: tuple[str, ...] = ("cruise/engaged-under-braking", "switches/brake-dead")
    events: tuple[Event, ...] = ()
    cruise_fitted: bool | None = None
    wrong: tuple[str, ...] = ()
    bikes_by_model: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    time_zone: str = "UTC"


def assess(
    results: Iterable[RideResult],
    context: Context,
    *,
    as_of: datetime | None,
    rules: Mapping[str, Rule],
) -> BikeReport:
    """The report of one bike, without suspects, checks, repairs and trends.

    as_of: the instant by which age counts; None where the fleet has no dated ride.
    """
    rides = sorted(results, key=_ride_order)
    case = _Case.of(rides, context, as_of, rules)
    verdict, because = case.decide()
    dated = [r for r in rides if r.start is not None and not is_forgotten(r)]
    return BikeReport(
        bike=context.bike,
        label=context.label,
        model=context.model,
        verdict=verdict,
        previous_verdict=_previous(rides, context, as_of, rules),
        because=because,
        action=ACTIONS[verdict],
        not_covered=case.not_covered(),
        last_data=max((r.end for r in dated if r.end is not None), default=None),
        rides=tuple(_summary(r) for r in rides),
        findings=tuple(
            ReportedFinding(f, open=f.id not in case.closed)
            for f in sorted((f for r in rides for f in r.findings), key=_finding_order)
        ),
        cancels=tuple(_with_local_time(c, r, context) for r in rides for c in r.cancels),
        coverage=case.coverage(),
    )


def stands_for(
    results: Iterable[RideResult], context: Context, as_of: datetime | None
) -> tuple[datetime | None, datetime | None]:
    """From when, and until before when, ``as_of`` may move and the report stay the same."""
    dated = [r for r in results if r.start is not None]
    if as_of is None or not dated:
        return None, None
    fit = sorted(_end(r) for r in dated if may_count(r))
    leaving = fit[: -context.rides or None]  # the last ones count however old they are
    points = {end + timedelta(days=context.days) + _INSTANT for end in leaving}
    points |= {end + timedelta(days=context.data_max_age_days) + _INSTANT for end in fit[-1:]}
    points.add(_morning(dated))
    return (
        max((p for p in points if p <= as_of), default=None),
        min((p for p in points if p > as_of), default=None),
    )


def rides_that_count(
    rides: Sequence[RideResult], context: Context, as_of: datetime | None
) -> list[RideResult]:
    """Dated rides that fit the model: the last 20, or those of 30 days, whichever is more."""
    fit = [r for r in rides if may_count(r)]
    if as_of is None:
        return fit[-context.rides :] if context.rides else []
    recent = sum(_end(r) >= as_of - timedelta(days=context.days) for r in fit)
    count = max(context.rides, recent)
    return fit[-count:] if count else []


def may_count(ride: RideResult) -> bool:
    """Is it dated, of this bike, and more than the danger that was left of it?"""
    return ride.start is not None and ride.fits_model and not is_forgotten(ride)


def is_forgotten(ride: RideResult) -> bool:
    """Is nothing left of it but an open danger?"""
    return any(n.message == FORGOTTEN for n in ride.notes)


def closed_findings(
    rides: Sequence[RideResult], context: Context, rules: Mapping[str, Rule]
) -> frozenset[str]:
    """Ids of the findings that a person has closed.

    A danger needs a sign-off that names every check its rule asks for.
    """
    closing = [e for e in context.events if e.kind in CLOSING]
    if not closing:
        return frozenset()
    by_id = {f.id: (f, r) for r in rides for f in r.findings}
    return frozenset(
        f.id
        for f, ride in by_id.values()
        if any(_closes(e, f, ride, by_id.get(e.finding), context, rules) for e in closing)
    )


def _closes(
    event: Event,
    finding: StoredFinding,
    ride: RideResult,
    named: tuple[StoredFinding, RideResult] | None,
    context: Context,
    rules: Mapping[str, Rule],
) -> bool:
    if finding.severity is Severity.DANGER and not _signs_off(event, finding.rule, rules):
        return False
    if named is not None and named[1].ride != ride.ride:
        dated = ride.dating == named[1].dating == "time"
        if not dated:  # a date alone tells no overlap with another ride
            return False
    return closes(
        event,
        finding,
        bike=context.bike,
        named=named[0] if named else None,
        zone=context.time_zone,
    )


def _signs_off(event: Event, rule_id: str, rules: Mapping[str, Rule]) -> bool:
    asked = set(rules[rule_id].checks) if rule_id in rules else set()
    return event.kind == "signed_off" and bool(event.checks) and asked <= set(event.checks)


@dataclass(frozen=True, slots=True)
class _Case:
    """One bike's rides as the verdict sees them. open leaves closed findings out."""

    rides: Sequence[RideResult]
    counting: Sequence[RideResult]
    context: Context
    as_of: datetime | None
    rules: Mapping[str, Rule]
    closed: frozenset[str]

    @classmethod
    def of(
        cls,
        rides: Sequence[RideResult],
        context: Context,
        as_of: datetime | None,
        rules: Mapping[str, Rule],
    ) -> "_Case":
        return cls(
            rides=rides,
            counting=rides_that_count(rides, context, as_of),
            context=context,
            as_of=as_of,
            rules=rules,
            closed=closed_findings(rides, context, rules),
        )

    def decide(self) -> tuple[Verdict, tuple[str, ...]]:
        """The verdict and its reasons, the heaviest first."""
        dangers = self._dangers()
        if dangers:
            return Verdict.KEEP_IN, dangers
        raised = self._raised()
        if raised:
            return Verdict.INSPECT, tuple(self._told(f) for f in raised.values())
        unknown = self._unknown()
        if unknown:
            return Verdict.NO_OPINION, unknown
        return Verdict.RELEASE, self._beside()

    def open_in(self, ride: RideResult, rule: str | None = None) -> list[StoredFinding]:
        """Open findings of a ride, of one rule or of all."""
        return [f for f in ride.findings if f.id not in self.closed and rule in (None, f.rule)]

    # ------------------------------------------------------------------ keep in

    def _dangers(self) -> tuple[str, ...]:
        by_rule: dict[str, list[StoredFinding]] = {}
        for ride in self.rides:
            for finding in self.open_in(ride):
                if finding.severity is Severity.DANGER:
                    by_rule.setdefault(finding.rule, []).append(finding)
        newest_first = sorted(by_rule.values(), key=lambda fs: _when(fs[-1]), reverse=True)
        return tuple(self._told(f) for f in newest_first)

    # ------------------------------------------------------------------ inspect

    def _raised(self) -> dict[str, list[StoredFinding]]:
        """Open faults that ask for an inspection, by rule: most findings first."""
        raised = {}
        for rule in sorted({f.rule for r in self.counting for f in self._faults(r)}):
            if self._is_raised(rule):
                raised[rule] = [f for r in self.counting for f in self._faults(r, rule)]
        return dict(sorted(raised.items(), key=lambda item: (-len(item[1]), item[0])))

    def _faults(self, ride: RideResult, rule: str | None = None) -> list[StoredFinding]:
        return [f for f in self.open_in(ride, rule) if f.severity is Severity.FAULT]

    def _is_raised(self, rule: str) -> bool:
        """Walk the rides in order: raised, lifted by five rides ok, raised again by one event."""
        fit = [r for r in self.rides if may_count(r)]
        raised, oks = False, 0
        lifted_at: int | None = None
        for i, ride in enumerate(fit):
            events = self._faults(ride, rule)
            if events:
                relapse = lifted_at is not None and i - lifted_at <= RELAPSE_RIDES
                window = rides_that_count(fit[: i + 1], self.context, _end(ride))
                if raised or relapse or self._met(rule, window):
                    raised, lifted_at = True, None
                oks = 0
            elif raised:
                oks += _state(ride, rule) is State.OK
                window = rides_that_count(fit[: i + 1], self.context, _end(ride))
                if oks >= OKS_THAT_LIFT or not any(self._faults(r, rule) for r in window):
                    raised, lifted_at = False, i
        return raised and any(self._faults(r, rule) for r in self.counting)

    def _met(self, rule: str, window: Sequence[RideResult]) -> bool:
        """Is the rule's raise_when met over these rides?"""
        asked = self.rules[rule].raise_when if rule in self.rules else RaiseWhen()
        events = sum(len(self._faults(r, rule)) for r in window)
        rides = sum(bool(self._faults(r, rule)) for r in window)
        if events < asked.events or rides < asked.rides:
            return False
        if not asked.per_100_engaged_km:
            return True
        since = self._last_closed(rule)
        km = sum(r.engaged_km for r in window if since is None or _end(r) > since)
        return km > 0 and 100.0 * events / km >= asked.per_100_engaged_km

    def _last_closed(self, rule: str) -> datetime | None:
        """End of the newest ride with a closed finding of a rule: a return counts from there."""
        ends = [
            _end(r)
            for r in self.rides
            if r.end is not None and any(f.rule == rule and f.id in self.closed for f in r.findings)
        ]
        return max(ends, default=None)

    # --------------------------------------------------------------- no opinion

    def _unknown(self) -> tuple[str, ...]:
        reasons = list(self.context.wrong)
        if not self.counting:
            reasons.append(self._none_counts())
        reasons += self._newest_unfit() + self._too_old()
        reasons += [
            f"a check for a danger ended in an error: {_words(o.rule)} ({o.reason})"
            for o in self._errors()
        ]
        if self.counting:
            reasons += [
                self._not_seen(self._covered(rule))
                for rule in self.context.must_assess
                if self._needed(rule) and self._covered(rule).state is not State.OK
            ]
        return tuple(reasons)

    def _none_counts(self) -> str:
        undated = sum(r.start is None for r in self.rides)
        unfit = sum(r.start is not None and not r.fits_model for r in self.rides)
        if not self.rides:
            return "no log of this bike has been read"
        return (
            f"none of {_count(len(self.rides), 'ride')} counts: "
            f"{undated} of unknown date, {unfit} that do not fit the model"
        )

    def _newest_unfit(self) -> list[str]:
        dated = [r for r in self.rides if r.start is not None and not is_forgotten(r)]
        if not dated or dated[-1].fits_model:
            return []
        return [f"the newest log does not fit this bike's model{self._fits(dated[-1])}"]

    def _fits(self, ride: RideResult) -> str:
        bikes = sorted(
            {b for m in ride.fits for b in self.context.bikes_by_model.get(m, ())}
            - {self.context.bike}
        )
        models = [m for m in ride.fits if not self.context.bikes_by_model.get(m)]
        named = [*bikes, *(f"model {m}" for m in models)]
        return f"; it fits {_listed(named)}" if named else ""

    def _too_old(self) -> list[str]:
        allowed = self.context.data_max_age_days
        if not self.counting or self.as_of is None:
            return []
        end = _end(self.counting[-1])
        if self.as_of - end <= timedelta(days=allowed):
            return []
        local = end.astimezone(ZoneInfo(self.context.time_zone))
        return [f"the newest ride ended on {local:%Y-%m-%d}, more than {allowed:g} days ago"]

    def _errors(self) -> list[RuleOutcome]:
        """Danger rules that ended in an error in a ride that counts, one each."""
        errors = {
            o.rule: o
            for r in self.counting
            for o in r.rules
            if o.state is State.ERROR and self._is_danger(o.rule)
        }
        return [errors[rule] for rule in sorted(errors)]

    def _is_danger(self, rule: str) -> bool:
        return rule not in self.rules or self.rules[rule].severity is Severity.DANGER

    def _speaks_up(self, rule: str) -> bool:
        known = self.rules.get(rule)
        return self._is_danger(rule) or (known is not None and known.speaks_up)

    def _needed(self, rule: str) -> bool:
        """A bike without cruise control need not be judged by rules about it."""
        known = self.rules.get(rule)
        about_cruise = known.cruise_only if known else rule.startswith("cruise/")
        return not (about_cruise or rule.startswith("cruise/")) or self._has_cruise()

    def _has_cruise(self) -> bool:
        if self.context.cruise_fitted is not None:
            return self.context.cruise_fitted
        return any(
            c in CRUISE_CHANNELS and f.present > 0
            for r in self.counting
            for c, f in r.channels.items()
        )

    def _not_seen(self, coverage: Coverage) -> str:
        why = f": {coverage.reason}" if coverage.reason else ""
        rule = self.rules.get(coverage.rule)
        summary = rule.summary if rule is not None and rule.doc else _words(coverage.rule)
        return f"not known whether {summary[0].lower()}{summary[1:]}{why}"

    # ------------------------------------------------------------------ release

    def _beside(self) -> tuple[str, ...]:
        """What is printed beside "release": open faults too rare to raise, and watches."""
        by_rule: dict[str, list[StoredFinding]] = {}
        for ride in self.rides:
            counts = ride in self.counting
            for finding in self.open_in(ride):
                undated_fault = ride.start is None and finding.severity is Severity.FAULT
                shown = counts and finding.severity in (Severity.FAULT, Severity.WATCH)
                if shown or undated_fault:
                    by_rule.setdefault(finding.rule, []).append(finding)
        ordered = sorted(by_rule.values(), key=lambda fs: (fs[0].severity.rank, fs[0].rule))
        return tuple(f"seen {_times(len(fs))}: {self._told(fs)}" for fs in ordered)

    def not_covered(self) -> tuple[str, ...]:
        """Dangers, and what else speaks up, that the rides that count could not have shown."""
        return tuple(
            f"{_words(c.rule)} ({c.reason})" if c.reason else _words(c.rule)
            for c in self.coverage()
            if c.state is State.NOT_ASSESSED and self._speaks_up(c.rule) and self._needed(c.rule)
        )

    def coverage(self) -> tuple[Coverage, ...]:
        """Every rule over the rides that count."""
        covered = []
        for rule in self.rules:
            found = sum(bool(self.open_in(r, rule)) for r in self.counting)
            coverage = self._covered(rule)
            if found:
                reason = f"found in {_count(found, 'ride')}"
                coverage = replace(coverage, state=State.FAULT, reason=reason)
            covered.append(coverage)
        return tuple(covered)

    def _covered(self, rule_id: str) -> Coverage:
        """Exposures added up from after the last ride with an open finding of the rule."""
        outcomes = [(r, o) for r in self.counting for o in r.rules if o.rule == rule_id]
        after = 0
        for i, (ride, _) in enumerate(outcomes):
            if self.open_in(ride, rule_id):
                after = i + 1
        since = [o for _, o in outcomes[after:]]
        exposure_s = round(sum(o.exposure_s for o in since), 3)
        events = sum(o.events for o in since)
        state = self._summed_state(rule_id, since, exposure_s, events)
        reason = ""
        if state is State.NOT_ASSESSED:
            reason = self._shortfall(rule_id, exposure_s, events) or _newest_reason(outcomes)
        elif state is State.ERROR:
            reason = next(o.reason for o in reversed(since) if o.state is State.ERROR)
        return Coverage(rule_id, state, reason, exposure_s, events)

    def _shortfall(self, rule_id: str, exposure_s: float, events: int) -> str:
        """What the rides together showed of what it takes; "" where they showed nothing."""
        rule = self.rules.get(rule_id)
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
        self, rule_id: str, since: Sequence[RuleOutcome], exposure_s: float, events: int
    ) -> State:
        rule = self.rules.get(rule_id)
        if any(o.state is State.ERROR for o in since):
            return State.ERROR
        if any(o.state is State.OK for o in since):
            return State.OK
        asks = rule is not None and (rule.clear_s > 0 or rule.clear_events > 0)
        enough = rule is not None and exposure_s >= rule.clear_s and events >= rule.clear_events
        return State.OK if asks and enough else State.NOT_ASSESSED

    # ------------------------------------------------------------------ wording

    def _told(self, findings: Sequence[StoredFinding]) -> str:
        """One sentence on findings of one rule: the newest, how often, and what is in doubt."""
        newest = findings[-1]
        words = newest.message.rstrip(".")
        rides = len({f.ride for f in findings})
        facts = [self._moment(newest)]
        if len(findings) > 1:
            facts.append(f"{_times(len(findings))} in {_count(rides, 'ride')}")
        ride = next(r for r in self.rides if r.ride == newest.ride)
        if not ride.fits_model:
            facts.append(f"seen on a log whose bike is in doubt{self._fits(ride)}")
        elif newest.doubt:
            facts.append(f"in doubt: {newest.doubt.rstrip('.')}")
        if newest.carried_from:
            facts.append(f"found by {newest.carried_from}, not found again since")
        return f"{words} ({'; '.join(facts)})"

    def _moment(self, finding: StoredFinding) -> str:
        if finding.start is None:
            return "date unknown"
        ride = next(r for r in self.rides if r.ride == finding.ride)
        local = finding.start.astimezone(ZoneInfo(self.context.time_zone))
        return f"{local:%Y-%m-%d}" if ride.dating == "date" else f"{local:%Y-%m-%d %H:%M:%S}"


def _previous(
    rides: Sequence[RideResult],
    context: Context,
    as_of: datetime | None,
    rules: Mapping[str, Rule],
) -> Verdict | None:
    """The verdict on the morning of the bike's newest day of data; None before its first."""
    dated = [r for r in rides if r.start is not None]
    if not dated:
        return None
    morning = _morning(dated)
    before = [r for r in rides if r.start is None or r.start < morning]
    if all(r.start is None for r in before):
        return None
    then = morning if as_of is None else min(as_of, morning)
    return _Case.of(before, context, then, rules).decide()[0]


def _morning(dated: Sequence[RideResult]) -> datetime:
    """00:00 UTC of the newest day of data."""
    newest = max(r.start for r in dated if r.start is not None).astimezone(UTC)
    return newest.replace(hour=0, minute=0, second=0, microsecond=0)


def _ride_order(ride: RideResult) -> tuple[bool, datetime, str, str]:
    """By start; undated last; logs of one date alone in the order of their names."""
    first = datetime(1970, 1, 1, tzinfo=UTC)
    log = ride.parts[0].log if ride.parts and ride.dating != "time" else ""
    return (ride.start is None, ride.start or first, log, ride.ride)


def _finding_order(finding: StoredFinding) -> tuple[int, bool, float, str, str]:
    place = finding.start.timestamp() if finding.start else finding.start_s
    return (finding.severity.rank, finding.start is None, place, finding.rule, finding.id)


def _summary(result: RideResult) -> RideSummary:
    first = result.parts[0]
    return RideSummary(
        ride=result.ride,
        log=first.log,
        sha256=first.sha256,
        parts=result.parts,
        start=result.start,
        end=result.end,
        start_from=result.start_from,
        samples=result.samples,
        distance_km=result.distance_km,
        engaged_s=result.engaged_s,
        engaged_km=result.engaged_km,
        engagements=result.engagements,
        aliases=result.aliases,
        notes=result.notes,
        channels=result.channels,
    )


def _with_local_time(cancel: Cancel, ride: RideResult, context: Context) -> Cancel:
    if cancel.time is None or ride.dating != "time":
        return cancel
    local = cancel.time.astimezone(ZoneInfo(context.time_zone))
    milli = f"{local.microsecond // 1000:03d}"
    return replace(cancel, local_time=f"{local:%Y-%m-%d %H:%M:%S}.{milli} {local:%Z}")


def _end(ride: RideResult) -> datetime:
    assert ride.end is not None, "only dated rides count"
    return ride.end


def _when(finding: StoredFinding) -> float:
    return finding.start.timestamp() if finding.start else float("-inf")


def _state(ride: RideResult, rule: str) -> State:
    return next((o.state for o in ride.rules if o.rule == rule), State.NOT_ASSESSED)


def _newest_reason(outcomes: Sequence[tuple[RideResult, RuleOutcome]]) -> str:
    """The newest reason why a ride could not be judged by a rule."""
    reasons = [o.reason for _, o in outcomes if o.reason and o.state is State.NOT_ASSESSED]
    return reasons[-1] if reasons else ""


def _words(rule: str) -> str:
    return rule.split("/")[-1].replace("-", " ")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _listed(names: Sequence[str]) -> str:
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} or {names[-1]}"
