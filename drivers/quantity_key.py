"""Keys of a config or a map that say what a value is and in which unit it comes."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Annotated

from pydantic import BeforeValidator

from logger.core.quantity_units import UNITS
from logger.core.readings import Quantity

_LONGEST = 64  # characters of a wrong word that are looked at; assumed


def quantity_of(text: object, accepted: Sequence[Quantity] = tuple(Quantity)) -> object:
    """The quantity of that name; ``accepted`` are those that a wrong name is told of."""
    if not isinstance(text, str):
        return text
    if text not in tuple(Quantity):
        near = difflib.get_close_matches(text[:_LONGEST], accepted, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        raise ValueError(f'"{text}" is no quantity; use one of {", ".join(accepted)}{hint}')
    return Quantity(text)


Kind = Annotated[Quantity, BeforeValidator(quantity_of)]
"""A quantity by its name."""


def check_unit(unit: str, quantity: Quantity) -> None:
    """Raise ValueError if that is no unit of the quantity."""
    if unit not in UNITS[quantity]:
        raise ValueError(f'"{unit}" is no unit of {quantity}; accepted: {", ".join(UNITS[quantity])}')
