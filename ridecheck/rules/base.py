"""What a rule is: a judgement with its reasons, needs, limits and severity."""

import dataclasses
import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, cast

from ridecheck.core.model import Exposure, Finding, Severity, Unjudged
from ridecheck.core.thresholds import shared, threshold
from ridecheck.signals.ride import Ride

__all__ = [
    "HEADINGS",
    "Check",
    "Need",
    "RaiseWhen",
    "Rule",
    "Stated",
    "Verdicts",
    "rule",
    "shared",
    "threshold",
]

HEADINGS = (
    "What it checks",
    "Why it matters",
    "What else looks like this",
    "Next step",
    "References",
)

Need = str | tuple[str, ...]
"""A channel, or a tuple of channels of which any one will do."""

Verdicts = Iterator[Finding | Unjudged | Exposure]
Check = Callable[[Ride, Any], Verdicts]


@dataclass(frozen=True, slots=True)
class RaiseWhen:
    """When an open fault raises a bike to inspect, over the rides that count.

    All stated conditions must hold: at least `events` findings, in at least `rides`
    rides, and at least `per_100_engaged_km` (0: not required). of_one_kind: findings
    that name other channels are not added up. A finding counts for more by its strength
    (see Finding), and one of strength 1 raises the bike alone.
    """

    events: int = 1
    rides: int = 1
    per_100_engaged_km: float = 0.0
    of_one_kind: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What a rule states of itself, as ``@rule(...)`` over its ``check(ride, limits)``.

    needs: channels, or of a tuple any one. clear_s and clear_events: the exposure that
    silence needs before it is "ok". clear_interval_s: slowest refresh of the needed channels
    at which silence clears; convict_interval_s: slowest at which a finding is believed (inf:
    any). falsifies: channels a finding of this rule shows to be false, so that comfort rules
    which need them abstain there. doubts_file: a finding means the log is not this bike's,
    or in other units. cruise_only: off where the model says cruise is not fitted. checks:
    ids in schemas/checks.toml, for a danger what a sign-off must name. asks: what a ride
    must show for silence to clear, as people say it ("brake applications that end cruise in
    time"). speaks_up: what it could not judge is printed beside the verdict, as it is for
    every danger. doubt_counts: a signal shown false is what it reports, and no reason to
    abstain. holds_steady: off where the model says that cruise keeps a distance.
    """

    needs: tuple[Need, ...]
    severity: Severity
    clear_s: float = 0.0
    clear_events: int = 0
    clear_interval_s: float = math.inf
    convict_interval_s: float = math.inf
    raise_when: RaiseWhen = RaiseWhen()
    falsifies: tuple[str, ...] = ()
    doubts_file: bool = False
    cruise_only: bool = False
    checks: tuple[str, ...] = ()
    asks: str = ""
    speaks_up: bool = False
    doubt_counts: bool = False
    holds_steady: bool = False

    def __call__(self, check: Check) -> "Rule":
        """The rule of a module: its path is the id, its docstring explains, Limits limits it."""
        module = sys.modules[check.__module__]
        family, name = check.__module__.split(".")[-2:]
        limits = module.__dict__["Limits"]
        if not dataclasses.is_dataclass(limits):
            raise TypeError(f"{check.__module__}: Limits must be a dataclass of threshold() fields")
        return Rule(
            id=f"{family}/{name}".replace("_", "-"),
            doc=module.__doc__ or "",
            check=check,
            limits=cast("type[Any]", limits),
            **{f.name: getattr(self, f.name) for f in dataclasses.fields(Stated)},
        )


rule = Stated


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule(Stated):
    """A rule as the engine runs it and ``ridecheck explain`` shows it."""

    id: str
    doc: str
    check: Check
    limits: type[Any]

    @property
    def danger(self) -> bool:
        """Whether its findings keep a bike in."""
        return self.severity is Severity.DANGER

    @property
    def family(self) -> str:
        """The folder the rule lives in."""
        return self.id.split("/")[0]

    @property
    def summary(self) -> str:
        """First line of the docstring, without its full stop."""
        return self.doc.strip().splitlines()[0].rstrip(".")

    def section(self, heading: str) -> str:
        """Text under one of the fixed headings, "" where the rule has none."""
        lines: list[str] = []
        inside = False
        for line in self.doc.splitlines():
            if line in HEADINGS:
                inside = line == heading
            elif inside:
                lines.append(line.strip())
        return " ".join(lines).strip()
