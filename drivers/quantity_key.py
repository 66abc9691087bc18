"""Keys of a config or a map that say what a value is and in which unit it comes."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from typing import Annotated

from pydantic import BeforeValidator

from logger.core.quantity_units import UNITS
from logger.core.readings import Quantity

_MEANT: dict[str, Quantity] = {  # pattern of another word, in small letters; `common practice, no source`
    r"temp.*|t|dry bulb": Quantity.TEMPERATURE,
    r"rh|hum.*|.*humidity|moisture": Quantity.HUMIDITY,
    r"baro.*|press.*|air pressure|p": Quantity.PRESSURE,
    r"wind.*|.*speed|air velocity|vel.*": Quantity.VELOCITY,
    r"gas.*|meter": Quantity.GAS_VOLUME,
    r"watts?|.*power": Quantity.POWER,
    r"batt.*": Quantity.BATTERY,
}
_UNITS_MEANT = {  # pattern of another spelling, in small letters without blanks; `common practice, no source`
    r"celsius|centigrade|°?degc|degreesc(elsius)?|celcius|℃": "degC",
    r"fahrenheit|°?degf|degreesf(ahrenheit)?|farenheit|℉": "degF",
    r"kelvin|degk|°k": "K",
    r"pct|percent|%rh|rh|rh%|per ?cent": "%",
    r"fraction|share": "1",
    r"mps|m/sec|ms-1|meter/s": "m/s",
    r"kph|kmh|kmph": "km/h",
    r"ft/minute|feet/min|lfm": "ft/min",
    r"pascals?": "Pa",
    r"millibars?|mb": "mbar",
    r"hectopascals?": "hPa",
    r"watts?": "W",
    r"kilowatts?": "kW",
    r"btuh|btu/hr|btu/hour": "Btu/h",
    r"litres?|liters?": "L",
    r"cuft|cubicfeet|cf": "ft3",
    r"m\^3|cubicmet(er|re)s?": "m3",
}
_LONGEST = 64  # characters of a wrong word that are looked at; assumed


def quantity_of(text: object, accepted: Sequence[Quantity] = tuple(Quantity)) -> object:
    """The quantity of that name; ``accepted`` are those that a wrong name is told of."""
    if not isinstance(text, str):
        raise ValueError(f"must be one word in quotes, one of {', '.join(accepted)}")  # noqa: TRY004
    if text not in tuple(Quantity):
        low = " ".join(re.split(r"[\W_]+", text[:_LONGEST].casefold())).strip()
        other = [
            meant for pattern, meant in _MEANT.items() if re.fullmatch(pattern, low) and meant in accepted
        ]
        near = other or difflib.get_close_matches(low, accepted, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        raise ValueError(f'"{text}" is no quantity; use one of {", ".join(accepted)}{hint}')
    return Quantity(text)


Kind = Annotated[Quantity, BeforeValidator(quantity_of)]
"""A quantity by its name."""


def check_unit(unit: str, quantity: Quantity) -> None:
    """Raise ValueError if that is no unit of the quantity."""
    if unit not in UNITS[quantity]:
        accepted = UNITS[quantity]
        hint = f"; did you mean {near}?" if (near := _near_unit(unit[:_LONGEST], accepted)) else ""
        raise ValueError(f'"{unit}" is no unit of {quantity}; accepted: {", ".join(accepted)}{hint}')


def _near_unit(unit: str, accepted: Iterable[str]) -> str:
    """The unit that is meant by another spelling of it."""
    low = re.sub(r"[\s_.]+", "", unit.casefold())
    folded = {re.sub(r"[\s_.]+", "", each.casefold()): each for each in accepted}
    low = next((meant for pattern, meant in _UNITS_MEANT.items() if re.fullmatch(pattern, low)), low)
    return folded.get(low.casefold(), "")
