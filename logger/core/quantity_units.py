"""Units that a reading may come in: spelling -> what leads to the unit in which a quantity is stored.

All but a few come from the one table of units.
"""

from __future__ import annotations

from logger.core.readings import QUANTITIES, Quantity
from logger.core.units import UNITS as BY_DIMENSION
from logger.core.units import Dimension, Unit

Conversion = tuple[float, float]
"""What is added first, then the factor."""

SAME: Conversion = (0.0, 1.0)

_DIMENSIONS: dict[Quantity, Dimension] = {
    Quantity.TEMPERATURE: Dimension.TEMPERATURE,
    Quantity.HUMIDITY: Dimension.FRACTION,
    Quantity.PRESSURE: Dimension.PRESSURE,
    Quantity.VELOCITY: Dimension.VELOCITY,
    Quantity.DRY_AIR_FLOW: Dimension.MASS_FLOW,
    Quantity.GAS_VOLUME: Dimension.VOLUME,
    Quantity.POWER: Dimension.POWER,
    Quantity.BATTERY: Dimension.FRACTION,
}
_MORE: dict[Quantity, dict[str, Conversion]] = {
    Quantity.HUMIDITY: {"1": (0.0, 100.0)},  # a share of 1, as some instruments write it
    Quantity.SIGNAL: {"dBm": SAME},  # a level: nothing to convert
}


def _conversions(quantity: Quantity) -> dict[str, Conversion]:
    """Every spelling of the quantity's dimension, towards its stored unit."""
    units = BY_DIMENSION[_DIMENSIONS[quantity]] if quantity in _DIMENSIONS else ()
    by_spelling = {spelling: unit for unit in units for spelling in unit.spellings}
    stored = by_spelling.get(QUANTITIES[quantity].unit)
    found = {} if stored is None else {s: _between(unit, stored) for s, unit in by_spelling.items()}
    return {**found, **_MORE.get(quantity, {})}


def _between(unit: Unit, stored: Unit) -> Conversion:
    if unit == stored:
        return SAME
    return unit.shift - stored.shift, (unit.times * stored.per) / (unit.per * stored.times)


UNITS: dict[Quantity, dict[str, Conversion]] = {quantity: _conversions(quantity) for quantity in Quantity}
