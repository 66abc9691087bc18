"""What the radio hears and finds, as values; nothing here needs a radio."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice

_UUID_TAIL = "-0000-1000-8000-00805f9b34fb"  # Bluetooth base UUID, Core Specification vol 3 part B 2.5.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """One packet heard: who sent it and what it carried. ``service_data`` is keyed by 16-bit
    UUID. ``signal_dbm`` is None where no packet was heard (a device that is connected already)."""

    address: str
    name: str | None
    signal_dbm: float | None
    service_data: dict[int, bytes]
    device: BLEDevice


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristic:
    """One GATT characteristic with a 16-bit UUID."""

    service: int
    uuid16: int
    can_read: bool
    can_notify: bool
    handle: BleakGATTCharacteristic


def uuid16(text: str) -> int | None:
    """The short form of a UUID, or None where it has none.

    >>> uuid16("0000181A-0000-1000-8000-00805f9b34fb") == 0x181A
    True
    """
    low = text.lower()
    short = low.startswith("0000") and low.endswith(_UUID_TAIL) and len(low) == len(_UUID_TAIL) + 8
    return int(low[4:8], 16) if short else None
