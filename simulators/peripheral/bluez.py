"""Played probes on the air by BlueZ: GATT applications and advertisements, over D-Bus.

Source: BlueZ's D-Bus API, org.bluez.GattManager1 and LEAdvertisingManager1.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from collections.abc import AsyncIterator, Collection, Mapping, Sequence
from typing import Any

from dbus_fast.aio import MessageBus

from logger.core.readings import Quantity
from simulators.peripheral import formats
from simulators.peripheral.bluez_objects import Advert, Characteristic, ConnectableAdvert, Service
from simulators.peripheral.bus import call, system_bus
from simulators.peripheral.formats import CODES, Kind
from simulators.peripheral.script import Part
from simulators.peripheral.troubles import AirError, no_adapter, unfit

LOOK_S = 2.0  # s between two looks at whether service and adapters are still there; assumed
ABOUT = ((formats.MANUFACTURER_NAME, b"simulated"), (formats.MODEL_NUMBER, b"riselog play"))

_ADAPTER, _DEVICE = "org.bluez.Adapter1", "org.bluez.Device1"
_GATT, _ADVERTS = "org.bluez.GattManager1", "org.bluez.LEAdvertisingManager1"
Interfaces = Mapping[str, Mapping[str, Any]]  # interface -> property -> variant
Objects = Mapping[str, Interfaces]  # by path


@contextlib.asynccontextmanager
async def on_bluez(parts: Sequence[tuple[Part, Sequence[Quantity]]]) -> AsyncIterator[BluezAir]:
    """The parts, each with what it has to send, ready to be played; gone from the air at the end.

    Raises
    ------
    AirError
        The platform, the service, an adapter or its room does not allow it.
    """
    async with system_bus() as bus:
        air = BluezAir(bus)
        try:
            await air.open(parts)
            yield air
        finally:
            await air.close()


class BluezAir:
    """What is registered with BlueZ for each part."""

    def __init__(self, bus: MessageBus) -> None:
        self._bus = bus
        self._probes: dict[str, _Probe] = {}
        self._strangers: set[str] = set()  # devices that were connected before
        self.beside: dict[str, int] = {}  # advertisements of others, by the adapter of ours

    async def open(self, parts: Sequence[tuple[Part, Sequence[Quantity]]]) -> None:
        """Check that all can be played where they are to be, then register what a connection finds."""
        objects = await self._objects()
        self._strangers = {path for path, interfaces in objects.items() if _is_connected(interfaces)}
        adapters = {path.rpartition("/")[2]: path for path in objects if _ADAPTER in objects[path]}
        first = min(adapters, key=lambda name: (len(name), name), default=None)  # hci2 before hci10
        homes = [(part, part.adapter or first) for part, _ in parts]
        for part, home in homes:
            if home is None or home not in adapters:
                raise no_adapter(part.adapter, adapters)
        crowd = Counter(home for _, home in homes if home is not None)
        for name, count in crowd.items():
            connectable = [part for part, home in homes if home == name and part.kind is Kind.ESS]
            check_adapter(name, objects[adapters[name]], count, connectable)
            if others := objects[adapters[name]][_ADVERTS]["ActiveInstances"].value:
                self.beside[name] = others
        for n, ((part, quantities), (_, home)) in enumerate(zip(parts, homes, strict=True)):
            assert home is not None  # checked above
            alone = crowd[home] == 1 or part.kind is Kind.ESS
            address = objects[adapters[home]][_ADAPTER]["Address"].value if alone else None
            self._probes[part.probe] = _Probe(self._bus, n, part, adapters[home], address)
            await self._probes[part.probe].serve(quantities)

    async def close(self) -> None:
        """Take everything off the air. What BlueZ refuses now, it lets go of with the connection."""
        for probe in self._probes.values():
            with contextlib.suppress(AirError):
                await probe.hide()
                await probe.withdraw()

    def adapter_of(self, part: Part) -> str:
        """The adapter that a part is played on."""
        return self._probes[part.probe].adapter_path.rpartition("/")[2]

    def address_of(self, part: Part) -> str | None:
        """The address that it has for itself alone; None where it shares one, or has another at random."""
        return self._probes[part.probe].address

    async def appear(self, part: Part) -> None:
        """On the air from now on; a broadcast with its first packet."""
        await self._probes[part.probe].show()

    async def say(self, part: Part, packet_id: int, raws: Mapping[Quantity, int]) -> None:
        """One packet."""
        await self._probes[part.probe].say(packet_id, raws)

    async def hush(self, part: Part) -> None:
        """Nothing is heard or read from now on."""
        await self._probes[part.probe].hide()

    async def drop(self, part: Part) -> None:
        """The same, and whoever is connected to it loses the connection."""
        probe = self._probes[part.probe]
        await probe.hide()
        near = {
            path: device
            for path, device in (await self._objects()).items()
            if path.startswith(f"{probe.adapter_path}/") and path not in self._strangers
        }
        for path in served(near, probe.readers()):
            with contextlib.suppress(AirError):  # gone meanwhile
                await call(self._bus, "disconnecting", path, _DEVICE, "Disconnect")

    def reads(self, part: Part) -> int:
        """How often a connection has read from it."""
        return self._probes[part.probe].reads()

    async def watch(self) -> None:
        """Return never; raise ``AirError`` when the service or an adapter in use is gone or off."""
        used = {probe.adapter_path for probe in self._probes.values()}
        while True:
            await asyncio.sleep(LOOK_S)
            objects = await self._objects()
            for path in used:
                adapter = objects.get(path, {}).get(_ADAPTER)
                name = path.rpartition("/")[2]
                if adapter is None:
                    raise unfit(name, "is gone; plug it in again")
                if not adapter["Powered"].value:
                    raise unfit(name, "was switched off; bluetoothctl power on")

    async def _objects(self) -> Objects:
        manager = "org.freedesktop.DBus.ObjectManager"
        body = await call(self._bus, "asking for adapters", "/", manager, "GetManagedObjects")
        objects: Objects = body[0]
        return objects


def _is_connected(interfaces: Mapping[str, Mapping[str, Any]]) -> bool:
    device = interfaces.get(_DEVICE, {})
    return "Connected" in device and bool(device["Connected"].value)


def served(near: Objects, readers: Collection[str]) -> list[str]:
    """The connected devices that a played probe serves: who has read it, and who may be subscribed, which
    BlueZ tells of nobody. A paired device that has read nothing is a keyboard or the like: a played probe
    asks for no pairing."""
    return [
        path
        for path, interfaces in near.items()
        if _is_connected(interfaces) and (path in readers or not _is_paired(interfaces))
    ]


def _is_paired(interfaces: Mapping[str, Mapping[str, Any]]) -> bool:
    device = interfaces[_DEVICE]
    return "Paired" in device and bool(device["Paired"].value)


def check_adapter(
    name: str, interfaces: Mapping[str, Mapping[str, Any]], count: int, connectable: list[Part]
) -> None:
    """Refuse what the adapter cannot carry."""
    if not interfaces[_ADAPTER]["Powered"].value:
        raise unfit(name, "is switched off; bluetoothctl power on")
    if _ADVERTS not in interfaces:
        raise unfit(name, "cannot advertise by Bluetooth Low Energy; use another adapter")
    if connectable and _GATT not in interfaces:
        raise unfit(name, "cannot serve connections; use another adapter, or play as bthome")
    if len(connectable) > 1:
        names = " and ".join(part.probe for part in connectable)
        raise unfit(
            name,
            f"is one device to whoever connects, so it cannot be both {names}; give one of them another "
            'adapter, or as = "bthome"',
        )
    room = interfaces[_ADVERTS]["SupportedInstances"].value
    if count > room:
        raise unfit(
            name,
            f"has room for {room} advertisements and {count} probes were asked for; play fewer on it, or "
            "give some another adapter",
        )


class _Probe:
    """One part: its objects on the bus, and whether they are registered."""

    def __init__(self, bus: MessageBus, n: int, part: Part, adapter_path: str, address: str | None) -> None:
        self._bus = bus
        self._part = part
        self._app, self._advert_path = f"/riselog/play{n}", f"/riselog/advert{n}"
        self._characteristics: dict[Quantity, Characteristic] = {}
        self._exported: list[str] = []
        self._served = False
        self._on_air = False
        self.adapter_path = adapter_path
        self.address = address
        self._advert = self._make_advert()

    async def serve(self, quantities: Sequence[Quantity]) -> None:
        """Register what a connection finds."""
        if self._part.kind is not Kind.ESS:
            return
        for quantity in quantities:
            service = formats.service_of(quantity)
            number = CODES[Kind.ESS][quantity].number
            self._characteristics[quantity] = self._add(service, number, notifies=True, payload=None)
        for number, text in ABOUT:
            self._add(formats.DEVICE_INFORMATION, number, notifies=False, payload=text)
        await self._manage(_GATT, "RegisterApplication", self._app, options=True)
        self._served = True

    async def withdraw(self) -> None:
        """Take back what ``serve`` has registered."""
        if self._served:
            self._served = False
            await self._manage(_GATT, "UnregisterApplication", self._app, options=False)

    async def show(self) -> None:
        """Be heard from now on; a broadcast is with its first packet."""
        if self._part.kind is Kind.ESS:
            await self._advertise()

    async def hide(self) -> None:
        """Be neither heard nor read."""
        for characteristic in self._characteristics.values():
            characteristic.hush()
        if self._on_air:
            self._on_air = False
            try:
                await self._manage(_ADVERTS, "UnregisterAdvertisement", self._advert_path, options=False)
            finally:
                self._bus.unexport(self._advert_path)

    async def say(self, packet_id: int, raws: Mapping[Quantity, int]) -> None:
        """One packet: notifications, or the next broadcast."""
        if self._part.kind is Kind.ESS:
            for quantity, raw in raws.items():
                self._characteristics[quantity].send(CODES[Kind.ESS][quantity].payload(raw))
            return
        data = formats.bthome_data(packet_id, raws)
        if self._on_air:
            self._advert.send(data)
        else:
            self._advert.put(data)
            await self._advertise()

    def reads(self) -> int:
        """Of all its characteristics."""
        return sum(each.reads for each in self._characteristics.values())

    def readers(self) -> set[str]:
        """The devices that have read any of its characteristics."""
        return set().union(*(each.readers for each in self._characteristics.values()))

    def _make_advert(self) -> Advert:
        ess = self._part.kind is Kind.ESS
        alone = self.address is not None
        kind = ConnectableAdvert if alone else Advert
        return kind(
            self._part.advertised,
            formats.ENVIRONMENTAL_SENSING if ess else None,
            None if ess else formats.BTHOME,
            alone=alone,
        )

    async def _advertise(self) -> None:
        if not self._on_air:
            self._bus.export(self._advert_path, self._advert)
            await self._manage(_ADVERTS, "RegisterAdvertisement", self._advert_path, options=True)
            self._on_air = True

    def _add(self, service: int, number: int, *, notifies: bool, payload: bytes | None) -> Characteristic:
        """Export a characteristic, and its service where that is not there yet."""
        path = f"{self._app}/service{service:04x}"
        if path not in self._exported:
            self._exported.append(path)
            self._bus.export(path, Service(service))
        made = Characteristic(number, path, notifies=notifies, payload=payload)
        self._bus.export(f"{path}/char{number:04x}", made)
        return made

    async def _manage(self, manager: str, member: str, path: str, *, options: bool) -> None:
        doing = f"{'advertising' if manager == _ADVERTS else 'serving'} {self._part.advertised}"
        body: list[Any] = [path, {}] if options else [path]
        await call(self._bus, doing, self.adapter_path, manager, member, "oa{sv}" if options else "o", body)
