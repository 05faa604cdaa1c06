"""Tyre sizes against published worked examples; the source stands beside each."""

import math

import pytest

from ridecheck.fleet.tyres import TyreError, parse_tyre

MM_PER_INCH = 25.4

PUBLISHED_MM = [
    # A public tutorial on tyre arithmetic (2003): 205/55 R16 has a sidewall of 112.75 mm,
    # is 24.88 in high and turns 810.6 times a mile.
    pytest.param("205/55 R16", 24.88 * MM_PER_INCH, 0.15, id="tutorial, 205/55 R16"),
    # An encyclopaedia's article on speedometers: the change from 185/70R14 (24.196850 in)
    # to 195/50R15 (22.677165 in) makes the instrument read 6.7 percent high.
    pytest.param("185/70R14", 24.196850 * MM_PER_INCH, 0.001, id="speedometer article, old tyre"),
    pytest.param("195/50R15", 22.677165 * MM_PER_INCH, 0.001, id="speedometer article, new tyre"),
    # A public open-source test suite for tyre sizes (its figures are rounded, "about").
    pytest.param("MT90B16", 640.4, 0.1, id="alphanumeric size"),
    pytest.param("130/70-16", 588.0, 0.5, id="metric size with hyphen"),
    # The same suite's own convention for inch sizes: height = 100 percent of width. A
    # convention only; real tyres of that size differ by some millimetres.
    pytest.param("2.75-21", 673.1, 0.1, id="inch size, by convention"),
]


@pytest.mark.outside
@pytest.mark.parametrize(("size", "diameter_mm", "within_mm"), PUBLISHED_MM)
def test_diameter_agrees_with_published_examples(
    size: str, diameter_mm: float, within_mm: float
) -> None:
    assert parse_tyre(size).diameter_mm == pytest.approx(diameter_mm, abs=within_mm)


@pytest.mark.outside
def test_sidewall_and_turns_a_mile_of_the_tutorial() -> None:
    tyre = parse_tyre("205/55R16")
    turns_a_mile = 1609344 / (math.pi * tyre.diameter_mm)

    assert tyre.height_mm == pytest.approx(112.75)
    assert turns_a_mile == pytest.approx(810.6, abs=0.1)


@pytest.mark.outside
def test_speedometer_error_after_a_tyre_change() -> None:
    # The same article: 24.196850 / 22.677165 = 1.0670139.
    ratio = parse_tyre("185/70R14").diameter_mm / parse_tyre("195/50R15").diameter_mm

    assert ratio == pytest.approx(1.0670139, abs=1e-7)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("letters", "metric"),
    [
        # Two public conversion lists for motorcycle tyres agree on these.
        ("MH90-21", "80/90-21"),
        ("MJ90-19", "90/90-19"),
        ("MM90-19", "100/90-19"),
        ("MN90-18", "110/90-18"),
        ("MR90-18", "120/90-18"),
        ("MT90-17", "130/90-17"),
        ("MU90-16", "140/90-16"),
    ],
)
def test_width_letters_stand_for_the_metric_size(letters: str, metric: str) -> None:
    assert parse_tyre(letters) == parse_tyre(metric)


@pytest.mark.parametrize(
    ("written", "plain"),
    [
        ("180/55ZR17", "180/55-17"),
        ("180/55 ZR 17 M/C (73W)", "180/55-17"),
        ("170/60r17", "170/60R17"),
        ("150/80V16", "150/80-16"),
        ("130/90 HB-16 73H TL", "130/90-16"),
        ("mt90 b16", "MT90-16"),
        ("MU85 HB16", "MU85-16"),
        ("MU90-16 B", "MU90-16"),
        ("2,75 - 21", "2.75-21"),
        ("5.50 HB16", "5.50-16"),
    ],
)
def test_letters_for_speed_construction_and_load_do_not_matter(written: str, plain: str) -> None:
    assert parse_tyre(written) == parse_tyre(plain)


@pytest.mark.parametrize("size", ["170/60R17", "130/90-16", "MT90B16", "2.75-21"])
def test_a_loaded_wheel_rolls_a_little_less_than_its_free_circumference(size: str) -> None:
    tyre = parse_tyre(size)
    share = 1000 * tyre.rolling_circumference_m / (math.pi * tyre.diameter_mm)

    assert 0.96 <= share <= 1.0


@pytest.mark.parametrize(
    ("size", "told"),
    [
        ("", "not understood"),
        ("180/55", "not understood"),
        ("17", "not understood"),
        ("1700/60R17", "not understood"),
        ("170/60R71", "no motorcycle's"),
        ("MP85-18", "width letters not known: MP"),
        ("one hundred and seventy", "not understood"),
    ],
)
def test_a_size_that_cannot_be_read_says_what_to_write_instead(size: str, told: str) -> None:
    with pytest.raises(TyreError) as caught:
        parse_tyre(size)

    assert told in caught.value.what
    assert "rolling_circumference_m" in caught.value.what_to_do
