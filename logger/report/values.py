"""Numbers of a result as the page shows them: the text, and behind it the value it stands for.

A result may come from another version or a strange store: what is no number is not known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.config.quantities import Dimension
from logger.screen.format import DASH, clean, number, percent, scale_of, show

SYSTEMS = {"us": "US units", "si": "SI units"}
WORDS_LIMIT = 1000  # characters of a text from the store; assumed: as many as the store keeps of an event


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of text; ``key`` is the place in the result document of the ``value`` behind it."""

    text: str
    key: str = ""
    value: float | None = None


Cell = tuple[Part, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A line of a table: its label and a cell for each column."""

    label: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with a heading for each column, that of the labels first."""

    heads: tuple[str, ...]
    rows: tuple[Row, ...]


def words(value: object, limit: int = WORDS_LIMIT) -> str:
    """Any value from outside as one clean line."""
    return "" if value is None else clean(str(value), limit)


def text_cell(text: object) -> Cell:
    """A cell of words from outside."""
    return (Part(words(text)),)


def plain(cell: Cell) -> str:
    """The cell's text alone."""
    return "".join(part.text for part in cell)


class Numbers:
    """A result document by dotted keys, and its values as text in one of the two unit systems."""

    def __init__(self, document: Mapping[str, Any], units: str) -> None:
        self._document = document
        self.units = "si" if units == "si" else "us"

    @property
    def systems(self) -> tuple[str, str]:
        """Both unit systems, the job's own first."""
        return ("us", "si") if self.units == "us" else ("si", "us")

    def raw(self, key: str) -> object:
        """What stands there, None where nothing does."""
        found: object = self._document
        for name in key.split("."):
            if not isinstance(found, Mapping):
                return None
            found = found.get(name)
        return found

    def get(self, key: str) -> float | None:
        """The number, None where there is none."""
        return as_number(self.raw(key))

    def part(self, key: str, dimension: Dimension, units: str | None = None) -> Part:
        """A value with its unit."""
        value = self.get(key)
        return Part(show(value, dimension, units or self.units), key, value)

    def share(self, key: str, decimals: int = 1) -> Part:
        """A fraction in per cent."""
        value = self.get(key)
        return Part(percent(value, decimals), key, value)

    def spread(self, key: str, u_key: str, dimension: Dimension, units: str | None = None) -> Cell:
        """A value ± its expanded uncertainty, with the unit once."""
        units = units or self.units
        value, u95 = self.get(key), self.get(u_key)
        if value is None or u95 is None:
            return (self.part(key, dimension, units),)
        return (
            Part(number(value, dimension, units), key, value),
            Part(" ± "),
            Part(number(u95, dimension, units, like=value), u_key, u95),
            Part(f" {scale_of(dimension, units).unit}"),
        )


def as_number(value: object) -> float | None:
    """A finite number, or None; a truth value is none."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def items(value: object) -> list[Mapping[str, Any]]:
    """The objects of a JSON list; what is none is left out."""
    return [item for item in value if isinstance(item, Mapping)] if isinstance(value, list) else []


def listed(rows: list[Row], *heads: str) -> Table | None:
    """A table, or None where it has no row."""
    return Table(heads=heads, rows=tuple(rows)) if rows else None


def known(cell: Cell) -> bool:
    """Whether a cell says anything."""
    return plain(cell) not in ("", DASH)
