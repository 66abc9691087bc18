"""Starts the BlueZ mock ``bluezoo`` (GPL, its own process, tests only) with six repairs.

A disconnect takes the remote GATT objects off the bus, as BlueZ does; without that a second
connection fails. An unchanged advertisement still gives one signal for each pass of the scan.
Manufacturer data is keyed by number, as in BlueZ's D-Bus API (``a{qv}``). An adapter that is off does not
begin to look for devices (``org.bluez.Error.NotReady``, BlueZ ``doc/org.bluez.Adapter``). One whose alias is
"room N" has no more than N connections, refused with the text of BlueZ ``src/error.h``
(ERR_LE_CONN_SYNC_CONNECT_LIMIT). What a client changes at once after it has registered counts: the mock
answers it before it listens for its changes, and would serve the first values for ever.
"""

import asyncio
import contextlib
from typing import Any

import bluezoo.bluezoo as service
import bluezoo.device as mocked
import sdbus
from bluezoo.bluezoo import main
from bluezoo.events import emit
from bluezoo.exceptions import DBusBluezFailedError, DBusBluezNotReadyError
from bluezoo.utils import DBusClientMixin
from sdbus.utils import parse_properties_changed

_disconnect = mocked.Device.disconnect
_properties_sync = mocked.Device.properties_sync
_connect = mocked.Device.connect
_create_discovering_task = service.BluezMockService.create_discovering_task


async def disconnect(self: Any, uuid: str | None = None) -> None:
    there = next((d for d in self.peer_adapter.devices.values() if d.address == self.adapter.address), None)
    if not self.services and there is not None and there.services:  # the other side holds the connection
        await disconnect(there)
    for link in reversed(self.services.values()):
        if isinstance(link, mocked.GattCharacteristicClientLink):
            link.client_props_changed_subscription.unsubscribe()
            with contextlib.suppress(Exception):
                await link.client.StopNotify()
            link.client.Notifying.cache(False)  # noqa: FBT003 - the mock's own call
        self.peer_adapter.mock.remove_object(link)
    self.services.clear()
    await self.ServicesResolved.set_async(False)
    await _disconnect(self, uuid)


async def properties_sync(self: Any, new: Any) -> None:
    same = (self.service_data, self.manufacturer_data) == (new.service_data, new.manufacturer_data)
    await _properties_sync(self, new)
    if same:
        self.rssi = -61 if self.rssi == -60 else -60  # dBm
        self.properties_changed.emit(("org.bluez.Device1", {"RSSI": ("n", self.rssi)}, []))


async def connect(self: Any, uuid: str | None = None) -> None:
    word, _, most = self.adapter.name.partition(" ")
    held = sum(device.connected for device in self.adapter.devices.values())
    if word == "room" and held >= int(most):
        text = "le-connection-concurrent-connection-limit"
        raise DBusBluezFailedError(text)
    await _connect(self, uuid)


def create_discovering_task(self: Any, id: int) -> Any:  # noqa: A002 - the mock's own name
    adapter = self.adapters[id]
    if not adapter.powered:
        adapter.scan_subscribers.pop(sdbus.get_current_message().sender).unsubscribe()
        text = "Resource Not Ready"
        raise DBusBluezNotReadyError(text)
    return _create_discovering_task(self, id)


async def properties_setup_sync_task(self: Any) -> None:
    fresh: set[str] = set()

    def changed(message: Any) -> None:
        """At once, so that changes of several objects stay in order."""
        properties = parse_properties_changed(type(self).mro(), message.get_contents())
        for key, value in properties.items():
            getattr(self, key).cache(value)
        fresh.update(properties)
        emit(f"properties:changed:{id(self)}", properties=properties)

    signal = self.properties_changed
    slot = await signal._register_match_slot(signal.proxy_meta.attached_bus, changed)

    async def hold() -> None:
        with contextlib.closing(slot):
            await asyncio.Event().wait()

    self._properties_changed_task = asyncio.create_task(hold())
    for key, value in (await self.properties_get_all_dict()).items():
        if key not in fresh:
            getattr(self, key).cache(value)


for kind in mocked.Device.__mro__:
    if (made := vars(kind).get("ManufacturerData")) is not None:
        made.property_signature = "a{qv}"
service.BluezMockService.create_discovering_task = create_discovering_task
mocked.Device.connect = connect
mocked.Device.disconnect = disconnect
mocked.Device.properties_sync = properties_sync
DBusClientMixin.properties_setup_sync_task = properties_setup_sync_task

if __name__ == "__main__":
    main()
