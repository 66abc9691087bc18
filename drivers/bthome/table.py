"""Objects of the BTHome v2 format, as data.

Source: the open BTHome v2 format document (object ids, lengths, factors). Ids whose quantity is
not used here are listed by their length, which is needed to walk past them.
"""

from __future__ import annotations

from typing import NamedTuple

from drivers.wire import SINT8, SINT16, SINT32, UINT8, UINT16, UINT24, UINT32, Form
from logger.core.readings import Quantity

SERVICE_UUID = 0xFCD2  # 16-bit service data UUID of the format
OLD_SERVICE_UUIDS = (0x181C, 0x181E)  # of version 1, plain and encrypted
VERSION_SHIFT = 5  # bits 5..7 of the device information byte
VERSION = 2
ENCRYPTED_BIT = 0x01  # bit 0 of the device information byte
ADDRESS_BIT = (
    0x02  # bit 1: the device's address follows, low byte first; in bthome-ble, reserved in the document
)
ADDRESS_LENGTH = 6  # bytes
ON_CHANGE_BIT = 0x04  # bit 2: broadcasts only when triggered
PACKET_ID = 0x00  # object id
ID_AHEAD = range(1, 64)  # packet ids ahead of the last, modulo 256, that are new; bthome-ble's rule
REPEAT_WINDOW_S = 4.0  # s: after this an unchanged packet id counts as news; bthome-ble's rule


class Field(NamedTuple):
    """One measured object: value in the quantity's unit = raw x ``times`` / ``per``."""

    title: str
    quantity: Quantity
    form: Form
    times: int
    per: int


FIELDS: dict[int, Field] = {
    0x01: Field("battery", Quantity.BATTERY, UINT8, 1, 1),
    0x02: Field("temperature", Quantity.TEMPERATURE, SINT16, 1, 100),
    0x03: Field("humidity", Quantity.HUMIDITY, UINT16, 1, 100),
    0x04: Field("pressure", Quantity.PRESSURE, UINT24, 1, 1),  # 0.01 hPa is 1 Pa
    0x0B: Field("power", Quantity.POWER, UINT24, 1, 100),
    0x2E: Field("humidity", Quantity.HUMIDITY, UINT8, 1, 1),
    0x44: Field("speed", Quantity.VELOCITY, UINT16, 1, 100),
    0x45: Field("temperature", Quantity.TEMPERATURE, SINT16, 1, 10),
    0x4B: Field("gas volume", Quantity.GAS_VOLUME, UINT24, 1, 1000),
    0x4C: Field("gas volume", Quantity.GAS_VOLUME, UINT32, 1, 1000),
    0x57: Field("temperature", Quantity.TEMPERATURE, SINT8, 1, 1),
    0x58: Field("temperature", Quantity.TEMPERATURE, SINT8, 35, 100),
    0x5C: Field("power", Quantity.POWER, SINT32, 1, 100),
    0x62: Field("speed", Quantity.VELOCITY, SINT32, 1, 1_000_000),
}

_OTHER_LENGTHS: dict[int, tuple[int, ...]] = {  # length in bytes -> object ids
    1: (0x00, 0x09, *range(0x0F, 0x12), *range(0x15, 0x2E), 0x2F, 0x3A, 0x46, 0x59, 0x60, 0x64, 0x65),
    2: (0x06, 0x07, 0x08, 0x0C, 0x0D, 0x0E, 0x12, 0x13, 0x14, 0x3C, 0x3D, 0x3F, 0x40, 0x41, 0x43,
        0x47, 0x48, 0x49, 0x4A, 0x51, 0x52, 0x56, 0x5A, 0x5D, 0x5E, 0x5F, 0x61, 0xF0),
    3: (0x05, 0x0A, 0x42, 0xF2),
    4: (0x3E, 0x4D, 0x4E, 0x4F, 0x50, 0x55, 0x5B, 0x63, 0xF1),
}  # fmt: skip

LENGTHS: dict[int, int] = {
    **{id_: length for length, ids in _OTHER_LENGTHS.items() for id_ in ids},
    **{id_: field.form.length for id_, field in FIELDS.items()},
}
"""Object id -> length of its value in bytes, for every object of fixed length."""


class Counted(NamedTuple):
    """An object whose first byte tells its length: ``byte & mask`` and ``more`` bytes follow."""

    mask: int
    more: int


COUNTED: dict[int, Counted] = {
    0x3B: Counted(0x1F, 1),  # command: the low five bits count the arguments after the opcode
    0x53: Counted(0xFF, 0),  # text
    0x54: Counted(0xFF, 0),  # raw
}
