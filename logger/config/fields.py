"""Types of single config values: each reads what TOML gives and says clearly what it accepts.

Bounds are limits of what can be meant, wide enough for any job: assumed. They catch slips of
a unit or a digit, not unusual plant.
"""

from __future__ import annotations

import ipaddress
import math
import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, TypeVar

from pydantic import BeforeValidator

from logger.config.quantities import Dimension, QuantityError, accepted_units, parse, quoted, spellings
from logger.core.params import FanHeatMode, OutdoorAir
from logger.text import closest

T = TypeVar("T", bound=StrEnum)

NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_-]{0,63}")  # a leading - could be an option, or a formula
_HOST = re.compile(r"[A-Za-z0-9._:-]{1,253}")
_FACTOR = re.compile(r"[0-9]*\.?[0-9]+")
_TEXT_LIMIT = 1000  # characters, assumed


@dataclass(frozen=True, slots=True)
class Amount:
    """Reads text with a unit; ``low`` and ``high`` are texts too and still allowed. ``usual`` is the unit to
    offer for a bare number, where the first that fits is not the one that people think in."""

    dimension: Dimension
    low: str
    high: str
    usual: str = ""

    def __call__(self, value: object) -> float:
        """SI value; a ``QuantityError`` says what is accepted."""
        if isinstance(value, int | float) and not isinstance(value, bool):
            raise QuantityError(
                f"a bare number needs a unit{self._offer(_short(value))}; accepted units: "
                f"{accepted_units(self.dimension)}"
            )
        if not isinstance(value, str):
            raise QuantityError(
                f"must be text with a number and a unit ({self.dimension});"
                f" accepted units: {accepted_units(self.dimension)}"
            )
        result = parse(value, self.dimension)
        if not self._holds(result):
            raise QuantityError(
                f"{quoted(value)} is not between {self.low} and {self.high}; check number and unit"
            )
        return result

    def _holds(self, result: float) -> bool:
        return parse(self.low, self.dimension) <= result <= parse(self.high, self.dimension)

    def _offer(self, number: str) -> str:
        """The number with the first unit that is accepted for it."""
        for unit in filter(None, (self.usual, *spellings(self.dimension))):
            with suppress(QuantityError):
                if self._holds(parse(f"{number} {unit}", self.dimension)):
                    return f': write "{number} {unit}" if that is meant'
        return ""


@dataclass(frozen=True, slots=True)
class EachStage:
    """Reads an array of amounts, one for each stage; two of them are shown where it is none."""

    amount: Amount
    low: str
    high: str

    def __call__(self, value: object) -> tuple[float, ...]:
        """SI values; a ``ValueError`` says which one is wrong."""
        if not isinstance(value, list | tuple) or not value:
            raise ValueError(
                f'must be an array with a value for each stage, such as ["{self.low}", "{self.high}"]'
            )
        return tuple(self._one(place, part) for place, part in enumerate(value, 1))

    def _one(self, place: int, part: object) -> float:
        try:
            return self.amount(part)
        except QuantityError as error:
            raise QuantityError(f"stage {place}: {error}") from None


@dataclass(frozen=True, slots=True)
class Choice:
    """Reads one of some words."""

    accepted: tuple[str, ...]

    def __call__(self, value: object) -> str:
        """The word itself; a ``ValueError`` lists those accepted."""
        if value in self.accepted:
            return str(value)
        raise ValueError(unknown_word(value, self.accepted))


def unknown_word(value: object, accepted: Iterable[str], more: str = "") -> str:
    """The sentence about a word that is not one of those accepted."""
    known = tuple(accepted)
    given = quoted(value) if isinstance(value, str) else "this value"
    hint = closest(value, known) if isinstance(value, str) else ""
    return f"{given} is not known; accepted: {', '.join(known)}{more}{hint}"


def one_of(kind: type[T]) -> Callable[[object], T]:
    """Reader of an enumeration by its words."""
    choice = Choice(tuple(kind))
    return lambda value: kind(choice(value))


@dataclass(frozen=True, slots=True)
class WordOrAmount:
    """Reads one of some words, or an amount, which has a word of its own too."""

    words: tuple[str, ...]
    amount: Amount
    example: str
    word_of_amount: str

    def __call__(self, value: object) -> tuple[str, float | None]:
        """The word and the SI value; a ``ValueError`` says what is accepted."""
        if isinstance(value, str) and value in self.words:
            return value, None
        if isinstance(value, str) and not re.match(r"\s*[-+.0-9]", value):
            raise ValueError(unknown_word(value, self.words, f', or a value such as "{self.example}"'))
        return self.word_of_amount, self.amount(value)


def _name(value: object) -> str:
    if isinstance(value, str) and NAME.fullmatch(value):
        return value
    given = quoted(value) if isinstance(value, str) else "this value"
    raise ValueError(f"{given} is not a name: use 1 to 64 letters (a-z, A-Z), digits, - and _, not - first")


def _host(value: object) -> str:
    if isinstance(value, str) and _HOST.fullmatch(value) and (":" not in value or _is_ipv6(value)):
        return value
    raise ValueError(
        'must be a host name or address alone, such as "broker.example"; a port has a key of its own, port'
    )


def _is_ipv6(text: str) -> bool:
    try:
        return bool(ipaddress.IPv6Address(text))
    except ValueError:
        return False


def _text(value: object) -> str:
    if isinstance(value, str) and 0 < len(value) <= _TEXT_LIMIT and value.isprintable():
        return value
    raise ValueError(f"must be one line of printable text, 1 to {_TEXT_LIMIT} characters, in quotes")


def _factor(value: object) -> float:
    return _pure(value, 2.0)  # assumed: a factor beyond it is a slip


def _weight(value: object) -> float:
    return _pure(value, 100.0)  # assumed, same


def _pure(value: object, top: float) -> float:
    if isinstance(value, str) and _FACTOR.fullmatch(value.strip()):
        value = float(value)
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value <= top:
        return float(value)
    raise ValueError(f"must be a pure number above 0 and up to {top:g}, without a unit, such as 0.9")


def _day(value: object) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    raise ValueError("must be a date without quotes, such as 2026-01-31")


def _speed(value: object) -> float | None:
    if value == "max":
        return None
    top = 1e6  # times real time, assumed: beyond it "max" is meant
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value <= top:
        return float(value)
    raise ValueError('must be a number above 0 (times real time, up to 1000000) or "max"')


def _rise(value: object) -> tuple[float, float]:
    pair = 2
    if not isinstance(value, list | tuple) or len(value) != pair:
        raise ValueError('must be two temperature differences, such as ["35 °F", "65 °F"]')
    low, high = (_RISE_BOUND(part) for part in value)
    if low >= high:
        raise ValueError(
            f"the window is reversed or empty: {quoted(value[0])} is not below {quoted(value[1])};"
            " write the lower difference first"
        )
    return low, high


def _short(value: float) -> str:
    return f"{value:g}" if abs(value) < 1e15 and math.isfinite(value) else "…"  # noqa: PLR2004 - for display


ALTITUDE = Amount(Dimension.LENGTH, "-450 m", "5500 m")
_RISE_BOUND = Amount(Dimension.DIFFERENCE, "0.5 K", "150 K")

_POWER = Amount(Dimension.POWER, "1 W", "10000 kW")
_VOLUME = Amount(Dimension.VOLUME_FLOW, "1 L/s", "500 m3/s")

Name = Annotated[str, BeforeValidator(_name)]
Host = Annotated[str, BeforeValidator(_host)]
Text = Annotated[str, BeforeValidator(_text)]
Factor = Annotated[float, BeforeValidator(_factor)]
Weight = Annotated[float, BeforeValidator(_weight)]
Speed = Annotated[float | None, BeforeValidator(_speed)]
Rise = Annotated[tuple[float, float], BeforeValidator(_rise)]

Temperature = Annotated[float, BeforeValidator(Amount(Dimension.TEMPERATURE, "-60 °C", "250 °C"))]
Power = Annotated[float, BeforeValidator(_POWER)]
Powers = Annotated[tuple[float, ...], BeforeValidator(EachStage(_POWER, "90000 Btu/h", "135000 Btu/h"))]
Loss = Annotated[float, BeforeValidator(Amount(Dimension.POWER, "0 W", "1000 kW"))]
Altitude = Annotated[float, BeforeValidator(ALTITUDE)]
Height = Annotated[float, BeforeValidator(Amount(Dimension.LENGTH, "0 m", ALTITUDE.high))]
AirPressure = Annotated[float, BeforeValidator(Amount(Dimension.PRESSURE, "45 kPa", "115 kPa"))]
Humidity = Annotated[float, BeforeValidator(Amount(Dimension.FRACTION, "0 %", "100 %"))]
Efficiency = Annotated[float, BeforeValidator(Amount(Dimension.FRACTION, "10 %", "100 %"))]
Tolerance = Annotated[float, BeforeValidator(Amount(Dimension.FRACTION, "0.1 %", "50 %"))]
Share = Annotated[float, BeforeValidator(Amount(Dimension.FRACTION, "0 %", "50 %"))]
Volume = Annotated[float, BeforeValidator(_VOLUME)]
Volumes = Annotated[tuple[float, ...], BeforeValidator(EachStage(_VOLUME, "1500 cfm", "1850 cfm"))]
Mass = Annotated[float, BeforeValidator(Amount(Dimension.MASS_FLOW, "0.001 kg/s", "600 kg/s"))]
Density = Annotated[float, BeforeValidator(Amount(Dimension.DENSITY, "0.5 kg/m3", "2 kg/m3"))]
Area = Annotated[float, BeforeValidator(Amount(Dimension.AREA, "1 cm2", "50 m2"))]
TemperatureU95 = Annotated[float, BeforeValidator(Amount(Dimension.DIFFERENCE, "0 K", "20 K"))]
TemperatureOffset = Annotated[float, BeforeValidator(Amount(Dimension.DIFFERENCE, "-20 K", "20 K"))]
PressureU95 = Annotated[float, BeforeValidator(Amount(Dimension.PRESSURE, "0 Pa", "10 kPa"))]
PressureOffset = Annotated[float, BeforeValidator(Amount(Dimension.PRESSURE, "-10 kPa", "10 kPa"))]
VelocityOffset = Annotated[float, BeforeValidator(Amount(Dimension.VELOCITY, "-5 m/s", "5 m/s"))]
Gain = Annotated[float, BeforeValidator(Amount(Dimension.FRACTION, "-5 %", "5 %"))]
GainU95 = Annotated[float, BeforeValidator(Amount(Dimension.FRACTION, "0 %", "5 %"))]
HumidityOffset = Annotated[float, BeforeValidator(Amount(Dimension.FRACTION, "-30 %", "30 %"))]
HumidityU95 = Annotated[float, BeforeValidator(Amount(Dimension.FRACTION, "0 %", "30 %"))]
MatchAge = Annotated[float, BeforeValidator(Amount(Dimension.TIME, "1 d", "3650 d", "d"))]
Day = Annotated[date, BeforeValidator(_day)]
MaxAge = Annotated[float, BeforeValidator(Amount(Dimension.TIME, "0.5 s", "10 min"))]
Keep = Annotated[float, BeforeValidator(Amount(Dimension.TIME, "1 h", "3650 d", "d"))]
StoreSize = Annotated[float, BeforeValidator(Amount(Dimension.STORAGE, "1 MB", "100 TB"))]
Window = Annotated[float, BeforeValidator(Amount(Dimension.TIME, "10 s", "2 h"))]
Hold = Annotated[float, BeforeValidator(Amount(Dimension.TIME, "1 s", "2 h"))]
Remaining = Annotated[float, BeforeValidator(Amount(Dimension.FRACTION, "0.1 %", "10 %"))]
TimeConstant = Annotated[float, BeforeValidator(Amount(Dimension.TIME, "1 s", "1 h"))]
Spread = Annotated[float, BeforeValidator(Amount(Dimension.FRACTION, "0.1 %", "20 %"))]
RiseChange = Annotated[float, BeforeValidator(Amount(Dimension.DIFFERENCE, "0.2 K", "30 K"))]
FanPhase = Annotated[float, BeforeValidator(Amount(Dimension.TIME, "30 s", "2 h"))]

FanHeat = Annotated[
    tuple[str, float | None],
    BeforeValidator(
        WordOrAmount(
            (FanHeatMode.MEASURED, FanHeatMode.NONE),
            Amount(Dimension.POWER, "0 W", "200 kW"),
            "450 W",
            FanHeatMode.GIVEN,
        )
    ),
]
OutdoorShare = Annotated[
    tuple[str, float | None],
    BeforeValidator(
        WordOrAmount(
            (OutdoorAir.CLOSED, OutdoorAir.OPEN),
            Amount(Dimension.FRACTION, "0 %", "100 %"),
            "20 %",
            OutdoorAir.FRACTION,
        )
    ),
]
