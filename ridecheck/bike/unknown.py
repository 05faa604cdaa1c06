"""Why nothing can be said of a bike: the reasons for no opinion."""

from datetime import timedelta
from zoneinfo import ZoneInfo

from ridecheck.bike.case import Case
from ridecheck.bike.controls import unseen_controls
from ridecheck.bike.counting import end_of
from ridecheck.bike.coverage import covered, is_needed
from ridecheck.bike.sentences import count, fitting, rule_words
from ridecheck.core.catalog import channel_name
from ridecheck.core.durations import spoken
from ridecheck.core.model import Coverage, RuleOutcome, State
from ridecheck.signals import drivetrain


def unknown(case: Case) -> tuple[str, ...]:
    """The reasons, a sentence each; none where an opinion can be given."""
    reasons = list(case.context.wrong)
    if not case.counting:
        reasons.append(_none_counts(case))
    reasons += _newest_unfit(case) + _apart(case) + _too_old(case)
    reasons += [
        f"a check for a danger ended in an error: {rule_words(o.rule)} ({o.reason})"
        for o in _errors(case)
    ]
    if case.counting:
        reasons += [
            _not_seen(case, covered(case, rule))
            for rule in case.context.must_assess
            if is_needed(case, rule) and covered(case, rule).state is not State.OK
        ]
    if unseen := _unseen(case):
        reasons.append(unseen)
    return tuple(reasons)


def _unseen(case: Case) -> str:
    """Which controls could fail to end cruise and nobody would see it; "" where none."""
    accepted = case.context.accept_unlogged
    unseen = {c: why for c, why in unseen_controls(case).items() if c not in accepted}
    if not unseen:
        return ""
    told = "; ".join(f"{channel_name(c)}, {why}" for c, why in unseen.items())
    return f"not known whether these end cruise: {told}"


def _none_counts(case: Case) -> str:
    undated = sum(r.start is None for r in case.rides)
    unfit = sum(r.start is not None and not r.fits_model for r in case.rides)
    if not case.rides:
        return "no log of this bike has been read"
    partly = sum(r.start is not None and r.fits_model and r.partly_read for r in case.rides)
    return (
        f"none of {count(len(case.rides), 'ride')} counts: "
        f"{undated} of unknown date, {unfit} that do not fit the model"
        + (f", {partly} read only in part" if partly else "")
    )


def _newest_unfit(case: Case) -> list[str]:
    dated = [r for r in case.rides if r.start is not None]
    if not dated or dated[-1].fits_model:
        return []
    return [f"the newest log does not fit this bike's model{fitting(case, dated[-1])}"]


LEAST_STEADY_S = 60.0
"""A minute in gear: less may be one spell behind a slipping clutch."""

MOST_APART = 0.1
"""Share of steady riding on which speed and engine speed may disagree by more than a tenth."""


def _apart(case: Case) -> list[str]:
    """Nothing is released while speed and engine speed contradict one another.

    Judged by the newest ride that counts and holds a minute of steady riding in logged gears.
    """
    known = [r.measures for r in case.counting if r.measures.get("steady_s", 0) >= LEAST_STEADY_S]
    if not known or known[-1]["apart_s"] <= MOST_APART * known[-1]["steady_s"]:
        return []
    newest = known[-1]
    unit = drivetrain.misreading(newest["apart_factor"])
    why = f"; that is what speed {unit} reads: look at the unit in the layout" if unit else ""
    return [
        "wheel speed and engine speed disagree by more than a tenth for "
        f"{spoken(newest['apart_s'])} of {spoken(newest['steady_s'])} of steady riding: speed "
        f"reads {newest['apart_factor']:.2f} times what engine speed and gear make it{why}"
    ]


def _too_old(case: Case) -> list[str]:
    allowed = case.context.data_max_age_days
    if not case.counting or case.as_of is None:
        return []
    end = end_of(case.counting[-1])
    if case.as_of - end <= timedelta(days=allowed):
        return []
    local = end.astimezone(ZoneInfo(case.context.time_zone))
    return [f"the newest ride ended on {local:%Y-%m-%d}, more than {allowed:g} days ago"]


def _errors(case: Case) -> list[RuleOutcome]:
    """Danger rules that ended in an error in a ride that counts, one each."""
    errors = {
        o.rule: o
        for r in case.counting
        for o in r.rules
        if o.state is State.ERROR and case.is_danger(o.rule)
    }
    return [errors[rule] for rule in sorted(errors)]


def _not_seen(case: Case, one: Coverage) -> str:
    why = f": {one.reason}" if one.reason else ""
    rule = case.rules.get(one.rule)
    summary = rule.summary if rule is not None and rule.doc else rule_words(one.rule)
    return f"not known whether {summary[0].lower()}{summary[1:]}{why}"
