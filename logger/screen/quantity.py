"""A value that a probe says, as people read it. Pure."""

from __future__ import annotations

from logger.config.quantities import Dimension
from logger.core.readings import Quantity
from logger.screen.format import show

_PERCENT = 100.0

_SHOWN: dict[Quantity, tuple[Dimension, float]] = {
    Quantity.TEMPERATURE: (Dimension.TEMPERATURE, 1.0),
    Quantity.HUMIDITY: (Dimension.FRACTION, _PERCENT),
    Quantity.PRESSURE: (Dimension.PRESSURE, 1.0),
    Quantity.VELOCITY: (Dimension.VELOCITY, 1.0),
    Quantity.POWER: (Dimension.POWER, 1.0),
    Quantity.GAS_VOLUME: (Dimension.VOLUME, 1.0),
}
"""Dimension of a quantity, and how many of its stored unit make one SI unit."""


def value_text(quantity: Quantity, value: float, units: str) -> str:
    """A value as it is shown.

    >>> value_text(Quantity.TEMPERATURE, 21.0, "us"), value_text(Quantity.BATTERY, 87.0, "us")
    ('69.8 °F', 'battery 87 %')
    """
    if quantity is Quantity.BATTERY:
        return f"battery {value:.0f} %"
    if quantity not in _SHOWN:
        return f"{quantity} {value:g}"
    dimension, per = _SHOWN[quantity]
    return show(value / per, dimension, units)
