"""What is typed: a value with its unit, or a word for a key. One line in, one key or one sentence out."""

from __future__ import annotations

import re
from dataclasses import dataclass

from logger.config.quantities import Dimension, QuantityError, from_si, parse_any, quoted
from logger.core.readings import QUANTITIES, Quantity, in_range
from logger.core.texts import velocity_text
from logger.take.walk import NOTHING, Entry, Key
from logger.traverse.model import VELOCITY_PRESSURE_MOST_PA

WORDS: dict[str, Key] = {
    "": Key.TAKE,
    "t": Key.TAKE,
    "take": Key.TAKE,
    "r": Key.REDO,
    "redo": Key.REDO,
    "s": Key.SKIP,
    "skip": Key.SKIP,
    "b": Key.BACK,
    "back": Key.BACK,
    "q": Key.LEAVE,
    "quit": Key.LEAVE,
}
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


@dataclass(frozen=True, slots=True)
class Line:
    """A line as understood."""

    key: Key
    entry: Entry = NOTHING


def read_line(text: str, *, temperature: bool = False) -> Line:
    """What a line asks for.

    Raises
    ------
    QuantityError
        Neither a word nor values with units; the sentence says what is accepted.

    >>> read_line("r").key, read_line("812 fpm").entry.velocity_m_s
    (<Key.REDO: 'redo'>, 4.12496)
    """
    word = text.strip().casefold()
    if word in WORDS:
        return Line(WORDS[word])
    return Line(Key.VALUE, read_entry(text, temperature=temperature))


def read_entry(text: str, *, temperature: bool = False) -> Entry:
    """One or two values with their units: velocity or velocity pressure, and with ``temperature``
    the air's temperature.

    >>> read_entry("118 °F, 0.02 in.wg", temperature=True)
    Entry(velocity_m_s=None, velocity_pressure_pa=4.9817782, temperature_c=47.77777777777778)
    """
    dimensions = [Dimension.VELOCITY, Dimension.PRESSURE]
    if temperature:
        dimensions.append(Dimension.TEMPERATURE)
    found: dict[str, float] = {}
    for part in _parts(text):
        dimension, value = parse_any(part, *dimensions)
        name = _CHECKS[dimension](part, value)
        if name in found or (
            name != "temperature_c" and found.keys() & {"velocity_m_s", "velocity_pressure_pa"}
        ):
            raise QuantityError(f"{quoted(text)} gives two values of one kind: type one for each point")
        found[name] = value
    return Entry(**found)


def _parts(text: str) -> list[str]:
    """The line cut into values: a number alone goes with the word behind it."""
    parts: list[str] = []
    for word in text.replace(";", " ").replace(", ", " ").split():
        if parts and NUMBER.fullmatch(parts[-1]):
            parts[-1] += f" {word}"
        else:
            parts.append(word)
    return parts or [text]


def _velocity(part: str, value_m_s: float) -> str:
    if not in_range(Quantity.VELOCITY, value_m_s):
        limit = velocity_text(QUANTITIES[Quantity.VELOCITY].high)
        raise QuantityError(f"{quoted(part)} is beyond {limit}: check number and unit")
    return "velocity_m_s"


def _pressure(part: str, value_pa: float) -> str:
    if abs(value_pa) > VELOCITY_PRESSURE_MOST_PA:
        most = VELOCITY_PRESSURE_MOST_PA
        raise QuantityError(
            f"{quoted(part)} is no velocity pressure of a duct (beyond {most:g} Pa, "
            f"{from_si(most, 'in.wg', Dimension.PRESSURE):.0f} in.wg): check number and unit"
        )
    return "velocity_pressure_pa"


def _temperature(part: str, value_c: float) -> str:
    if not in_range(Quantity.TEMPERATURE, value_c):
        raise QuantityError(f"{quoted(part)} is no temperature of air in a duct: check number and unit")
    return "temperature_c"


_CHECKS = {
    Dimension.VELOCITY: _velocity,
    Dimension.PRESSURE: _pressure,
    Dimension.TEMPERATURE: _temperature,
}
