"""The file of causes: nothing in it hangs in the air."""

from dataclasses import replace
from typing import get_args

import pytest

from ridecheck.bike.checks import Component, checks
from ridecheck.bike.diagnose import causes as module
from ridecheck.bike.diagnose.causes import knowledge
from ridecheck.core.catalog import channels

KNOWN = knowledge()
CAUSES = list(KNOWN.causes.values())


def test_every_part_that_can_be_suspected_has_a_cause_and_facts():
    parts = set(get_args(Component))

    assert {c.part for c in CAUSES if c.part} == parts
    assert set(KNOWN.parts) == parts


def test_every_channel_named_is_one_that_can_be_logged():
    named = {c for p in KNOWN.parts.values() for c in p.channels}
    named |= {c for s in KNOWN.signs.values() for c in s.channels}
    named |= {c for cs in KNOWN.cancels.values() for c in cs}

    assert named <= set(channels())


def test_every_sign_is_shown_by_some_cause():
    shown = {s for c in CAUSES for s in c.shows}

    assert shown == set(KNOWN.signs)


@pytest.mark.parametrize("cause", CAUSES, ids=lambda c: c.id)
def test_every_cause_of_a_part_is_found_by_some_check(cause):
    if not cause.part:
        assert not any(cause.found_chance(c) for c in checks())
        return

    assert max(cause.found_chance(c) for c in checks()) >= 0.15


@pytest.mark.parametrize("cause", CAUSES, ids=lambda c: c.id)
def test_every_cause_can_show_somehow(cause):
    assert cause.shows or cause.cancels


def test_a_weekly_cause_weighs_as_many_weeks_as_a_year_has():
    assert KNOWN.causes["front-switch-worn"].weight == 52


@pytest.mark.parametrize(
    "change",
    [
        {"shows": {"no-such-sign": 0.5}},
        {"cancels_as": ("no_such_cause",)},
        {"found_by": {"no-such-check": 0.5}},
    ],
)
def test_a_name_that_is_not_there_is_refused(change):
    wrong = replace(KNOWN.causes["fuse"], **change)
    known = replace(KNOWN, causes={"fuse": wrong})

    with pytest.raises(ValueError, match=r"fuse names no.such"):
        module._refuse_unknown_names(known)
