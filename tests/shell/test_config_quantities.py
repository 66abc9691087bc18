"""Units against SciPy's constants and the factors printed in NIST SP 811."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants as sc

from logger.config.quantities import (
    SHOWN,
    UNITS,
    Dimension,
    QuantityError,
    from_si,
    parse,
    parse_any,
    show,
    to_si,
)

D = Dimension

# SciPy's own definitions (scipy.constants); 1e-6 where it rounds a conventional density.
SCIPY = [
    ("1 °F", D.DIFFERENCE, sc.degree_Fahrenheit, 1e-15),
    ("1 cfm", D.VOLUME_FLOW, sc.foot**3 / sc.minute, 1e-15),
    ("1 m3/h", D.VOLUME_FLOW, 1 / sc.hour, 1e-15),
    ("1 L/s", D.VOLUME_FLOW, sc.liter, 1e-15),
    ("1 lb/h", D.MASS_FLOW, sc.pound / sc.hour, 1e-15),
    ("1 lb/min", D.MASS_FLOW, sc.pound / sc.minute, 1e-15),
    ("1 kg/h", D.MASS_FLOW, 1 / sc.hour, 1e-15),
    ("1 fpm", D.VELOCITY, sc.foot / sc.minute, 1e-15),
    ("1 ft/s", D.VELOCITY, sc.foot, 1e-15),
    ("1 km/h", D.VELOCITY, sc.kmh, 1e-15),
    ("1 Btu/h", D.POWER, sc.Btu_IT / sc.hour, 1e-12),
    ("1 MBH", D.POWER, 1000 * sc.Btu_IT / sc.hour, 1e-12),
    ("1 kW", D.POWER, sc.kilo, 1e-15),
    ("1 ton", D.POWER, 12_000 * sc.Btu_IT / sc.hour, 1e-12),
    ("1 hPa", D.PRESSURE, sc.hecto, 1e-15),
    ("1 mbar", D.PRESSURE, sc.bar / 1000, 1e-15),
    ("1 psi", D.PRESSURE, sc.psi, 1e-14),
    ("1 inHg", D.PRESSURE, 25.4 * sc.mmHg, 1e-6),
    ("1 in.wg", D.PRESSURE, sc.inch * 1000 * sc.g, 1e-15),
    ("1 %", D.FRACTION, 0.01, 0),
    ("1 min", D.TIME, sc.minute, 0),
    ("1 h", D.TIME, sc.hour, 0),
    ("30 days", D.TIME, 30 * sc.day, 0),
    ("1 ft", D.LENGTH, sc.foot, 1e-15),
    ("1 in", D.LENGTH, sc.inch, 1e-15),
    ("1 ft2", D.AREA, sc.foot**2, 1e-15),
    ("1 in2", D.AREA, sc.inch**2, 1e-15),
    ("1 cm2", D.AREA, sc.centi**2, 1e-15),
    ("1 ft3", D.VOLUME, sc.foot**3, 1e-15),
    ("1 L", D.VOLUME, sc.liter, 1e-15),
    ("1 lb/ft3", D.DENSITY, sc.pound / sc.foot**3, 1e-15),
    ("1 Btu/ft3", D.HEATING_VALUE, sc.Btu_IT / sc.foot**3, 1e-12),
    ("1 kWh/m3", D.HEATING_VALUE, sc.kilo * sc.hour, 1e-15),
    ("1 MJ/m3", D.HEATING_VALUE, sc.mega, 1e-15),
    ("1 kB", D.STORAGE, sc.kilo, 1e-15),
    ("1 MB", D.STORAGE, sc.mega, 1e-15),
    ("1 GB", D.STORAGE, sc.giga, 1e-15),
    ("1 TB", D.STORAGE, sc.tera, 1e-15),
    ("1 MiB", D.STORAGE, sc.mebi, 1e-15),
    ("1 GiB", D.STORAGE, sc.gibi, 1e-15),
]


@pytest.mark.parametrize(("text", "dimension", "expected", "tolerance"), SCIPY)
def test_factors_are_those_of_scipy(text: str, dimension: D, expected: float, tolerance: float) -> None:
    assert parse(text, dimension) == pytest.approx(expected, rel=max(tolerance, 1e-15))


# Factors as printed in NIST SP 811 (2008), appendix B.8 (recalled), rounded there to seven digits.
NIST = [
    ("1 Btu/h", D.POWER, 2.930711e-01),
    ("1 ton", D.POWER, 3.516853e03),  # ton of refrigeration (12 000 Btu_IT/h)
    ("1 cfm", D.VOLUME_FLOW, 4.719474e-04),
    ("1 fpm", D.VELOCITY, 5.08e-03),
    ("1 lb/h", D.MASS_FLOW, 1.259979e-04),
    ("1 lb/min", D.MASS_FLOW, 7.559873e-03),
    ("1 psi", D.PRESSURE, 6.894757e03),
    ("1 inHg", D.PRESSURE, 3.386389e03),
    ("1 in.wg", D.PRESSURE, 2.490889e02),
    ("1 ft2", D.AREA, 9.290304e-02),
    ("1 in2", D.AREA, 6.4516e-04),
    ("1 ft3", D.VOLUME, 2.831685e-02),
    ("1 lb/ft3", D.DENSITY, 1.601846e01),
    ("1 Btu/ft3", D.HEATING_VALUE, 3.725895e04),
]


@pytest.mark.parametrize(("text", "dimension", "expected"), NIST)
def test_factors_are_those_printed(text: str, dimension: D, expected: float) -> None:
    assert parse(text, dimension) == pytest.approx(expected, rel=3e-7)


@pytest.mark.parametrize(
    ("text", "scale", "value"),
    [
        ("70 °F", "Fahrenheit", 70.0),
        ("70F", "F", 70.0),
        ("70 degF", "f", 70.0),
        ("-40 F", "F", -40.0),
        ("21 °C", "C", 21.0),
        ("21 C", "C", 21.0),
        ("21degC", "C", 21.0),
        ("294.15 K", "K", 294.15),
    ],
)
def test_temperatures_are_those_of_scipy(text: str, scale: str, value: float) -> None:
    expected = sc.convert_temperature(value, scale, "Celsius")
    assert parse(text, D.TEMPERATURE) == pytest.approx(expected, abs=1e-10)


def test_a_temperature_in_a_difference_is_read_as_a_difference() -> None:
    assert parse("45 °F", D.DIFFERENCE) == pytest.approx(25.0)
    assert parse("25 °C", D.DIFFERENCE) == parse("25 K", D.DIFFERENCE) == 25.0


def test_every_unit_has_an_outside_check_or_is_plain_si() -> None:
    checked = {(d, t.split()[1]) for t, d, *_ in SCIPY}
    for dimension, units in UNITS.items():
        for unit in units:
            plain = (unit.times, unit.per, unit.shift) == (1.0, 1.0, 0.0) or dimension is D.TEMPERATURE
            metric_length = dimension is D.LENGTH and unit.spellings[0] in {"cm", "mm"}
            metric = metric_length or unit.spellings[0] == "kPa"  # decimal prefixes, tested below
            assert plain or metric or any((dimension, s) in checked for s in unit.spellings), unit


def test_decimal_prefixes() -> None:
    assert parse("98.6 kPa", D.PRESSURE) == pytest.approx(98600.0)
    assert parse("12 cm", D.LENGTH) == pytest.approx(0.12)
    assert parse("450 mm", D.LENGTH) == pytest.approx(0.45)


def test_no_spelling_stands_twice_in_a_dimension() -> None:
    for units in UNITS.values():
        spellings = [s for unit in units for s in unit.spellings]
        assert len(spellings) == len(set(spellings))


@pytest.mark.parametrize(
    ("text", "dimension", "parts"),
    [
        ("1850", D.VOLUME_FLOW, ["'1850' needs a unit", "cfm", "m3/s"]),
        ("1850 CFM", D.VOLUME_FLOW, ["unknown unit 'CFM'", "did you mean 'cfm'?"]),
        ("1850 cfn", D.VOLUME_FLOW, ["unknown unit 'cfn'", "did you mean 'cfm'?"]),
        ("1,850 cfm", D.VOLUME_FLOW, ["'1,850 cfm' has a separator", "plain digits"]),
        ("1 850 cfm", D.VOLUME_FLOW, ["has a separator"]),
        ("21,5 °C", D.TEMPERATURE, ["has a separator", "21.5"]),
        ("70 W", D.TEMPERATURE, ["a unit of power, not of temperature", "°F"]),
        ("3 K", D.POWER, ["a unit of temperature, not of power", "ton, tons (of refrigeration)"]),
        ("5 ton", D.MASS_FLOW, ["a unit of power (a ton of refrigeration), not of mass flow", "lb/h"]),
        ("5.5 Tons", D.POWER, ["did you mean 'tons'"]),
        ("nan W", D.POWER, ["'nan W' is no power", "plain decimal number"]),
        ("inf W", D.POWER, ["is no power"]),
        ("1e999 W", D.POWER, ["not a finite value"]),
        ("1e308 kW", D.POWER, ["not a finite value"]),
        ("", D.POWER, ["'' is no power"]),
        ("W", D.POWER, ["is no power"]),
        ("0x10 W", D.POWER, ["unknown unit 'x10 W'"]),
        ("١ W", D.POWER, ["is no power"]),
        ("-500 °F", D.TEMPERATURE, ["below absolute zero"]),
        ("1 W\x1b[2J", D.POWER, ["unknown unit 'W?[2J'"]),
        ("9" * 100, D.POWER, ["'" + "9" * 40 + "…' needs a unit"]),
    ],
)
def test_what_is_refused_says_what_is_accepted(text: str, dimension: D, parts: list[str]) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, dimension)
    assert caught.value.exit_code == 2
    for part in parts:
        assert part in str(caught.value)
    assert "\n" not in str(caught.value)


def test_one_of_several_dimensions() -> None:
    assert parse_any("2 L/s", D.VOLUME_FLOW, D.MASS_FLOW) == (D.VOLUME_FLOW, 0.002)
    with pytest.raises(QuantityError, match=r"a unit of power, not of volume flow or mass flow"):
        parse_any("2 W", D.VOLUME_FLOW, D.MASS_FLOW)


@pytest.mark.parametrize(
    ("value", "dimension", "us", "si"),
    [
        (21.111, D.TEMPERATURE, "70.0 °F", "21.1 °C"),
        (25.0, D.DIFFERENCE, "45.0 °F", "25.0 K"),
        (0.873103, D.VOLUME_FLOW, "1850 cfm", "0.873 m³/s"),
        (31945.0, D.POWER, "109000 Btu/h", "31.9 kW"),
        (450.0, D.POWER, "1540 Btu/h", "0.45 kW"),
        (-450.0, D.POWER, "-1540 Btu/h", "-0.45 kW"),
        (0.0, D.POWER, "0 Btu/h", "0.00 kW"),
        (-0.001, D.DIFFERENCE, "0.0 °F", "0.0 K"),
        (98787.9, D.PRESSURE, "29.17 inHg", "98.79 kPa"),
        (0.053, D.FRACTION, "5.3 %", "5.3 %"),
        (math.nan, D.POWER, "not known", "not known"),
        (1.7e308, D.POWER, "not known", "not known"),
    ],
)
def test_values_are_shown_with_sensible_digits(value: float, dimension: D, us: str, si: str) -> None:
    if not value > 1e300:
        assert show(value, dimension, "si") == si
    assert show(value, dimension, "us") == us


_SPELLED = [(d, s) for d, units in UNITS.items() for unit in units for s in unit.spellings]


@settings(max_examples=200)
@given(st.sampled_from(_SPELLED), st.floats(-270, 1e9))
def test_every_unit_reads_back(spelled: tuple[D, str], number: float) -> None:
    dimension, spelling = spelled
    if dimension is D.TEMPERATURE:
        number = abs(number)
    value = parse(f"{number!r} {spelling}", dimension)
    assert value == to_si(number, spelling, dimension)
    assert from_si(value, spelling, dimension) == pytest.approx(number, rel=1e-12, abs=1e-9)


@settings(max_examples=200)
@given(st.sampled_from(list(D)), st.floats(-200, 1e6), st.sampled_from(["us", "si"]))
def test_what_is_shown_reads_back(dimension: D, value: float, units: str) -> None:
    text = show(value, dimension, units)  # type: ignore[arg-type]
    unit = SHOWN[dimension][units == "si"].unit
    assert text.endswith(f" {unit}")
    step = to_si(1.0, unit, dimension) - to_si(0.0, unit, dimension)
    decimals = SHOWN[dimension][units == "si"].places(from_si(value, unit, dimension))
    assert parse(text, dimension) == pytest.approx(value, rel=1e-9, abs=0.51 * step * 10.0**-decimals)


@settings(max_examples=200)
@given(st.text(max_size=30), st.sampled_from(list(D)))
def test_any_text_gives_a_finite_value_or_one_sentence(text: str, dimension: D) -> None:
    try:
        value, sentence = parse(text, dimension), ""
    except QuantityError as error:
        value, sentence = 0.0, str(error)
    assert math.isfinite(value)
    assert sentence.isprintable()
