"""Keys of a config or a map that say what a value is and in which unit it comes."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator

from logger.core.quantity_units import UNITS
from logger.core.readings import Quantity


def _quantity(text: object) -> object:
    if not isinstance(text, str):
        return text
    if text not in tuple(Quantity):
        raise ValueError(f'"{text}" is no quantity; use one of {", ".join(Quantity)}')
    return Quantity(text)


Kind = Annotated[Quantity, BeforeValidator(_quantity)]
"""A quantity by its name."""


def check_unit(unit: str, quantity: Quantity) -> None:
    """Raise ValueError if that is no unit of the quantity."""
    if unit not in UNITS[quantity]:
        raise ValueError(f'"{unit}" is no unit of {quantity}; accepted: {", ".join(UNITS[quantity])}')
