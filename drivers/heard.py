"""What the radio hears and finds, as values; nothing here needs a radio."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice

_LISTED = 6  # services or characteristics named in a sentence; assumed
_UUID_TAIL = "-0000-1000-8000-00805f9b34fb"  # Bluetooth base UUID, Core Specification vol 3 part B 2.5.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """One packet heard: who sent it and what it carried. ``service_data`` is keyed by 16-bit
    UUID, ``any_service_data`` has all of it by full UUID in lower case, ``manufacturer_data`` is keyed by
    company id, ``services`` are the UUIDs it announces, in lower case. ``signal_dbm`` is None where no packet
    was heard (a device that is connected already)."""

    address: str
    name: str | None
    signal_dbm: float | None
    service_data: dict[int, bytes]
    any_service_data: dict[str, bytes] = field(default_factory=dict)
    manufacturer_data: dict[int, bytes] = field(default_factory=dict)
    services: frozenset[str] = frozenset()
    device: BLEDevice


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristic:
    """One GATT characteristic; UUIDs in full, in lower case."""

    service_uuid: str
    uuid: str
    can_read: bool
    can_notify: bool
    can_write: bool
    handle: BleakGATTCharacteristic

    @property
    def service(self) -> int | None:
        """The 16-bit UUID of its service, where that has one."""
        return uuid16(self.service_uuid)

    @property
    def uuid16(self) -> int | None:
        """Its own 16-bit UUID, where it has one."""
        return uuid16(self.uuid)


def full_uuid(short: int) -> str:
    """The UUID that a 16-bit one stands for.

    >>> full_uuid(0x181A)
    '0000181a-0000-1000-8000-00805f9b34fb'
    """
    return f"{short:08x}{_UUID_TAIL}"


def uuid16(text: str) -> int | None:
    """The short form of a UUID, or None where it has none.

    >>> uuid16("0000181A-0000-1000-8000-00805f9b34fb") == 0x181A
    True
    """
    low = text.lower()
    short = low.startswith("0000") and low.endswith(_UUID_TAIL) and len(low) == len(_UUID_TAIL) + 8
    return int(low[4:8], 16) if short else None


def uuid_in_words(text: str) -> str:
    """A UUID as it is compared by eye: short where it has a short form.

    >>> uuid_in_words("0000181a-0000-1000-8000-00805f9b34fb")
    '181A'
    """
    short = uuid16(text)
    return text if short is None else f"{short:04X}"


def services_in_words(characteristics: Iterable[Characteristic]) -> str:
    """What services a device has."""
    found = [uuid_in_words(uuid) for uuid in dict.fromkeys(each.service_uuid for each in characteristics)]
    if not found:
        return "no service with a characteristic"
    more = f" and {len(found) - _LISTED} more" if len(found) > _LISTED else ""
    return f"the service{'s' * (len(found) > 1)} {', '.join(found[:_LISTED])}{more}"
