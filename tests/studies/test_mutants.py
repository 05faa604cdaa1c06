"""A seeded handful of numbers of danger rules, each changed: a test sees it, or it is explained.

The whole of it is `make mutants`; what it measured last stands in mutants.md.
"""

import random

import pytest
from mutants import GROUPS, WORLD, Mutant, Number, World, changes, explanations, killer, numbers

SEED = 15
HANDFUL = random.Random(SEED).sample(numbers("danger rules"), 6)


@pytest.fixture
def world(request):
    """The rides of one rule alone, so that a mutant takes a second."""
    WORLD[:] = [World({}, rule=request.param)]
    yield WORLD[0]
    WORLD.clear()


def rule_of(number: Number) -> str:
    return number.place.removeprefix("rules/").removesuffix(".py").replace("_", "-")


@pytest.mark.parametrize(
    ("world", "number"),
    [pytest.param(rule_of(n), n, id=n.key) for n in HANDFUL],
    indirect=["world"],
)
def test_a_number_of_a_danger_rule_is_held_or_explained(world, number):
    alive = [m.value for value in changes(number.value) if not killer(m := Mutant(number, value))]

    assert not alive or number.key in explanations()


@pytest.mark.parametrize("world", ["electrical/charging"], indirect=True)
def test_what_no_test_sees_survives(world):
    """The same kind of number, without any case that could see it."""
    number = next(n for n in numbers("danger rules") if "km/h" in n.text)

    assert killer(Mutant(number, number.value * 2)) == ""


def test_every_group_finds_its_files_and_numbers():
    assert all(len(numbers(group)) > 10 for group in GROUPS)


def test_every_explanation_is_of_a_number_that_there_is():
    keys = {n.key for group in GROUPS for n in numbers(group)}

    assert set(explanations()) <= keys


def test_one_number_is_changed_and_nothing_else():
    number = next(n for n in numbers("verdict") if n.value > 1)
    before = number.path.read_text("utf-8").splitlines()
    after = Mutant(number, number.value + 1).source.splitlines()

    differing = [n for n, (a, b) in enumerate(zip(before, after, strict=True), 1) if a != b]
    assert differing == [number.line]
