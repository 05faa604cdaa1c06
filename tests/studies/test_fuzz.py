"""A small, fixed share of the damaged logs of tests/studies/fuzz.py."""

import fuzz
import pytest


@pytest.fixture(scope="module")
def tally() -> fuzz.Tally:
    """Some hundred damaged logs, read; some of them judged, for some a layout drafted."""
    counted = fuzz.Tally()
    for seed in range(240):
        fuzz.try_one(seed, counted, judged=seed % 12 == 0, proposed=seed % 40 == 0)
    return counted


def test_no_damage_ends_in_a_traceback_or_a_hang(tally: fuzz.Tally) -> None:
    assert tally.broken == []
    assert 0 < tally.refused < tally.logs


def test_what_leaves_nine_tenths_of_the_rows_is_read_with_its_distance(tally: fuzz.Tally) -> None:
    assert tally.light > 100
    assert tally.light_share() >= 0.95, tally.lost


def test_no_damage_clears_a_danger(tally: fuzz.Tally) -> None:
    assert tally.released == []


def test_the_sound_logs_show_their_danger_and_only_those() -> None:
    for sound in fuzz.sound_logs():
        found = fuzz.dangers(fuzz.read(sound, sound.data), sound)

        assert (found is fuzz.State.FAULT) == sound.danger
        assert sound.distance_km == pytest.approx(6.0, rel=0.05)
