"""Bytes of one characteristic -> value and flag. Pure."""

from __future__ import annotations

from drivers.ess.table import FIELDS, Field
from logger.core.errors import DecodeError
from logger.core.readings import Flag, Quantity, in_range


def decode(uuid16: int, payload: bytes) -> tuple[Quantity, float, Flag]:
    """Value of a characteristic, in the unit of its quantity.

    A "not known" code and a value outside what the specification or the quantity allows keep
    their scaled raw number and carry a flag.

    Raises
    ------
    DecodeError
        The characteristic is not in the table, or the length is not the specification's.

    Source: Bluetooth SIG, GATT Specification Supplement (see ``table``).

    >>> decode(0x2A6E, bytes.fromhex("1913"))
    (<Quantity.TEMPERATURE: 'temperature'>, 48.89, <Flag.OK: 'ok'>)
    """
    field = FIELDS.get(uuid16)
    if field is None:
        raise DecodeError(f"characteristic 0x{uuid16:04X} is none that is read here", payload)
    if len(payload) != field.form.length:
        raise DecodeError(
            f"{field.title} (0x{uuid16:04X}) came with {len(payload)} bytes instead of {field.form.length}",
            payload,
        )
    raw = field.form.read(payload)
    value = raw / field.divisor
    return field.quantity, value, _flag(field, raw, value)


def _flag(field: Field, raw: int, value: float) -> Flag:
    if raw == field.not_known:
        return Flag.NOT_KNOWN
    if field.low <= raw <= field.high and in_range(field.quantity, value):
        return Flag.OK
    return Flag.OUT_OF_RANGE
