"""Values with units: text to SI, and SI to text for people.

The spellings stand in ``units``, case-sensitive. A number alone is refused: it needs a unit.
"""

from __future__ import annotations

import difflib
import math
import re
from typing import Literal, NamedTuple

from logger.core.errors import UsageError
from logger.core.units import UNITS, ZERO_C_K, Dimension
from logger.text import hide_keys

__all__ = [
    "SHOWN",
    "UNITS",
    "Dimension",
    "QuantityError",
    "Shown",
    "Units",
    "accepted_units",
    "from_si",
    "parse",
    "parse_any",
    "quoted",
    "show",
    "spellings",
    "to_si",
]

Units = Literal["us", "si"]


class QuantityError(UsageError, ValueError):
    """A text is no quantity of the dimension asked for; the sentence says what is accepted."""


SHORTCUT = {"us": "1.08 x cfm", "si": "1.21 x m³/s"}  # Btu/h per degF, kW per K: core.heat.SHORTCUT_J_M3_K
_BY_SPELLING = {d: {s: unit for unit in units for s in unit.spellings} for d, units in UNITS.items()}
_TONS = ("ton", "tons")  # a ton is a mass too, and never taken for one
_OF = " (of refrigeration)"
_NUMBER = re.compile(r"\s*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(.*?)\s*", re.DOTALL)
_SEPARATED = re.compile(r"\s*[+-]?[0-9]+(?:[, '_][0-9]+)+")


class Shown(NamedTuple):
    """How people are shown a dimension: unit and decimals; ``coarse`` are (from, decimals) for large
    values, the largest first."""

    unit: str
    decimals: int
    coarse: tuple[tuple[float, int], ...] = ()

    def places(self, value: float) -> int:
        """Decimals of a value in this unit; below 0 the digits before the point that are zeroed."""
        return next((d for start, d in self.coarse if abs(value) >= start), self.decimals)


SHOWN: dict[Dimension, tuple[Shown, Shown]] = {  # (us, si)
    Dimension.TEMPERATURE: (Shown("°F", 1), Shown("°C", 1)),
    Dimension.DIFFERENCE: (Shown("°F", 1), Shown("K", 1)),
    Dimension.VOLUME_FLOW: (Shown("cfm", 0, ((1e4, -1),)), Shown("m³/s", 3, ((10.0, 2),))),
    Dimension.MASS_FLOW: (Shown("lb/h", 0), Shown("kg/s", 3)),
    Dimension.VELOCITY: (Shown("fpm", 0), Shown("m/s", 2)),
    Dimension.POWER: (
        Shown("Btu/h", -1, ((1e6, -3), (1e4, -2))),
        Shown("kW", 2, ((1000.0, 0), (10.0, 1))),
    ),
    Dimension.PRESSURE: (Shown("inHg", 2), Shown("kPa", 2)),
    Dimension.FRACTION: (Shown("%", 1), Shown("%", 1)),
    Dimension.TIME: (Shown("s", 0), Shown("s", 0)),
    Dimension.LENGTH: (Shown("ft", 0), Shown("m", 0)),
    Dimension.AREA: (Shown("ft²", 3), Shown("m²", 4)),
    Dimension.VOLUME: (Shown("ft³", 2, ((1e3, 0),)), Shown("m³", 3, ((1e3, 1),))),
    Dimension.DENSITY: (Shown("lb/ft³", 4), Shown("kg/m³", 3)),
    Dimension.HEATING_VALUE: (Shown("Btu/ft³", 0), Shown("MJ/m³", 2)),
    Dimension.STORAGE: (Shown("MB", 0), Shown("MB", 0)),
}


def parse(text: str, dimension: Dimension) -> float:
    """SI value of a text such as ``"1850 cfm"``; a temperature comes in degC.

    Plain decimals and exponents only: no thousands separator, no decimal comma.

    Raises
    ------
    QuantityError
        No number, no unit, a unit of something else, or a value that is not finite.

    >>> parse("21 °C", Dimension.TEMPERATURE), parse("45 degF", Dimension.DIFFERENCE)
    (21.0, 25.0)
    """
    return parse_any(text, dimension)[1]


def parse_any(text: str, *dimensions: Dimension) -> tuple[Dimension, float]:
    """As ``parse``, where a value may be one of several dimensions (volume or mass flow).

    >>> parse_any("1.2 kg/s", Dimension.VOLUME_FLOW, Dimension.MASS_FLOW)
    (<Dimension.MASS_FLOW: 'mass flow'>, 1.2)
    """
    number, spelling = _split(text, dimensions)
    for dimension in dimensions:
        if spelling in _BY_SPELLING[dimension]:
            return dimension, to_si(number, spelling, dimension)
    raise QuantityError(f"{quoted(text)} has {_wrong_unit(spelling, dimensions)}")


def to_si(value: float, spelling: str, dimension: Dimension) -> float:
    """SI value of a number in a unit given by its spelling.

    Raises
    ------
    QuantityError
        A unit that is not of this dimension, or a result that is not finite.

    >>> to_si(57.0, "%", Dimension.FRACTION)
    0.57
    """
    unit = _BY_SPELLING[dimension].get(spelling)
    if unit is None:
        raise QuantityError(_wrong_unit(spelling, (dimension,)))
    result = (value + unit.shift) * unit.times / unit.per
    if not math.isfinite(result):
        raise QuantityError(f"{value:g} {spelling} is not a finite value; give a number that can be measured")
    if dimension is Dimension.TEMPERATURE and result < -ZERO_C_K:
        raise QuantityError(f"{value:g} {spelling} is below absolute zero; check number and unit")
    return result


def from_si(value_si: float, spelling: str, dimension: Dimension) -> float:
    """Number in the unit of that spelling, of an SI value.

    >>> from_si(100.0, "°F", Dimension.TEMPERATURE)
    212.0
    """
    unit = _BY_SPELLING[dimension][spelling]
    return value_si * unit.per / unit.times - unit.shift


def show(value_si: float, dimension: Dimension, units: Units) -> str:
    """Text for people, with sensible digits; ``parse`` reads it again.

    >>> show(31790.0, Dimension.POWER, "us"), show(31790.0, Dimension.POWER, "si")
    ('108500 Btu/h', '31.8 kW')
    """
    if not math.isfinite(value_si):
        return "not known"
    shown = SHOWN[dimension][units == "si"]
    value = from_si(value_si, shown.unit, dimension)
    if not math.isfinite(value):
        return "not known"
    decimals = shown.places(value)
    value = round(value, decimals) + 0.0  # -0.0 is shown as 0
    return f"{value:.{max(decimals, 0)}f} {shown.unit}"


def accepted_units(*dimensions: Dimension) -> str:
    """All spellings of the dimensions, for messages."""
    return ", ".join(f"{s}{_OF if s == _TONS[-1] else ''}" for s in spellings(*dimensions))


def spellings(*dimensions: Dimension) -> tuple[str, ...]:
    """All spellings of the dimensions, in the table's order."""
    return tuple(s for d in dimensions for s in _BY_SPELLING[d])


def quoted(text: str) -> str:
    """Text from outside as it may stand in a message: short, one line, printable.

    >>> quoted("1 cfm" + chr(27))
    "'1 cfm?'"
    """
    text, limit = hide_keys(text), 40  # characters, assumed: enough to find it in the file
    clean = "".join(c if c.isprintable() else "?" for c in text[:limit])
    return f"'{clean}{'…' if len(text) > limit else ''}'"


def _split(text: str, dimensions: tuple[Dimension, ...]) -> tuple[float, str]:
    what = " or ".join(dimensions)
    if hide_keys(text) != text:
        raise QuantityError(f"{quoted(text)} is no {what}; accepted units: {accepted_units(*dimensions)}")
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise QuantityError(
            f"{quoted(text)} is no {what}: write a plain decimal number and a unit;"
            f" accepted units: {accepted_units(*dimensions)}"
        )
    if _SEPARATED.match(text):
        raise QuantityError(
            f"{quoted(text)} has a separator in its number; write plain digits with a decimal point,"
            " such as 1850 or 21.5"
        )
    number, spelling = float(match[1]), match[2]
    if not math.isfinite(number):
        raise QuantityError(f"{quoted(text)} is not a finite value; give a number that can be measured")
    if not spelling:
        raise QuantityError(f"{quoted(text)} needs a unit; accepted units: {accepted_units(*dimensions)}")
    return number, spelling


def _wrong_unit(spelling: str, dimensions: tuple[Dimension, ...]) -> str:
    accepted = accepted_units(*dimensions)
    for other, table in _BY_SPELLING.items():
        if spelling in table:
            of = " (a ton of refrigeration)" if spelling in _TONS else ""
            return f"a unit of {other}{of}, not of {' or '.join(dimensions)}; accepted units: {accepted}"
    return (
        f"an unknown unit {quoted(spelling)}; accepted units: {accepted}{_closest_unit(spelling, dimensions)}"
    )


def _closest_unit(spelling: str, dimensions: tuple[Dimension, ...]) -> str:
    folded: dict[str, str] = {}
    for dimension in dimensions:
        for known in _BY_SPELLING[dimension]:
            folded.setdefault(known.casefold(), known)
    near = difflib.get_close_matches(spelling.casefold()[:40], folded, n=1, cutoff=0.5)
    return f"; did you mean '{folded[near[0]]}'?" if near else ""
