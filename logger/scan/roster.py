"""All devices heard, merged over the drivers, in an order that does not jump. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from logger.core.readings import QUANTITIES, Quantity
from logger.driver_api import Seen
from logger.text import clean_text

SCHEMA = "riselog.scan/1"
SMOOTH = 0.3  # share of the newest packet in a device's signal; assumed
STEP_DB = 6.0  # a device changes its place only when its signal has changed by so much; assumed
MOST = 2000  # devices kept, the faintest go first: addresses that change would fill the memory; assumed
NAME_SHOWN = 40  # characters; assumed
NOTE_SHOWN = 200  # characters; assumed


@dataclass(slots=True)
class Device:
    """One address. ``driver`` is who knows it, ``heard_s`` when it was heard last, ``probe`` its name in a
    config."""

    address: str
    name: str = ""
    signal_dbm: float | None = None
    rank_dbm: float = -999.0
    driver: str | None = None
    readable: bool = False
    values: dict[Quantity, float] = field(default_factory=dict)
    note: str = ""
    heard_s: float = 0.0
    probe: str = ""


class Roster:
    """Devices by address.

    >>> roster = Roster()
    >>> roster.see("a", Seen(address="AA", name=None, signal_dbm=-50.0), 1.0)
    True
    >>> roster.see("b", Seen(address="AA", name="duct", signal_dbm=-50.0, readable=True), 2.0)
    False
    >>> [(d.driver, d.name, d.readable) for d in roster.listed()]
    [('b', 'duct', True)]
    """

    def __init__(self) -> None:
        self._devices: dict[str, Device] = {}

    def see(self, driver: str, seen: Seen, now_s: float) -> bool:
        """Take what a driver heard; whether the device is new."""
        key = seen.address.casefold()
        new = key not in self._devices
        device = self._devices.setdefault(key, Device(clean_text(seen.address, NAME_SHOWN)))
        device.heard_s = now_s
        device.name = clean_text(seen.name or "", NAME_SHOWN) or device.name
        if seen.signal_dbm is not None:
            _move(device, seen.signal_dbm)
        if driver == device.driver or _weight(seen) > _weight(device):
            _claim(device, driver, seen)
        if len(self._devices) > MOST:
            faintest = min(
                self._devices, key=lambda k: (self._devices[k].readable, self._devices[k].rank_dbm)
            )
            del self._devices[faintest]
        return new

    def listed(self, *, readable_only: bool = False) -> list[Device]:
        """The readable ones first, then the strongest."""
        shown = [d for d in self._devices.values() if d.readable or not readable_only]
        return sorted(shown, key=lambda d: (-min(_weight(d), 2), -d.rank_dbm, d.address))

    def find(self, address: str) -> Device | None:
        """The device of that address, without regard to case."""
        return self._devices.get(address.casefold())

    def document(self, *, readable_only: bool = False) -> dict[str, Any]:
        """``riselog.scan/1``: values in the units in which readings are stored."""
        return {"schema": SCHEMA, "devices": [_entry(d) for d in self.listed(readable_only=readable_only)]}


def _weight(said: Device | Seen) -> int:
    """How much a driver knows of a device: nothing, what hinders it, that it can read it, what it says."""
    return 2 + bool(said.values) if said.readable else int(bool(said.note))


def _move(device: Device, signal_dbm: float) -> None:
    before = device.signal_dbm
    device.signal_dbm = signal_dbm if before is None else before + SMOOTH * (signal_dbm - before)
    if abs(device.signal_dbm - device.rank_dbm) >= STEP_DB:
        device.rank_dbm = device.signal_dbm


def _claim(device: Device, driver: str, seen: Seen) -> None:
    """The driver knows it; a packet need not carry every value."""
    if driver != device.driver:
        device.values.clear()
    device.driver = driver if seen.readable or seen.note else None
    device.readable, device.note = seen.readable, clean_text(seen.note, NOTE_SHOWN)
    device.values.update(seen.values)


def _entry(device: Device) -> dict[str, Any]:
    return {
        "address": device.address,
        "name": device.name or None,
        "signal_dbm": None if device.signal_dbm is None else round(device.signal_dbm),
        "driver": device.driver,
        "readable": device.readable,
        "values": [
            {"quantity": str(quantity), "value": value, "unit": QUANTITIES[quantity].unit}
            for quantity, value in device.values.items()
        ],
        "note": device.note,
        "probe": device.probe or None,
    }
