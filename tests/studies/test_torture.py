"""A small part of ``make torture``: nights that are killed at random instants."""

import random

from torture import Tally, killed, make_fleet, watched


def test_after_three_kills_an_undisturbed_night_ends_as_if_there_had_been_none(tmp_path):
    folder = make_fleet(tmp_path / "fleet", logs=14)
    tally = Tally()
    with watched(folder.root, tally):
        killed(folder.root, tally, kills=3, rng=random.Random(7))

    assert tally.kills == 3
    assert tally.differing == []
    assert tally.torn_pages == 0
