"""Bikes of a model that read alike point at the model file, once, above the bikes."""

import pytest
from reporters import examples

from ridecheck.bike.alike import RULE, models_doubted
from ridecheck.core.model import Coverage, State, Verdict
from ridecheck.reporters.html import index_page
from ridecheck.reporters.json_report import report_json
from ridecheck.reporters.terminal import board


def bike(tag: str, percent: float | None, model: str = "tourer-b"):
    """A bike whose newest ride read so far off, or within what is allowed (None)."""
    found = () if percent is None else (examples.finding(tag, RULE, "off", measured=percent),)
    state = State.OK if percent is None else State.FAULT
    coverage = (Coverage(RULE, state, "", 600.0, 0),)
    made = examples.bike(tag, Verdict.RELEASE, findings=found, coverage=coverage)
    return examples.replace(made, model=model)


def fleet(*percents: float | None, model: str = "tourer-b"):
    return [bike(f"T{n:02}", percent, model) for n, percent in enumerate(percents, 1)]


def test_five_bikes_with_one_wrong_tyre_are_one_sentence():
    said = models_doubted(fleet(-3.1, -3.3, -3.3, -3.6, -3.0))

    assert said == (
        "all 5 bikes of tourer-b read 3.3 % low: check the tyre and the ratios in "
        "models/tourer-b.toml before any of the bikes",
    )


@pytest.mark.parametrize(
    "percents",
    [
        (-3.3, -3.3),
        (-3.3, 3.3, -8.0, None, None),
        (-3.3, -3.3, -3.3, None, None),
        (None, None, None),
    ],
)
def test_a_few_bikes_or_bikes_that_differ_are_their_own_matter(percents):
    assert models_doubted(fleet(*percents)) == ()


def test_most_bikes_of_a_model_are_named():
    (said,) = models_doubted(fleet(4.0, 4.2, 3.9, None))

    assert said.startswith("T01, T02, T03 of tourer-b read 4.0 % high: ")


def test_models_are_not_mixed():
    both = [*fleet(-3.3, -3.3), *[bike("U1", -3.3, "other"), bike("U2", -3.3, "other")]]

    assert models_doubted(both) == ()


def test_board_page_and_json_say_it_once_above_the_bikes():
    bikes = fleet(-3.3, -3.3, -3.3)
    report = examples.replace(examples.report(*bikes), models_doubted=models_doubted(bikes))

    text, page = board(report), index_page(report)

    for shown in (text, page, report_json(report)):
        assert shown.lower().count("of tourer-b read 3.3 % low") == 1
    assert text.index("tourer-b read") < text.index("T01")
    assert page.index("tourer-b read") < page.index("bikes/T01.html")
