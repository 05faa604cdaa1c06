"""Switches: what each goes with on the ride, and which of its two states is on."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ridecheck.core.catalog import channels
from ridecheck.setup.propose import relations as rel
from ridecheck.setup.propose.columns import Column, Switch
from ridecheck.setup.propose.work import BOTH, LEAST_RIDING_S, NAME_ONLY, RELATION, Work, title

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A switch column, which state is taken as on, and whether that is known from its cells."""

    column: Column
    switch: Switch
    turned: bool
    pulses: rel.Pulses

    @property
    def on(self) -> Flags:
        return self.pulses.on

    def keys(self) -> dict[str, object]:
        """The layout's keys that say which cells are on."""
        s = self.switch
        if s.level is not None:
            keys: dict[str, object] = {"on_above": s.level}
            return keys | {"inverted": True} if self.turned else keys
        on, off = (s.low, s.high) if self.turned else (s.high, s.low)
        return {"on": on, "off": off}


SWITCH_NAMES = tuple(n for n, c in channels().items() if c.kind == "switch")


def _tell_of_house(columns: list[Column]) -> None:
    """Show columns that never moved how the file's other switches are written."""
    known = [c.switch for c in columns if c.switch is not None and not c.never_moved]
    worded = [s for s in known if s.level is None and not s.blank_low]
    levels = [s for s in known if s.level is not None]
    pairs = {(s.high, s.low) for s in worded}
    for column in columns:
        if column.never_moved and len(pairs) == 1:
            column.look_again(worded[0])
        elif column.never_moved and not pairs and levels:
            column.look_again(levels[0])


def switches(work: Work) -> None:
    """Map what the ride shows of each switch, with its name; ask about the rest."""
    _tell_of_house(work.free())
    columns = [
        c for c in work.free() if c.switch is not None and not (c.varied and c.switch.level is None)
    ]
    plain = {c.name: _candidate(c, False, work) for c in columns}
    context = _Context(work, plain)
    votes = {c.name: context.votes(c) for c in columns}
    _settle(work, columns, votes, context)


def _candidate(column: Column, turned: bool, work: Work) -> _Candidate:
    switch = column.switch
    assert switch is not None, "only columns with two states come here"
    on = (switch.is_high != turned) & switch.filled
    return _Candidate(column, switch, turned, rel.pulses(work.t_s, on))


@dataclass(frozen=True, slots=True)
class _Vote:
    """What the values say of one column being one channel: 0 against, 1 for."""

    channel: str
    score: float
    turned: bool
    why: str


class _Context:
    """Events of the ride that switches go with."""

    def __init__(self, work: Work, plain: Mapping[str, _Candidate]) -> None:
        self.work = work
        self.plain = plain
        self.both = {
            name: (candidate, _candidate(candidate.column, True, work))
            for name, candidate in plain.items()
        }
        self.shifts_s = self._shifts()
        self.engaged = self._engaged()
        self.armed = self._armed()
        self.turned = self._house_turned()

    def _shifts(self) -> Floats:
        w = self.work
        if w.ladder is None or w.speed is None or w.engine is None:
            return np.zeros(0)
        x, y = w.speed.numbers, w.engine.numbers
        if x is None or y is None:
            return np.zeros(0)
        return rel.shift_times(x, y, w.t_s, w.ladder.rungs)

    def _engaged(self) -> _Candidate | None:
        """The switch that is on just while the speed is held."""
        move = self.work.move
        if move is None:
            return None
        best: tuple[float, _Candidate] | None = None
        for pair in self.both.values():
            for candidate in pair:
                share = float(candidate.on.mean())
                runs = candidate.pulses
                if not 0.03 < share < 0.9 or len(runs) < 2 or len(runs) > 400:
                    continue
                if float(np.median(runs.lengths_s)) < 4.0:
                    continue
                held = rel.holds_speed(move, runs)
                moving = float((move.speed[candidate.on] > 0.2 * np.nanmax(move.speed)).mean())
                score = held * moving - 0.2 * candidate.turned * candidate.switch.known
                if held > 0.75 and moving > 0.97 and (best is None or score > best[0]):
                    best = (score, candidate)
        return best[1] if best else None

    def _armed(self) -> _Candidate | None:
        """The switch that is on whenever cruise holds, and moves seldom."""
        engaged = self.engaged
        if engaged is None:
            return None
        best: tuple[float, _Candidate] | None = None
        for name, pair in self.both.items():
            if name == engaged.column.name:
                continue
            for candidate in pair:
                if candidate.on.mean() >= 0.999 or len(candidate.pulses) > len(engaged.pulses):
                    continue
                if rel.share_within(engaged.on, candidate.on) < 0.99:
                    continue
                if candidate.on.mean() < engaged.on.mean():
                    continue
                if candidate.turned != engaged.turned:
                    continue
                score = -len(candidate.pulses) - 0.1 * float(candidate.on.mean())
                if best is None or score > best[0]:
                    best = (score, candidate)
        return best[1] if best else None

    def _house_turned(self) -> bool | None:
        """Are the file's switches written the wrong way round? None where it is mixed."""
        seen = [self.engaged.turned] if self.engaged is not None else []
        for pair in self.both.values():
            for candidate in pair:
                if self.work.move is not None and 0 < candidate.on.mean() < 0.4:
                    look = rel.brake_look(self.work.move, candidate.pulses)
                    if look.runs >= 6 and look.precision > 0.7 and look.recall > 0.25:
                        seen.append(candidate.turned)
        return seen[0] if seen and len(set(seen)) == 1 else None if seen else False

    def votes(self, column: Column) -> list[_Vote]:
        """Every channel the values of a column speak for."""
        found: list[_Vote] = []
        for candidate in self.both[column.name]:
            found += self._votes_of(candidate)
        return sorted(found, key=lambda v: -v.score)

    def _votes_of(self, c: _Candidate) -> Iterable[_Vote]:
        move, turned, known = self.work.move, c.turned, c.switch.known
        penalty = 0.15 if turned and known else 0.0
        if self.engaged is not None and c.column is self.engaged.column:
            if c.turned == self.engaged.turned:
                yield _Vote("cruise_engaged", 0.95 - penalty, turned, "on while the speed is held")
            return
        if self.armed is not None and c.column is self.armed.column:
            if c.turned == self.armed.turned:
                yield _Vote("cruise_armed", 0.9, turned, "on whenever cruise holds, seldom moved")
            return
        share = float(c.on.mean())
        if move is None or share > 0.5 or not len(c.pulses):
            return
        look = rel.brake_look(move, c.pulses)
        if look.runs >= 4 and look.precision > 0.7:
            yield _Vote(
                "brake", 0.5 + 0.5 * look.precision - penalty, turned,
                f"on in {look.runs} slowings, {look.precision:.0%} of its uses",
            )  # fmt: skip
        lengths = c.pulses.lengths_s
        if len(self.shifts_s) >= 4:
            starts = c.pulses.start_s
            recall = float(rel.near(self.shifts_s, starts, before_s=2.5, after_s=0.6).mean())
            if recall > 0.6 and look.precision < 0.6:
                yield _Vote("clutch", 0.4 + 0.55 * recall - penalty, turned,
                            f"pulled at {recall:.0%} of the gear changes")  # fmt: skip
        if float(np.median(lengths)) < 2.0 and len(lengths) >= 2:
            yield from self._button_votes(c, penalty)

    def _button_votes(self, c: _Candidate, penalty: float) -> Iterable[_Vote]:
        starts, turned = c.pulses.start_s, c.turned
        if self.armed is not None:
            edges = np.sort(np.concatenate((self.armed.pulses.start_s, self.armed.pulses.end_s)))
            hit = float(rel.near(starts, edges, before_s=0.4, after_s=1.0).mean())
            found = float(
                rel.near(self.armed.pulses.start_s, starts, before_s=1.0, after_s=0.4).mean()
            )
            if hit > 0.7 and found > 0.7:
                yield _Vote("switch_power", 0.5 + 0.45 * hit - penalty, turned,
                            "pressed where cruise is switched on or off")  # fmt: skip
                return
        if self.engaged is None:
            return
        begins, ends = self.engaged.pulses.start_s, self.engaged.pulses.end_s
        before = float(rel.near(starts, begins, before_s=0.2, after_s=1.2).mean())
        lets_go = float(rel.near(starts, ends, before_s=0.3, after_s=0.8).mean())
        set_column = self.work.mapped.get("cruise_set_speed")
        if before > 0.25 and set_column is not None:
            yield from self._set_or_resume(c, set_column.column, penalty)
        if lets_go > 0.75 and before < 0.3 and len(starts) >= 2:
            yield _Vote("lets_go", 0.6 * lets_go, turned, "pressed where cruise disengages")

    def _set_or_resume(self, c: _Candidate, column: str, penalty: float) -> Iterable[_Vote]:
        """Set takes the speed of the moment, resume an older one; taps go down and up."""
        asked, move = self.work.columns[column].numbers, self.work.move
        if asked is None or move is None or self.engaged is None:
            return
        for_set = for_resume = 0
        t_s, on = move.t_s, self.engaged.on
        for start in c.pulses.start_s:
            i = int(np.searchsorted(t_s, start))
            j = min(len(t_s) - 1, int(np.searchsorted(t_s, start + 1.5)))
            before, after = asked[max(0, i - 1)], asked[j]
            if not on[max(0, i - 1)]:
                if not on[j] or not np.isfinite(after):
                    continue
                off = abs(move.speed[i] - after) / max(after, 1e-9)
                changed = np.isfinite(before) and abs(after - before) > 0.03 * max(before, 1)
                for_resume += 2 * (off > 0.06 and not changed)
                for_set += 2 * (off < 0.02 and changed)
            elif np.isfinite(before) and np.isfinite(after):
                for_set += after < before
                for_resume += after > before
        total = for_set + for_resume
        if total < 2:
            return
        share = max(for_set, for_resume) / total
        if share > 0.8:
            channel = "switch_set" if for_set > for_resume else "switch_resume"
            why = (
                "takes the speed of the moment"
                if channel == "switch_set"
                else "brings an older speed back"
            )
            yield _Vote(channel, 0.5 + 0.45 * share - penalty, c.turned, why)


def _settle(
    work: Work, columns: list[Column], votes: Mapping[str, list[_Vote]], context: _Context
) -> None:
    """Names and votes together; what they leave open is asked."""
    named = {c.name: [s for s in c.suggested if s in SWITCH_NAMES] for c in columns}
    claims: dict[str, list[Column]] = {}
    for column in columns:
        if len(named[column.name]) == 1:
            claims.setdefault(named[column.name][0], []).append(column)
    for channel, claimants in claims.items():
        if len(claimants) == 1:
            _by_name_and_vote(work, channel, claimants[0], votes[claimants[0].name], context)
        else:
            for column in claimants:
                work.ask(column, f"named like {title(channel)}, as another column is; which is it?")
    for column in columns:
        shown = votes[column.name][0] if votes[column.name] else None
        if len(named[column.name]) < 2 or shown is None or shown.score < 0.7:
            continue
        if shown.channel in named[column.name] and shown.channel not in work.mapped:
            _by_name_and_vote(work, shown.channel, column, votes[column.name], context)
    for column in columns:
        if column.name in {m.column for m in work.mapped.values()}:
            continue
        left = [s for s in named[column.name] if s not in work.mapped]
        if len(named[column.name]) > 1 and len(left) == 1:
            _by_name_and_vote(work, left[0], column, votes[column.name], context)
    enough = work.riding_s >= LEAST_RIDING_S
    if enough:
        _pair_of_brakes(work, [c for c in columns if not named[c.name]], votes)
    for column in columns:
        taken = {m.column for m in work.mapped.values()} | set(work.asked)
        if column.name in taken:
            continue
        if not votes[column.name]:
            if len(named[column.name]) > 1:
                may_be = " or ".join(map(title, named[column.name]))
                work.ask(column, f"by its name {may_be}; which is it?")
            continue
        best = votes[column.name][0]
        rivals = [
            v
            for v in votes[column.name]
            if v.channel != best.channel and v.score > best.score - 0.15
        ]
        if (
            enough
            and best.channel in SWITCH_NAMES
            and best.channel not in {"switch_set", "switch_resume"}  # too alike without a name
            and not rivals
            and best.score > 0.8
            and best.channel not in work.mapped
        ):
            same = [
                c.name for c in columns
                if c is not column and c.name not in taken and votes[c.name]
                and votes[c.name][0].channel == best.channel and votes[c.name][0].score > 0.7
            ]  # fmt: skip
            if not same:
                candidate = _candidate(column, best.turned, work)
                work.put(best.channel, column, RELATION, best.why, **candidate.keys())
                continue
        _ask_of_votes(work, column, votes[column.name])


_FRONT_AND_REAR = (("f", "r"), ("v", "h"), ("fr", "rr"), ("va", "ha"), ("av", "ar"), ("f", "b"))


def _pair_of_brakes(work: Work, nameless: list[Column], votes: Mapping[str, list[_Vote]]) -> None:
    """Two brakes whose names differ in one letter that means front and rear, as FB and RB."""
    taken = {m.column for m in work.mapped.values()} | set(work.asked)
    brakes = [
        c for c in nameless
        if c.name not in taken and votes[c.name] and votes[c.name][0].channel == "brake"
        and votes[c.name][0].score > 0.8
    ]  # fmt: skip
    if {"front_brake", "rear_brake"} & set(work.mapped):
        return
    fitting = [
        (a, b)
        for a in brakes
        for b in brakes
        if a is not b and _differing(a.name.lower(), b.name.lower()) in _FRONT_AND_REAR
    ]
    if len(fitting) != 1:
        return
    for channel, column in zip(("front_brake", "rear_brake"), fitting[0], strict=True):
        best = votes[column.name][0]
        keys = _candidate(column, best.turned, work).keys()
        work.put(channel, column, NAME_ONLY, f"by a letter of its name; {best.why}", **keys)


def _differing(a: str, b: str) -> tuple[str, str]:
    """What is left of two names without their common beginning and end."""
    begin = _alike(a, b)
    a, b = a[begin:], b[begin:]
    end = _alike(a[::-1], b[::-1])
    return (a[: len(a) - end], b[: len(b) - end])


def _alike(a: str, b: str) -> int:
    """How many letters two names begin with alike."""
    return next(
        (i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b))
    )


def _by_name_and_vote(
    work: Work, channel: str, column: Column, votes: list[_Vote], context: _Context
) -> None:
    """A switch named like one channel: the values confirm, contradict, or say nothing."""
    family = "brake" if channel in {"front_brake", "rear_brake", "brake_lamp"} else channel
    for_it = [
        v
        for v in votes
        if v.channel == family
        or (v.channel == "lets_go" and family in {"switch_cancel", "roll_off"})
    ]
    switch = column.switch
    assert switch is not None, "only columns with two states come here"
    if for_it:
        best = for_it[0]
        candidate = _candidate(column, best.turned, work)
        work.put(channel, column, BOTH, f"by its name; {best.why}", **candidate.keys())
        return
    strong = [v for v in votes if v.score > 0.85 and _excludes(v.channel, channel)]
    if strong:
        work.ask(column, f"named like {title(channel)}, but {strong[0].why}; which is it?")
        return
    if not switch.known:
        candidate = context.plain[column.name]
        share = float(candidate.on.mean())
        if min(share, 1 - share) > 0.12 or channel in {"run_switch"}:
            words = " or ".join(f'"{w}"' for w in (*switch.high, *switch.low))
            work.ask(column, f"{title(channel)}; is it on at {words}?")
            return
        candidate = _candidate(column, share > 0.5, work)  # what is rare is the use
        work.put(
            channel, column, NAME_ONLY, "by its name; on is the rarer word", **candidate.keys()
        )
        return
    share = float(context.plain[column.name].on.mean())
    turned: bool | None = context.turned
    if channel in MOMENTARY:  # what is rare is the use
        turned = False if share < 0.4 else True if turned and share > 0.6 else None
    if turned is None:
        work.ask(column, f"{title(channel)}, on {share:.0%} of the time: the right way round?")
        return
    candidate = _candidate(column, turned, work)
    work.put(channel, column, NAME_ONLY, "by its name", **candidate.keys())


MOMENTARY = frozenset(
    ("front_brake", "rear_brake", "brake_lamp", "clutch", "roll_off", "switch_power", "switch_set",
     "switch_resume", "switch_cancel", "abs_active", "traction_active", "marker")
)  # fmt: skip
"""Switches that are off most of a ride."""


def _excludes(shown: str, named: str) -> bool:
    """Could a switch of this name not behave as one of that kind does?

    A roll-off or a clutch goes with slowing too, and a few presses show set from resume
    badly; but what holds speed is no brake, and a brake holds no speed.
    """
    cruise = {"cruise_engaged", "cruise_armed"}
    if shown in cruise:
        return named != shown
    return named in cruise and shown in {"brake", "clutch"}


def _ask_of_votes(work: Work, column: Column, votes: list[_Vote]) -> None:
    words = {
        "brake": "front brake, rear brake, brake lamp or throttle-closed switch",
        "lets_go": "cancel switch or throttle-closed switch",
    }
    best = votes[0]
    may_be = dict.fromkeys(words.get(v.channel, title(v.channel)) for v in votes[:3])
    work.ask(column, f"{best.why}; is it {' or '.join(may_be)}?")
