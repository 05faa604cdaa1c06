"""The bench checks: what every one of them must tell a person, and must never tell."""

import re
import tomllib
from dataclasses import replace

import pytest
from pydantic import ValidationError

from ridecheck.bike.checks import Check, Component, checks
from ridecheck.core.resources import shipped

ALL = list(checks().values())


def words_of(check: Check) -> str:
    meanings = " ".join(f"{m.seen} {m.then}" for m in check.means)
    return f"{check.name} {check.how} {meanings} {check.caution}".lower()


def test_every_part_can_be_found_by_a_check_that_is_done_standing():
    parts = set(Component.__args__)
    findable = {part for check in ALL if check.standing for part in check.finds}

    # A slipping clutch shows only under load on the road (common practice).
    assert parts - findable == {"clutch_plates"}


def test_each_danger_can_be_signed_off_by_checks_done_standing():
    for name in ("lamp-by-each-control", "throttle-snaps-shut", "roll-off-click", "self-test-mode"):
        assert checks()[name].standing


def test_road_checks_are_marked_and_warn_of_the_road():
    road = {check.id for check in ALL if not check.standing}

    assert road == {
        "clutch-slip-roll-on",
        "speed-against-gps-ride",
        "cancel-proof-ride",
        "confirmation-ride",
    }
    for name in road:
        assert "licensed" in checks()[name].caution


@pytest.mark.parametrize("check", [c for c in ALL if c.standing], ids=lambda c: c.id)
def test_a_short_look_misses_an_intermittent_fault_at_least_as_often_as_a_steady_one(check):
    assert all(s.intermittent <= s.steady for s in check.finds.values())


@pytest.mark.parametrize("check", ALL, ids=lambda c: c.id)
class TestEveryCheck:
    def test_carries_a_caution(self, check):
        assert check.caution.endswith(".")

    def test_never_calls_anything_harmless(self, check):
        forbidden = r"\b(safe|safely|safety|unsafe|roadworthy|certified|approved|fit to ride)\b"

        assert not re.search(forbidden, words_of(check))

    def test_never_advises_to_put_a_switch_out_of_action(self, check):
        assert not re.search(r"bypass|bridg|jumper|\btap(e|ed|ing)\b|unplug", words_of(check))


@pytest.mark.parametrize(
    "name", ["lamp-by-each-control", "rear-pedal-point", "lever-free-play", "tap-test"]
)
def test_hands_on_a_brake_control_are_told_who_signs(name):
    assert "qualified person" in checks()[name].caution


def test_a_check_of_a_plate_says_that_an_unshut_throttle_keeps_the_bike_in():
    assert "not ridden" in checks()["throttle-snaps-shut"].caution


def test_a_mistyped_part_is_refused():
    with pytest.raises(ValidationError, match="front_brake"):
        replace(checks()["tap-test"], finds={"front_brake": (0.5, 0.5)})


def test_a_check_without_caution_is_refused():
    with pytest.raises(ValidationError, match="cautions"):
        replace(checks()["tap-test"], cautions=())


def test_no_check_is_certain():
    with pytest.raises(ValidationError, match="less than 1"):
        replace(checks()["tap-test"], finds={"supply": (1.0, 0.5)})


def test_the_table_of_what_a_check_finds_cannot_be_changed():
    with pytest.raises(TypeError):
        checks()["tap-test"].finds["supply"] = (0.5, 0.5)


def test_every_caution_in_the_file_is_used_by_a_check():
    table = tomllib.loads(shipped("schemas", "checks.toml").read_text("utf-8"))
    sentences = table.pop("cautions")

    assert set(sentences) == {key for entry in table.values() for key in entry["cautions"]}
