"""What a probe sends of a value: integer codes, as the open formats define them. Pure.

Written from the documents of the formats and not from the drivers' tables, so that a mistake in one of
the two shows.

Sources: Bluetooth SIG, GATT Specification Supplement (Temperature, Humidity, Pressure, True Wind Speed),
Battery Service 1.0; the open BTHome v2 format (object ids, lengths, factors; ids in ascending order).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import NamedTuple

from logger.core.readings import Flag, Quantity

ENVIRONMENTAL_SENSING = 0x181A  # service, Bluetooth SIG assigned numbers
BATTERY_SERVICE = 0x180F  # service, Bluetooth SIG assigned numbers
DEVICE_INFORMATION = 0x180A  # service, Bluetooth SIG assigned numbers
MANUFACTURER_NAME, MODEL_NUMBER = 0x2A29, 0x2A24  # its characteristics, UTF-8
BTHOME = 0xFCD2  # 16-bit service data UUID of the format
BTHOME_V2_PLAIN = 0x40  # device information byte: version 2 in bits 5 to 7, not encrypted
PACKET_ID = 0x00  # object id
PACKET_IDS = 256  # they wrap


class Kind(StrEnum):
    """How a played probe speaks; the words are those of the drivers that hear it."""

    ESS = "ess"
    BTHOME = "bthome"


class Code(NamedTuple):
    """One value as a little-endian integer: the value in the quantity's unit = raw / ``per_unit``.

    ``number`` is the characteristic's 16-bit UUID or the object's id; ``low`` and ``high`` bound the raw
    numbers that mean a value; ``not_known`` is the one that means there is none, where one is defined.
    """

    number: int
    length: int
    per_unit: int
    low: int
    high: int
    not_known: int | None = None

    def raw(self, value: float, flag: Flag) -> int | None:
        """The raw number nearest to the value, held to the bounds; None where it cannot be said.

        >>> CODES[Kind.ESS][Quantity.TEMPERATURE].raw(48.894, Flag.OK)
        4889
        """
        if flag is Flag.NOT_KNOWN:
            return self.not_known
        return min(max(round(value * self.per_unit), self.low), self.high)

    def value(self, raw: int) -> float:
        """What a raw number says, as a receiver has it."""
        return raw / self.per_unit

    def payload(self, raw: int) -> bytes:
        """The number on the air."""
        return raw.to_bytes(self.length, "little", signed=self.low < 0)


CODES: dict[Kind, dict[Quantity, Code]] = {
    Kind.ESS: {
        Quantity.PRESSURE: Code(0x2A6D, 4, 10, 0, 0xFFFF_FFFF),
        Quantity.TEMPERATURE: Code(0x2A6E, 2, 100, -27_315, 32_767, -0x8000),
        Quantity.HUMIDITY: Code(0x2A6F, 2, 100, 0, 10_000, 0xFFFF),
        Quantity.VELOCITY: Code(0x2A70, 2, 100, 0, 0xFFFF),
        Quantity.BATTERY: Code(0x2A19, 1, 1, 0, 100),
    },
    Kind.BTHOME: {
        Quantity.BATTERY: Code(0x01, 1, 1, 0, 100),
        Quantity.TEMPERATURE: Code(0x02, 2, 100, -0x8000, 0x7FFF),
        Quantity.HUMIDITY: Code(0x03, 2, 100, 0, 0xFFFF),
        Quantity.PRESSURE: Code(0x04, 3, 1, 0, 0xFF_FFFF),
        Quantity.POWER: Code(0x0B, 3, 100, 0, 0xFF_FFFF),
        Quantity.VELOCITY: Code(0x44, 2, 100, 0, 0xFFFF),
        Quantity.GAS_VOLUME: Code(0x4C, 4, 1000, 0, 0xFFFF_FFFF),
    },
}
"""BTHome's objects by ascending id, the order in which they are sent."""


def full_uuid(short: int) -> str:
    """The UUID that a 16-bit one stands for: Bluetooth base UUID, Core Specification vol 3 part B 2.5.1.

    >>> full_uuid(0x181A)
    '0000181a-0000-1000-8000-00805f9b34fb'
    """
    return f"{short:08x}-0000-1000-8000-00805f9b34fb"


def service_of(quantity: Quantity) -> int:
    """The GATT service that a quantity's characteristic stands in."""
    return BATTERY_SERVICE if quantity is Quantity.BATTERY else ENVIRONMENTAL_SENSING


def bthome_data(packet_id: int, raws: Mapping[Quantity, int]) -> bytes:
    """Service data of one BTHome advertisement.

    The example of the format's own document, 25.06 degC and 50.55 %, with packet id 9:

    >>> bthome_data(9, {Quantity.HUMIDITY: 5055, Quantity.TEMPERATURE: 2506}).hex()
    '40000902ca0903bf13'
    """
    parts = [bytes((BTHOME_V2_PLAIN, PACKET_ID, packet_id % PACKET_IDS))]
    for quantity, code in CODES[Kind.BTHOME].items():
        if quantity in raws:
            parts += [bytes((code.number,)), code.payload(raws[quantity])]
    return b"".join(parts)


def unplayable(kind: Kind, quantities: Sequence[Quantity]) -> list[Quantity]:
    """Which of these the format has no code for; signal strength is the radio's own."""
    sent = (*CODES[kind], Quantity.SIGNAL)
    return [quantity for quantity in quantities if quantity not in sent]
