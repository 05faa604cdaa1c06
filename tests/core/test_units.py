"""Units against published conversion facts; the source stands beside each."""

import pytest

from ridecheck.core.catalog import channels
from ridecheck.core.units import UnitError, to_channel_unit, units_for

PUBLISHED = [
    # Definitions: international yard and pound agreement of 1959, as printed in the US
    # National Institute of Standards and Technology's Special Publication 811, appendix B.
    pytest.param("mph", "km/h", 1.0, 1.609344, id="mile is 1609.344 m exactly"),
    pytest.param("ft", "m", 1.0, 0.3048, id="foot is 0.3048 m exactly"),
    pytest.param("mi", "km", 1.0, 1.609344, id="statute mile in km"),
    # International Extraordinary Hydrographic Conference, Monaco 1929.
    pytest.param("knots", "km/h", 1.0, 1.852, id="nautical mile is 1852 m exactly"),
    # SI brochure: 1 h = 3600 s; 1 bar = 100 kPa; t/degC = T/K - 273.15.
    pytest.param("m/s", "km/h", 1.0, 3.6, id="metre a second"),
    pytest.param("bar", "kPa", 1.0, 100.0, id="bar"),
    pytest.param("K", "degC", 273.15, 0.0, id="ice point in kelvin"),
    pytest.param("K", "degC", 0.0, -273.15, id="absolute zero"),
    pytest.param("degC", "K", 100.0, 373.15, id="and the other way"),
    # The fixed points of the Fahrenheit scale: water freezes at 32, boils at 212.
    pytest.param("degF", "degC", 32.0, 0.0, id="ice point in degrees Fahrenheit"),
    pytest.param("degF", "degC", 212.0, 100.0, id="steam point in degrees Fahrenheit"),
    pytest.param("degF", "degC", -40.0, -40.0, id="where both scales meet"),
    # NIST SP 811, appendix B.9: psi to kilopascal 6.894 757.
    pytest.param("psi", "kPa", 1.0, 6.894757, id="pound-force per square inch"),
    # Third General Conference on Weights and Measures, 1901.
    pytest.param("g", "m/s2", 1.0, 9.80665, id="standard gravity"),
    # One turn a second is sixty a minute; half a turn is pi radians.
    pytest.param("Hz", "rpm", 50.0, 3000.0, id="turns a second"),
    pytest.param("1/min", "rpm", 3000.0, 3000.0, id="turns a minute"),
    pytest.param("rad", "degrees", 3.141592653589793, 180.0, id="half a turn"),
    pytest.param("rad/s", "degrees/s", 3.141592653589793, 180.0, id="half a turn a second"),
    pytest.param("mV", "V", 12600.0, 12.6, id="millivolts"),
    pytest.param("%", "%", 40.0, 40.0, id="percent"),
    # A sentence of satellite receivers carries the same speed in knots and km/h
    # (NMEA 0183, VTG): 5.5 kn beside 10.2 km/h, printed to a tenth.
    pytest.param("kn", "km/h", 5.5, 10.186, id="speed over ground sentence"),
]


@pytest.mark.outside
@pytest.mark.parametrize(("unit", "into", "value", "expected"), PUBLISHED)
def test_conversions_agree_with_published_facts(
    unit: str, into: str, value: float, expected: float
) -> None:
    scale, offset = to_channel_unit(unit, into)

    assert value * scale + offset == pytest.approx(expected, rel=1e-7, abs=1e-9)


@pytest.mark.parametrize(
    ("spelling", "unit", "into"),
    [
        ("KM/H", "km/h", "km/h"),
        ("km / h", "km/h", "km/h"),
        ("[kph]", "km/h", "km/h"),
        ("MPH", "mph", "km/h"),
        ("knot", "knots", "km/h"),
        ("RPM", "rpm", "rpm"),
        ("(1/min)", "rpm", "rpm"),
        ("hz", "Hz", "rpm"),
        ("°C", "degC", "degC"),
        ("Celsius", "degC", "degC"),
        ("° F", "degF", "degC"),
        ("MV", "mV", "V"),
        ("Psi", "psi", "kPa"),
        ("m/s²", "m/s2", "m/s2"),
        ("m/s^2", "m/s2", "m/s2"),
        ("G", "g", "m/s2"),
        ("deg/s", "degrees/s", "degrees/s"),
        ("°", "degrees", "degrees"),
        ("feet", "ft", "m"),
        ("Miles", "mi", "km"),
    ],
)
def test_spelling_does_not_matter(spelling: str, unit: str, into: str) -> None:
    assert to_channel_unit(spelling, into) == to_channel_unit(unit, into)


@pytest.mark.parametrize(
    ("unit", "into", "told"),
    [
        ("knotz", "km/h", "did you mean knots?"),
        ("furlongs a fortnight", "km/h", "allowed: km/h, mph, m/s, knots"),
        ("bar", "km/h", "this unit measures something else"),
        ("rpm", "%", "this unit measures something else"),
        ("V", "", "it has no unit"),
        ("", "km/h", "unit not known"),
    ],
)
def test_a_unit_that_does_not_fit_says_what_would(unit: str, into: str, told: str) -> None:
    with pytest.raises(UnitError) as caught:
        to_channel_unit(unit, into)

    assert told in str(caught.value)


def test_every_number_channel_has_a_unit_that_stands_for_itself() -> None:
    for channel in channels().values():
        if channel.kind != "number":
            continue

        assert to_channel_unit(channel.unit, channel.unit) == (1.0, 0.0), channel.name
        assert len(units_for(channel.unit)) >= 1
