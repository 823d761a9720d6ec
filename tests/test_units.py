"""Units against NIST SP 811 appendix B and against pint, a general-purpose unit library."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rangebook.pipeline import units
from rangebook.pipeline.units import UnknownUnit, conversion, difference, shown

# NIST SP 811 (2008), appendix B.8; exact there, except hp and psi which it gives to 7 digits
# and which follow from its exact foot, pound and standard gravity.
NIST = [
    ("mi", "m", 1609.344),
    ("mph", "m/s", 0.44704),
    ("lb", "kg", 0.45359237),
    ("hp", "W", 745.69987158),
    ("psi", "Pa", 6894.757293),
    ("in", "mm", 25.4),
    ("ft", "m", 0.3048),
    ("yd", "m", 0.9144),
    ("kn", "m/s", 0.5144444444444445),
    ("km/h", "m/s", 0.2777777777777778),
    ("oz", "kg", 0.028349523125),
    ("J", "W.h", 1 / 3600),
    ("Wh/mi", "W.h/km", 0.621371192237334),
    ("h", "s", 3600.0),
]

PINT_NAMES = {
    "A·h": "ampere*hour", "A*h": "ampere*hour", "A.h": "ampere*hour", "Ah": "ampere*hour", "Ahr": "ampere*hour",
    "amp-hours": "ampere*hour", "mAh": "milliampere*hour", "mA.h": "milliampere*hour", "mA·h": "milliampere*hour",
    "As": "ampere*second", "A.s": "ampere*second", "A·s": "ampere*second", "Wh": "watt*hour", "W.h": "watt*hour",
    "W·h": "watt*hour", "W*h": "watt*hour", "Whr": "watt*hour", "kWh": "kilowatt*hour", "kW.h": "kilowatt*hour",
    "kW·h": "kilowatt*hour", "mWh": "milliwatt*hour", "mW.h": "milliwatt*hour", "W.s": "watt*second",
    "hp": "horsepower", "[HP]": "horsepower", "bhp": "horsepower", "PS": "metric_horsepower", "in": "inch", '"': "inch",
    "[in_i]": "inch", "[ft_i]": "foot", "[yd_i]": "yard", "[mi_i]": "mile", "[nmi_i]": "nautical_mile",
    "nmi": "nautical_mile", "kilo": "kilogram", "kilos": "kilogram", "t": "tonne", "lb": "pound", "lbs": "pound",
    "[lb_av]": "pound", "[oz_av]": "ounce", "sec": "second", "secs": "second", "mo": "month", "msec": "millisecond",
    "usec": "microsecond", "mins": "minute", "hr": "hour", "hrs": "hour", "MPH": "mile/hour", "mph": "mile/hour",
    "kph": "kilometre/hour", "kmh": "kilometre/hour", "kmph": "kilometre/hour", "kn": "knot", "kt": "knot",
    "kts": "knot", "[kn_i]": "knot", "1": "dimensionless", "%": "percent", "pct": "percent", "Ohm": "ohm",
    "mOhm": "milliohm", "[psi]": "psi", "°": "degree", "deg": "degree", "amp": "ampere", "amps": "ampere",
    "milliamp": "milliampere", "milliamps": "milliampere", "milliohms": "milliohm", "ohms": "ohm", "h": "hour",
    "min": "minute", "°C": "degC", "C": "degC", "Cel": "degC", "deg.C": "degC", "°F": "degF", "F": "degF",
    "deg.F": "degF", "[degF]": "degF",
}  # fmt: skip


@pytest.mark.parametrize(("unit", "canonical", "factor"), NIST)
def test_factors_are_those_of_nist(unit: str, canonical: str, factor: float) -> None:
    assert conversion(unit, canonical) == (pytest.approx(factor, rel=5e-10), 0.0)


# Celsius from Fahrenheit is (F - 32)/1.8 in NIST SP 811, appendix B.8.
@pytest.mark.parametrize(("fahrenheit", "celsius"), [(77, 25.0), (104, 40.0), (-40, -40.0), (32, 0.0), (212, 100.0)])
def test_fahrenheit(fahrenheit: float, celsius: float) -> None:
    factor, offset = conversion("F", "Cel")
    assert fahrenheit * factor + offset == pytest.approx(celsius, abs=1e-12)


def test_a_rise_has_no_offset() -> None:
    assert 18 * difference("F", "K") == 10.0
    assert 18 * difference("°F", "Cel") == 10.0
    assert difference("C", "K") == 1.0


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@pytest.mark.parametrize("spelling", sorted(units._spellings()))
def test_every_spelling_agrees_with_pint(spelling: str, registry: pint.UnitRegistry) -> None:
    unit = units._spellings()[spelling]
    base = units._PINT_BASES[unit.dimension]
    for value in (0.0, 1.0, 12.5):
        expected = registry.Quantity(value, PINT_NAMES.get(spelling, spelling)).to(base).magnitude
        assert value * float(unit.factor) + float(unit.offset) == pytest.approx(expected, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("unit", "canonical", "factor"),
    [
        ("[V]", "V", 1.0),
        ("(mV)", "V", 0.001),
        (" KM/H ", "m/s", 1 / 3.6),
        ("miles per hour", "m/s", 0.44704),
        ("[mi_i]/h", "m/s", 0.44704),
        ("MIN", "s", 60.0),
        ("MM", "m", 0.001),
        ("Volts", "V", 1.0),
        ("µs", "s", 1e-6),
        ("Ω", "Ohm", 1.0),
        ("%", "%", 1.0),
        ("Ah/mi", "A.h/km", 1 / 1.609344),
    ],
)
def test_spellings_people_use(unit: str, canonical: str, factor: float) -> None:
    assert conversion(unit, canonical) == (pytest.approx(factor, rel=1e-15), 0.0)


@pytest.mark.parametrize("unit", ["℃", "°C", "º C", "° C", "C", "degC", "CELSIUS", "Cel"])
def test_celsius_however_it_is_typed(unit: str) -> None:
    assert conversion(unit, "Cel") == (1.0, 0.0)


def test_names_the_table_lacks_come_from_pint(registry: pint.UnitRegistry) -> None:
    assert conversion("league", "m")[0] == pytest.approx(registry("league").to("metre").magnitude)
    assert conversion("uV", "V")[0] == pytest.approx(1e-6)
    factor, offset = conversion("degR", "Cel")
    assert 491.67 * factor + offset == pytest.approx(0.0, abs=1e-9)  # ice point 491.67 °R, NIST SP 811 B.8


@pytest.mark.parametrize(
    ("unit", "canonical"),
    [
        ("kg", "V"),
        ("F", "V"),
        ("", "V"),
        ("  ", "V"),
        ("apples", "m"),
        ("mi/kWh", "W.h/km"),
        ("/", "V"),
        ("m/", "m/s"),
        ("C/s", "m/s"),
        ("9**9**9**9", "m"),
        ("m**999999999", "m"),
        ("__import__('os')", "m"),
        ("V" * 5000, "V"),
        ("V", "no such unit"),
    ],
)
def test_what_is_no_unit_is_refused_with_a_hint(unit: str, canonical: str) -> None:
    with pytest.raises(UnknownUnit) as caught:
        conversion(unit, canonical)
    assert caught.value.hint


@pytest.mark.parametrize("unit", ["MV", "MA", "MAh", "MWH", "MS"])
def test_milli_and_mega_are_not_guessed(unit: str) -> None:
    canonical = {"MV": "V", "MA": "A", "MAh": "A.h", "MWH": "W.h", "MS": "s"}[unit]
    with pytest.raises(UnknownUnit, match="milli or mega"):
        conversion(unit, canonical)


@given(st.text(max_size=30), st.sampled_from(["V", "A", "A.h", "Cel", "m", "m/s", "kg", "%"]))
def test_any_text_is_a_unit_or_refused(text: str, canonical: str) -> None:
    try:
        factor, offset = conversion(text, canonical)
    except UnknownUnit as problem:
        assert str(problem) and problem.hint
    else:
        assert math.isfinite(factor) and math.isfinite(offset)


def test_shown_in_the_units_of_the_book() -> None:
    assert shown(1609.344, "m", "mi") == (pytest.approx(1.0), "mi")
    assert shown(1000.0, "m", "km") == (pytest.approx(1.0), "km")
    assert shown(0.44704, "m/s", "mi") == (pytest.approx(1.0), "mph")
    assert shown(10.0, "m/s", "km") == (pytest.approx(36.0), "km/h")
    assert shown(0.621371192237334, "W.h/km", "mi") == (pytest.approx(1.0), "Wh/mi")
    assert shown(2.0, "A.h/km", "km") == (2.0, "Ah/km")
    assert shown(21.0, "Cel", "mi") == (21.0, "°C")
    assert shown(3.0, "W.h", "mi") == (3.0, "Wh")
