"""Why what a probe says gives no value that can be used, as sentences. Pure."""

from __future__ import annotations

from typing import NamedTuple

from logger.core.readings import QUANTITIES
from logger.driver_api import DecodeError, Flag, Quantity, in_range

_SIGNS = {"degC": "°C"}
_TOO_LONG = 1e6  # °C: what is written out in digits below; assumed
_FAHRENHEIT = (1.8, 32.0)  # °F per °C, and °F at 0 °C: definition of the degree Fahrenheit


class Value(NamedTuple):
    """One value of a packet, in the unit of its quantity."""

    quantity: Quantity
    value: float
    flag: Flag


class Cause(NamedTuple):
    """Why there is no value: in words, what to do, and which key is to be mended, from the probe's table of
    the config on. ``alone``: the words say all, and nothing goes before them."""

    text: str
    next_step: str = ""
    key: tuple[str | int, ...] = ()
    alone: bool = False

    @property
    def in_a_run(self) -> str:
        """The whole sentence of a value that is given all the same."""
        return f"{self.text}; {self.next_step}; such values are stored and not used"


NO_CAUSE = Cause("")


def of_value(value: Value, more: Cause = NO_CAUSE) -> Cause | None:
    """What is wrong with a value; None: nothing. ``more`` is what the probe's kind knows of it."""
    quantity, number, flag = value
    if flag is Flag.OUT_OF_RANGE:
        info = QUANTITIES[quantity]
        text = f"its {quantity} of {in_words(quantity, number)} is outside the limits of its format"
        if not in_range(quantity, number):
            least, most = f"{info.low:g}", f"{info.high:g} {_SIGNS.get(info.unit, info.unit)}"
            text = f"its {quantity} of {in_words(quantity, number)} cannot be ({least} to {most})"
        return _told(text, "see that it is the right probe and that its sensor is whole", more)
    if flag is Flag.NOT_KNOWN:
        text = f"it sends the code for a {quantity} that is not known"
        return _told(text, "wait until it has measured, and look at its sensor", more)
    return None


def of_packet(error: DecodeError, more: Cause = NO_CAUSE) -> Cause:
    """What is wrong with a packet that does not follow the format."""
    return _told(str(error), "see that it is the right probe, and of the kind that the config says", more)


def in_words(quantity: Quantity, value: float) -> str:
    """A value with its unit, a temperature in both that are in use.

    >>> in_words(Quantity.TEMPERATURE, -155.15)
    '-155.2 °C (-247.3 °F)'
    >>> in_words(Quantity.TEMPERATURE, 6.5536e46)
    '6.554e+46 °C (1.18e+47 °F)'
    """
    unit = QUANTITIES[quantity].unit
    text = f"{value:.6g}" if abs(value) >= 10_000 else f"{value:.4g}"  # noqa: PLR2004 - digits shown
    if quantity is not Quantity.TEMPERATURE:
        return f"{text} {unit}"
    times, plus = _FAHRENHEIT
    digits = ".1f" if abs(value) < _TOO_LONG else ".4g"
    return f"{value:{digits}} °C ({value * times + plus:{digits}} °F)"


def _told(text: str, next_step: str, more: Cause) -> Cause:
    said = more.text if more.alone else ": ".join(each for each in (text, more.text) if each)
    return Cause(said, more.next_step or next_step, more.key)
