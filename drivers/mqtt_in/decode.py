"""One MQTT message to the values that the map asks for. Pure."""

from __future__ import annotations

import datetime
import json
import math
import re
from dataclasses import dataclass
from typing import Any, Never

from drivers.mqtt_in.options import ARRIVAL, MqttInOptions, ValueOptions
from drivers.mqtt_in.pointer import NoValueError, Pointer, parse_pointer, resolve
from logger.core.quantity_units import UNITS
from logger.driver_api import DecodeError, Flag, Quantity, in_range

SIZE_LIMIT = 65_536  # bytes of a message that are looked into; assumed: a probe says less
_WHOLE = frozenset({"size", "text", "json", "constant"})
_NUMBER = re.compile(r"\s*[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?\s*", re.ASCII)
_NUMBER_LIMIT = 64  # characters of a number as text; assumed
_ID_LIMIT = 256  # characters of an id; assumed

# Seconds, milli-, micro- or nanoseconds since 1970, told apart by size: seconds up to the year 5138.
_EPOCH_SCALES: tuple[tuple[float, float], ...] = ((1e11, 1e6), (1e14, 1e3), (1e17, 1.0), (1e20, 1e-3))
"""(below this number, microseconds per unit)."""


class MessageError(DecodeError):
    """A message is not what the map expects; ``kind`` is the same for all that are alike."""

    def __init__(self, kind: str, text: str, payload: bytes = b"") -> None:
        super().__init__(text, payload[:SIZE_LIMIT])
        self.kind = kind

    @property
    def whole(self) -> bool:
        """Whether it says the same of every value of the message."""
        return self.kind in _WHOLE


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueMap:
    """Where one value of a probe stands, and what it is. ``unit`` or ``unit_at`` is given."""

    topic: str
    quantity: Quantity
    value_at: Pointer
    unit: str | None
    unit_at: Pointer | None
    time_at: Pointer | None
    id_at: Pointer | None
    flag_at: Pointer | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """What a message says: the value in the stored unit, and whatever else the map names.

    ``t_utc_us`` is the message's own time, ``name`` its id: each None where the map names none.
    """

    quantity: Quantity
    value: float
    t_utc_us: int | None
    name: str | None
    flag: Flag


def value_map(option: ValueOptions, options: MqttInOptions, quantity: Quantity) -> ValueMap:
    """The map of one value; ``quantity`` and unit go together (``options.check_unit``)."""
    unit = option.unit or ""
    by_field = unit.startswith("/")
    return ValueMap(
        topic=option.topic or "",
        quantity=quantity,
        value_at=parse_pointer(option.value),
        unit=None if by_field else unit,
        unit_at=parse_pointer(unit) if by_field else None,
        time_at=None if options.time == ARRIVAL else parse_pointer(options.time),
        id_at=None if options.id is None else parse_pointer(options.id),
        flag_at=None if options.flag is None else parse_pointer(options.flag),
    )


def decode(payload: bytes, wanted: ValueMap) -> Content:
    """What the payload says of that value.

    Raises
    ------
    MessageError
        The payload does not follow the map.

    >>> options = MqttInOptions(host="localhost", topic="a", value="/t", unit="°F")
    >>> decode(b'{"t": 212}', value_map(options, options, Quantity.TEMPERATURE)).value
    100.0
    """
    document = _document(payload) if wanted.value_at else _text(payload)
    number = _number(_at(document, wanted.value_at, "value"), "value")
    unit = wanted.unit if wanted.unit_at is None else _at(document, wanted.unit_at, "unit")
    value = _converted(number, unit, wanted.quantity)
    t_utc_us = None if wanted.time_at is None else _time_us(_at(document, wanted.time_at, "time"))
    name = None if wanted.id_at is None else _name(_at(document, wanted.id_at, "id"))
    flag = Flag.OK if wanted.flag_at is None else _flag(_at(document, wanted.flag_at, "flag"))
    if flag is Flag.OK and not in_range(wanted.quantity, value):
        flag = Flag.OUT_OF_RANGE
    return Content(quantity=wanted.quantity, value=value, t_utc_us=t_utc_us, name=name, flag=flag)


def _text(payload: bytes) -> str:
    if len(payload) > SIZE_LIMIT:
        raise MessageError("size", f"a message is larger than {SIZE_LIMIT} bytes; name a smaller topic")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        raise MessageError(
            "text", "a message is no UTF-8 text; let the gateway send JSON or a plain number", payload
        ) from None


def _document(payload: bytes) -> Any:  # noqa: ANN401 - any JSON value
    try:
        return json.loads(_text(payload), parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise MessageError(
            "json", 'a message is no JSON; for a plain number leave "value" out', payload
        ) from None


def _no_constant(text: str) -> Never:
    """RFC 8259, 6: NaN and Infinity are no JSON."""
    raise MessageError("constant", f"a message has {text}, which is no number; see to the gateway")


def _at(document: Any, pointer: Pointer, key: str) -> Any:  # noqa: ANN401 - any JSON value
    try:
        return resolve(document, pointer)
    except NoValueError:
        shown = "/" + "/".join(pointer)
        raise MessageError(f"no {key}", f'a message has no {shown}; correct the key "{key}"') from None


def _number(found: object, key: str) -> float:
    """A JSON number, or a text that is one."""
    if found is None:
        raise MessageError(f"null {key}", f"a message has null as its {key}: the gateway knows none")
    if isinstance(found, str) and len(found) <= _NUMBER_LIMIT and _NUMBER.fullmatch(found):
        found = float(found)
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise MessageError(
            f"kind {key}", f'a message has no plain number as its {key}; correct the key "{key}"'
        )
    try:
        number = float(found)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise MessageError(f"finite {key}", f"a message has a {key} that is not finite; see to the gateway")
    return number


def _converted(number: float, unit: object, quantity: Quantity) -> float:
    """The value in the unit that is stored."""
    conversion = UNITS[quantity].get(unit) if isinstance(unit, str) else None
    if conversion is None:
        raise MessageError(
            "unit", f"a message has a unit that is none of {quantity}; accepted: {', '.join(UNITS[quantity])}"
        )
    added, factor = conversion
    value = (number + added) * factor
    if not math.isfinite(value):
        raise MessageError("finite value", "a message has a value that is not finite; see to the gateway")
    return value


def _time_us(found: object) -> int:
    """Microseconds since the epoch, of RFC 3339 or of a number."""
    by_text = isinstance(found, str) and not _NUMBER.fullmatch(found)
    t_us = _rfc3339_us(str(found)) if by_text else _epoch_us(_number(found, "time"))
    if t_us <= 0:
        raise MessageError("time", 'a message has a time that is none since 1970; correct the key "time"')
    return t_us


def _epoch_us(number: float) -> int:
    return next((round(number * us_per_unit) for below, us_per_unit in _EPOCH_SCALES if number < below), 0)


def _rfc3339_us(text: str) -> int:
    try:
        moment = datetime.datetime.fromisoformat(text[:_NUMBER_LIMIT].upper())
        if moment.tzinfo is not None:
            return (moment - _EPOCH) // datetime.timedelta(microseconds=1)
    except (ValueError, OverflowError):
        raise MessageError(
            "time", 'a message has a time that is neither RFC 3339 nor a number; correct the key "time"'
        ) from None
    raise MessageError(
        "zone", 'a message has a time without its zone; let it end with Z or an offset like "+01:00"'
    )


_EPOCH = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)


def _name(found: object) -> str:
    """What tells a repeat, as text."""
    if isinstance(found, str) and len(found) <= _ID_LIMIT:
        return found
    if isinstance(found, int | float) and not isinstance(found, bool) and abs(found) < 2**63:
        return repr(found)
    raise MessageError("id", 'a message has an id that is no short text or number; correct the key "id"')


def _flag(found: object) -> Flag:
    """The flag that another logger gave."""
    if isinstance(found, str) and found in tuple(Flag):
        return Flag(found)
    raise MessageError("flag", f"a message has an unknown flag; known: {', '.join(Flag)}")
