"""The Health Thermometer service: bytes of a temperature -> value and flag. Pure.

Source: Bluetooth SIG, Health Thermometer Service 1.0, 3.1 (temperature measurement), GATT
Specification Supplement, Temperature Measurement; both `recalled`.
"""

from __future__ import annotations

from drivers.causes import NO_CAUSE, Cause, Value
from drivers.wire import FLOAT, UINT16
from logger.core.errors import DecodeError
from logger.core.quantity_units import UNITS
from logger.core.readings import Flag, Quantity, in_range

# Bluetooth SIG, assigned numbers
HEALTH_THERMOMETER = 0x1809
TEMPERATURE_MEASUREMENT = 0x2A1C
INTERMEDIATE_TEMPERATURE = 0x2A1E
TEMPERATURE_TYPE = 0x2A1D
MEASUREMENT_INTERVAL = 0x2A21

# Where on a body it measures; assigned numbers of Temperature Type, `recalled`.
TYPES: dict[int, str] = {
    1: "armpit", 2: "body", 3: "ear", 4: "finger", 5: "gastro-intestinal tract", 6: "mouth", 7: "rectum",
    8: "toe", 9: "tympanum",
}  # fmt: skip

_FAHRENHEIT, _TIME_STAMP, _TYPE = 0x01, 0x02, 0x04  # bits of the flags; the others are reserved
_HEAD = 1 + FLOAT.length  # bytes: flags, value
_TIME_STAMP_LENGTH = 7  # bytes: year 2, month, day, hours, minutes, seconds
_TYPE_LENGTH = 1  # bytes


def decode_temperature(payload: bytes) -> tuple[Value]:
    """The temperature in °C.

    A time stamp is the probe's own clock and a type the place on a body: their bytes count for
    the length alone. Special codes of IEEE 11073 keep their number and carry a flag.

    Raises
    ------
    DecodeError
        The length is not the one that the flags tell.

    >>> decode_temperature(bytes.fromhex("006c0100ff"))[0].value
    36.4
    """
    flags = payload[0] if payload else 0
    length = _HEAD + bool(flags & _TIME_STAMP) * _TIME_STAMP_LENGTH + bool(flags & _TYPE) * _TYPE_LENGTH
    if len(payload) != length:
        raise DecodeError(
            f"temperature (Health Thermometer) came with {len(payload)} bytes instead of {length}", payload
        )
    value, flag = FLOAT.read(payload[1:_HEAD])
    if flag is not Flag.OK:
        return (Value(Quantity.TEMPERATURE, value, flag),)
    add, factor = UNITS[Quantity.TEMPERATURE]["degF" if flags & _FAHRENHEIT else "degC"]
    temp_c = (value + add) * factor
    if not in_range(Quantity.TEMPERATURE, temp_c):
        flag = Flag.OUT_OF_RANGE
    return (Value(Quantity.TEMPERATURE, temp_c, flag),)


def explain(payload: bytes, value: Value | None) -> Cause:
    """What a packet says that has no temperature."""
    if value is None or not (code := FLOAT.code(payload[1:_HEAD])):
        return NO_CAUSE
    return Cause(f"in place of a temperature it sends the code {code}", alone=True)


def decode_interval(payload: bytes) -> int | None:
    """Seconds between measurements; None: the probe measures when it likes.

    Raises
    ------
    DecodeError
        The length is not the specification's.
    """
    if len(payload) != UINT16.length:
        raise DecodeError(
            f"measurement interval (0x2A21) came with {len(payload)} bytes instead of {UINT16.length}",
            payload,
        )
    return UINT16.read(payload) or None


def decode_type(payload: bytes) -> str:
    """Where it measures, in a word; empty for a code that has none.

    Raises
    ------
    DecodeError
        The length is not the specification's.
    """
    if len(payload) != _TYPE_LENGTH:
        raise DecodeError(
            f"temperature type (0x2A1D) came with {len(payload)} bytes instead of {_TYPE_LENGTH}", payload
        )
    return TYPES.get(payload[0], "")
