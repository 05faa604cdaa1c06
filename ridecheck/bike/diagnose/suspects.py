"""Suspects as people read them: shares capped where nothing was seen, evidence in sentences."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ridecheck.bike.diagnose.causes import Cause, Knowledge, Sign
from ridecheck.bike.diagnose.evidence import TWENTY_HZ_S, UNEXPLAINED, Evidence, pulse_chance
from ridecheck.bike.diagnose.history import Bench, Moved
from ridecheck.bike.diagnose.posterior import Posterior
from ridecheck.core.catalog import channel_name
from ridecheck.core.durations import spoken
from ridecheck.core.model import Settings, Suspect

SHOWN = 0.03
"""Suspects below this share are left to "something not listed"."""
AT_MOST = 6
BY_ELIMINATION = 0.29
"""No part gets more than this by nothing but the others' innocence."""
NO_GUESS = 0.2
"""With nothing of any part's own seen, a share spread thinner than this names nobody."""
COMES_FIRST = 0.25
"""A wrong model or a bad logger this likely is named before any part of the bike."""
NOT_THE_BIKE = ("wrong_model", "logger")
PLUG_FIRST = "Measure supply and ground at the connector first."
LOOKS_THE_SAME = "a bad supply or ground at its connector looks the same in every log"
HELD = (
    "held below 30 %: nothing of its own was seen, and while an input is not logged at 20 Hz "
    "the others' innocence proves little"
)
PLUG_CHECKS = frozenset({"supply-at-the-plug", "earth-drop"})
RECALLS = "Ask the maker or dealer about open recalls."
BRAKE_SWITCHES = ("front_brake_switch", "rear_brake_switch")


@dataclass(frozen=True, slots=True)
class Case:
    """Everything the suspects are reported from."""

    evidence: Evidence
    posterior: Posterior
    moved: Moved
    bench: tuple[Bench, ...]
    settings: Settings
    known: Knowledge

    @property
    def causes(self) -> tuple[Cause, ...]:
        """The causes in the order of the posterior."""
        return tuple(self.known.causes.values())

    def share(self, cause: Cause) -> float:
        """A cause's share of the posterior."""
        return float(self.posterior.causes[self.causes.index(cause)])

    def of_part(self, part: str) -> float:
        """A part's share: the sum over its causes."""
        return sum(self.share(c) for c in self.known.of_part(part))

    def leading(self, part: str) -> Cause:
        """The likeliest cause in a part."""
        return max(self.known.of_part(part), key=self.share)


def suspects_of(case: Case) -> tuple[Suspect, ...]:
    """The parts worth suspecting, the one to look at first in front; shares sum to at most 1."""
    shares = {part: case.of_part(part) for part in case.known.parts}
    shares = _capped(case, shares)
    kept = {p: s for p, s in shares.items() if s >= SHOWN}
    if max(kept.values(), default=0.0) < NO_GUESS and not any(
        _has_own_evidence(case, p) for p in kept
    ):
        return ()
    first = {p for p in NOT_THE_BIKE if kept.get(p, 0.0) >= COMES_FIRST}
    order = sorted(kept, key=lambda p: (p not in first, -round(kept[p], 9), p))[:AT_MOST]
    return tuple(_suspect(case, part, kept[part]) for part in order)


def _capped(case: Case, shares: Mapping[str, float]) -> dict[str, float]:
    """Shares after the two promises: nothing by elimination, the control unit never first.

    The unit is the part least often at fault and most often replaced (common practice): until
    its connector is measured, supply or ground there is at least as likely to make what it shows.
    """
    capped = {p: BY_ELIMINATION if _held(case, p) else share for p, share in shares.items()}
    if unit_may_lead(case):
        return capped
    unit, supply = capped["control_unit"], capped["supply"]
    if unit > supply and _has_own_evidence(case, "supply") and not _plug_is_good(case):
        capped["supply"] = (unit + supply) / 2.0
    others = max(s for p, s in capped.items() if p != "control_unit")
    capped["control_unit"] = min(unit, 0.99 * others, unit + supply - capped["supply"])
    return capped


def _held(case: Case, part: str) -> bool:
    """True where a part would be condemned by nothing but the others' innocence."""
    if case.of_part(part) <= BY_ELIMINATION or _has_own_evidence(case, part):
        return False
    return not _everything_logged(case)


def _everything_logged(case: Case) -> bool:
    """True where every input that could end cruise was logged at 20 Hz or faster."""
    return case.evidence.always_logged(_all_inputs(case), interval_s=TWENTY_HZ_S)


def _all_inputs(case: Case) -> tuple[str, ...]:
    cruise = case.settings.cruise
    panel = tuple(f"switch_{name}" for name in cruise.panel)
    return (*cruise.must_cancel, *panel, "side_stand", "supply_voltage")


def unit_may_lead(case: Case) -> bool:
    """True where supply and ground at the connector are recorded as good and all inputs logged."""
    inputs = all(case.evidence.ever_logged(c) for c in case.settings.cruise.must_cancel)
    return _plug_is_good(case) and inputs


def _plug_is_good(case: Case) -> bool:
    return {b.check.id for b in case.bench if not b.found_fault} >= PLUG_CHECKS


def _has_own_evidence(case: Case, part: str) -> bool:
    return bool(_seen_of(case, part) or _moved_of(case, part) or _bench_faults(case, part))


# ---------------------------------------------------------------------- sentences


def _suspect(case: Case, part: str, share: float) -> Suspect:
    evidence_for = (*_seen_of(case, part), *_moved_of(case, part), *_bench_faults(case, part))
    guessed = not evidence_for
    if guessed:
        evidence_for = (_why_guessed(case, part),)
    against = [*_not_seen_of(case, part), *_bench_oks(case, part)]
    if _held(case, part):
        against.append(HELD)
    if part == "control_unit" and not unit_may_lead(case):
        against += [LOOKS_THE_SAME, PLUG_FIRST]
    return Suspect(
        part=part,
        probability=share,
        evidence_for=(f"likeliest: {case.leading(part).name}", *evidence_for),
        against=tuple(against),
        not_logged=(*_not_logged(case, part), *(_inputs_missing(case, part) if guessed else ())),
        also_serves=case.known.parts[part].also_serves,
    )


def _why_guessed(case: Case, part: str) -> str:
    """What speaks for a part of which nothing was seen."""
    silent = sum(c.logged_as == UNEXPLAINED for c in case.evidence.free_cancels)
    if silent and case.leading(part).cancels:
        return (
            f"nothing of its own was seen; {silent} {_plural('cancel', silent)} with no logged "
            "cause could come from it"
        )
    return "nothing of its own was seen"


def _inputs_missing(case: Case, part: str) -> tuple[str, ...]:
    """Inputs whose logging would turn a guess into a suspicion, or clear the part."""
    own = case.known.parts[part].channels
    missing = [
        c
        for c in _all_inputs(case)
        if c not in own and not case.evidence.always_logged([c], interval_s=TWENTY_HZ_S)
    ]
    return tuple(f"{_words(c)} not logged at 20 Hz in every ride" for c in missing)


def _seen_of(case: Case, part: str) -> tuple[str, ...]:
    """Signs that were seen and that this part shows, and the cancels logged as its own."""
    said = []
    for seen in case.evidence.seen.values():
        shows = max(c.shows.get(seen.sign.id, 0.0) for c in case.known.of_part(part))
        if shows >= 0.1 and seen.sign.never_on:
            said.append(f"{seen.sign.tells} after the first finding of a ride")
        elif shows >= 0.1:
            of = f" of {round(seen.looked)}" if round(seen.looked) > seen.rides else ""
            said.append(
                f"{seen.sign.tells}: {_times(seen.findings)}, in {seen.rides}{of} "
                f"{_plural('ride', max(seen.rides, round(seen.looked)))}"
            )
    kinds = {k for c in case.known.of_part(part) for k in c.cancels_as}
    cancels = case.evidence.free_cancels
    own = sum(c.logged_as in kinds for c in cancels)
    if own:
        said.append(
            f"{own} of {len(cancels)} uncommanded {_plural('cancel', len(cancels))} "
            "came with its signal"
        )
    return tuple(said)


def _moved_of(case: Case, part: str) -> tuple[str, ...]:
    said = [t for c in case.known.of_part(part) for t in case.moved.reasons.get(c.id, ())]
    return tuple(dict.fromkeys(said))


def _bench_faults(case: Case, part: str) -> tuple[str, ...]:
    return tuple(
        f"bench: {b.check.name.lower()} showed a fault"
        for b in case.bench
        if b.found_fault and max(b.chance(c) for c in case.known.of_part(part)) > 0.1
    )


def _bench_oks(case: Case, part: str) -> tuple[str, ...]:
    said = []
    for b in case.bench:
        chance = b.chance(case.leading(part))
        if not b.found_fault and chance > 0.0:
            said.append(
                f"bench: {b.check.name.lower()} found nothing "
                f"(it finds such a fault {100 * chance:.0f} times in 100)"
            )
    return tuple(said)


def _not_seen_of(case: Case, part: str) -> tuple[str, ...]:
    """Signs that the likeliest cause should have shown and did not."""
    cause = case.leading(part)
    said = []
    for sign_id in cause.shows:
        sign = case.known.signs[sign_id]
        chance = case.evidence.could_show(sign, cause)
        if sign_id not in case.evidence.seen and chance >= 0.2:
            said.append(_not_seen(sign, case.evidence.hours(sign), chance))
    return (*said, *_unseen_in_cancels(case, cause))


def _not_seen(sign: Sign, hours: float, chance: float) -> str:
    if sign.never_on:
        return f"the {_words(sign.never_on)} was on after the first finding of a ride"
    return (
        f"no {sign.tells} in {spoken(3600.0 * hours)} of riding; were this the fault, "
        f"that would have shown {100 * chance:.0f} times in 100"
    )


def _unseen_in_cancels(case: Case, cause: Cause) -> tuple[str, ...]:
    if not cause.cancels_as:
        return ()
    silent = [c for c in case.evidence.free_cancels if c.logged_as == UNEXPLAINED]
    seen = [1.0 - case.evidence.cancel_chances(cause, c) for c in silent]
    if not seen or max(seen) <= 0.0:
        return ()
    return (
        f"{len(silent)} uncommanded {_plural('cancel', len(silent))} without its signal; "
        f"each would have shown it {100 * float(np.mean(seen)):.0f} times in 100",
    )


def _not_logged(case: Case, part: str) -> tuple[str, ...]:
    """Channels of the part that no ride has, and how well its pulses could be seen."""
    channels = case.known.parts[part].channels
    said = [f"{_words(c)} not logged" for c in channels if not case.evidence.ever_logged(c)]
    cause = case.leading(part)
    for channel in channels:
        chances = [pulse_chance(cause, channel, r) for r in case.evidence.rides]
        seen = [c for c in chances if c > 0.0]
        if cause.pulse_s and seen and max(seen) < 0.95:
            said.append(
                f"{_words(channel)} is logged too slowly: a pulse of "
                f"{1000 * cause.pulse_s:.0f} ms shows {100 * max(seen):.0f} times in 100"
            )
    return tuple(said)


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _plural(word: str, count: int) -> str:
    return word if count == 1 else f"{word}s"


def _words(channel: str) -> str:
    return channel_name(channel)
