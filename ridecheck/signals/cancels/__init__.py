"""How each engagement of cruise ended: its cause, and whether the rider commanded it.

candidates -> evidence -> cause -> commanded or not. ``candidates`` and ``candidate_signals`` list
what changed near the end, ``latency`` learns how long this unit takes, ``attribution`` picks the
cause, ``intent`` says whether a hand meant it.
"""

from ridecheck.signals.cancels.attribution import (
    VOTE_S,
    cancels,
    fully_logged,
    must_cancel_channels,
    not_logged,
)
from ridecheck.signals.cancels.candidates import (
    LOOK_AHEAD_S,
    LOOK_BACK_S,
    WORDS,
    disengages_after,
)
from ridecheck.signals.cancels.contacts import grip_contradicts
from ridecheck.signals.cancels.what_acted_first import not_cruise

__all__ = [
    "LOOK_AHEAD_S",
    "LOOK_BACK_S",
    "VOTE_S",
    "WORDS",
    "cancels",
    "disengages_after",
    "fully_logged",
    "grip_contradicts",
    "must_cancel_channels",
    "not_cruise",
    "not_logged",
]
