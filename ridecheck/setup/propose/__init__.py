"""A draft layout for an unknown file: what its columns seem to be, how sure, what to ask.

Names suggest, values decide. What neither can show is asked, never guessed: it stands in
the draft as a comment, and in the questions.
"""

import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ridecheck.core.errors import LogError
from ridecheck.intake.readers.unpack import Member, open_log
from ridecheck.setup.propose.drafting import draft_of
from ridecheck.setup.propose.render import layout_toml
from ridecheck.setup.propose.sheet import read_sheet, widened
from ridecheck.setup.propose.times import find_time
from ridecheck.setup.propose.work import Mapped

__all__ = ["Mapped", "Proposal", "propose", "propose_member"]


@dataclass(frozen=True, slots=True)
class Proposal:
    """A draft layout. toml: commented, and accepted by the loader as it stands.

    mapped: channels that are in the draft, with how sure and why. questions: what could
    not be known, one sentence each. left_out: columns that are mapped onto nothing.
    """

    toml: str
    mapped: tuple[Mapped, ...]
    questions: tuple[str, ...]
    left_out: tuple[str, ...]

    @property
    def sure(self) -> bool:
        """True where nothing is left to ask."""
        return not self.questions


def propose(path: Path) -> Proposal:
    """Draft a layout for a file (the first usable log of an archive). Raises LogError."""
    problem: LogError | None = None
    for member in open_log(path):
        if member.problem is None:
            return propose_member(member)
        problem = problem or member.problem
    raise problem or LogError(
        "There is no log in this file", where=str(path), what_to_do="Give the logger's own file."
    )


def propose_member(member: Member) -> Proposal:
    """Draft a layout for one log. Raises LogError where it is no table with a time."""
    sheet = read_sheet(member)
    time = find_time(sheet, member.name)
    if time is None:
        raise LogError(
            "No column behaves like a time",
            where=member.name,
            value=f"columns {', '.join(list(sheet.cells)[:12])}",
            what_to_do="A log needs a time in every row that runs forward; have the logger "
            "write one.",
        )
    wide = widened(sheet, time.columns)
    if wide is not sheet:
        sheet, time = wide, find_time(wide, member.name) or time
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)  # of blank columns: that is no news
        draft = draft_of(sheet, time)
    return Proposal(
        toml=layout_toml(sheet, time, draft, name=member.name),
        mapped=draft.mapped,
        questions=(*sheet.questions, *time.questions, *draft.questions),
        left_out=draft.left_out,
    )
