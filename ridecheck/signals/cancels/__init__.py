"""How each engagement of cruise ended: its cause, and whether the rider commanded it.

candidates -> evidence -> cause -> commanded or not. ``candidates`` and ``candidate_signals`` list
what changed near the end, each with its evidence; ``latency`` learns how long this unit takes;
``cause`` picks one of them; the table in ``intent`` says whether the rider commanded it.
"""

from ridecheck.signals.cancels.attribution import VOTE_S, cancels
from ridecheck.signals.cancels.candidate import seen
from ridecheck.signals.cancels.candidates import LOOK_AHEAD_S, LOOK_BACK_S, disengages_after
from ridecheck.signals.cancels.cause import CAUSES
from ridecheck.signals.cancels.contacts import grip_contradicts
from ridecheck.signals.cancels.intent import DECISIONS
from ridecheck.signals.cancels.logged import fully_logged, must_cancel_channels, not_logged
from ridecheck.signals.cancels.what_acted_first import not_cruise

__all__ = [
    "CAUSES",
    "DECISIONS",
    "LOOK_AHEAD_S",
    "LOOK_BACK_S",
    "VOTE_S",
    "cancels",
    "disengages_after",
    "fully_logged",
    "grip_contradicts",
    "must_cancel_channels",
    "not_cruise",
    "not_logged",
    "seen",
]
