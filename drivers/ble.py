"""The radio: the one file that imports bleak, and only when it is used, for it loads slowly.

Every await of the radio has a timeout, and every error of it becomes a ``RadioError``.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Collection, Iterator, Sequence
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

from drivers.ble_errors import RadioError, Trouble, explain
from drivers.heard import Characteristic, Sighting, full_uuid, uuid16
from drivers.links import Links
from drivers.probe import Wanted

if TYPE_CHECKING:
    from bleak import BleakClient, BleakScanner
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

SCAN_START_S = 15.0  # s, timeouts of the radio: all assumed
SCAN_STOP_S = 5.0  # s
CONNECT_S = 45.0  # s, over all tries of one connection
DISCONNECT_S = 5.0  # s
DEAF_S = 10.0  # s without a packet from any device at all, after which the scan is doubted
DOUBT_S = 2.0  # the same after the loss of a probe: what took it away may have ended the scan too
RETRY_S = 5.0  # s until a scan that could not be started is tried again
GATT_S = 5.0  # s, one read or one subscription
_SCANNING = "scanning for probes"
_NOT_HEARD_DBM = -127  # bleak's number where the system has withdrawn the signal: no packet came


@contextlib.contextmanager
def radio_errors(doing: str) -> Iterator[None]:
    """Turn what the radio's library raises into ``RadioError``."""
    try:
        yield
    except RadioError:
        raise
    # Its errors have no common root: BleakError, OSError, EOFError, TimeoutError, dbus-fast's own,
    # and AssertionError, KeyError or AttributeError when a device leaves at the wrong moment.
    except Exception as error:
        raise explain(doing, error) from error


class Radio:
    """One scanner shared by all who listen; it runs while anybody holds it."""

    def __init__(self, adapter: str | None = None) -> None:
        self._adapter = adapter
        self.links = Links(_connect)
        self._scanner: BleakScanner | None = None
        self._holders = 0
        self._lock = asyncio.Lock()
        self._listeners: dict[object, Callable[[Sighting], None]] = {}
        self._trouble: Trouble | None = None  # why the last start failed
        self._quiet_since_s = 0.0  # loop time: last packet or start

    @contextlib.asynccontextmanager
    async def scanning(self) -> AsyncIterator[None]:
        """Hold the scanner.

        Raises
        ------
        RadioError
            The scanner cannot be started.
        """
        async with self._lock:
            if self._scanner is None:
                await self._start()
            self._holders += 1
        try:
            yield
        finally:
            self._holders -= 1
            async with self._lock:
                if self._holders == 0:
                    await self._stop()

    @contextlib.contextmanager
    def listening(self, callback: Callable[[Sighting], None]) -> Iterator[None]:
        """Have ``callback`` called for every packet heard, from any device. It must not raise."""
        token = object()
        self._listeners[token] = callback
        try:
            yield
        finally:
            del self._listeners[token]

    async def find(self, wanted: Wanted, timeout_s: float, *, but: Collection[str] = ()) -> Sighting | None:
        """The next packet of that device, or None when none came in time. ``but``: addresses of others."""
        with self._hearing(wanted) as heard, contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                while (sighting := await heard.get()).address in but:
                    pass
                return sighting
        return None

    async def find_all(
        self, wanted: Wanted, timeout_s: float, *, carrying: Callable[[Sighting], bool] | None = None
    ) -> list[Sighting]:
        """One packet of every device that answers to it, if possible one that ``carrying`` holds
        for: for an address as soon as it is heard, for a name after all the time."""
        found: dict[str, Sighting] = {}
        with self._hearing(wanted) as heard, contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                while True:
                    sighting = await heard.get()
                    complete = carrying is None or carrying(sighting)
                    if complete or sighting.address not in found:
                        found[sighting.address] = sighting
                    if complete and wanted.address is not None:
                        break
        return list(found.values())

    async def find_connected(
        self, wanted: Wanted, services: Sequence[str], *, but: Collection[str] = ()
    ) -> Sighting | None:
        """The device, when the system holds a connection to it already: it is not heard then. It is
        known by one of these services. ``but``: addresses of others.

        That is what a killed process leaves behind on Linux. Where the system cannot tell, there
        is none: of a radio that fails the scan tells.
        """
        for device in await self._connected(services):
            if wanted.matches(device.address, device.name) and device.address not in but:
                return Sighting(
                    address=device.address, name=device.name, signal_dbm=None, service_data={}, device=device
                )
        return None

    async def in_use(self, address: str, services: Sequence[str]) -> bool:
        """Whether another program holds a connection to it; it is known by one of these services. To end a
        second one may end the first: BlueZ has one connection to a device for all programs."""
        held = {device.address.casefold() for device in await self._connected(services)}
        return address.casefold() in held and not self.links.holds(address)

    async def _connected(self, services: Sequence[str]) -> list[BLEDevice]:
        devices: list[BLEDevice] = []
        with contextlib.suppress(RadioError), radio_errors("asking for connected probes"):
            from bleak import BleakAdapter  # noqa: PLC0415 - slow to load

            async with asyncio.timeout(SCAN_START_S):
                system = await BleakAdapter.get(bluez={"adapter": self._adapter} if self._adapter else {})
                devices = await system.get_connected_devices(list(services))
        return devices

    async def restart_if_deaf(self, deaf_s: float | None = None) -> None:
        """Start the scanner anew when it has heard nobody at all for so long, ``DEAF_S`` by itself.

        A scan ends unnoticed when the adapter is switched off and on, unplugged, or the
        system's Bluetooth service restarts.

        Raises
        ------
        RadioError
            The scanner cannot be started; the next call tries again.
        """
        async with self._lock:
            quiet_s = asyncio.get_running_loop().time() - self._quiet_since_s
            deaf_s = DEAF_S if deaf_s is None else deaf_s
            if quiet_s > (deaf_s if self._scanner is not None else RETRY_S):
                await self._stop()
                await self._start()
            elif self._scanner is None and self._trouble is not None:
                raise RadioError(_SCANNING, self._trouble)  # another one has just tried

    @contextlib.contextmanager
    def _hearing(self, wanted: Wanted) -> Iterator[asyncio.Queue[Sighting]]:
        """A queue of the packets of that device; one that this program is connected to is there at once."""
        heard: asyncio.Queue[Sighting] = asyncio.Queue()

        def look(sighting: Sighting) -> None:
            if wanted.matches(sighting.address, sighting.name):
                heard.put_nowait(sighting)

        with self.listening(look), self.links.watching(look):
            yield heard

    async def _start(self) -> None:
        self._quiet_since_s = asyncio.get_running_loop().time()
        try:
            await self._start_scanner()
        except RadioError as error:
            self._trouble = error.trouble
            raise
        self._trouble = None

    async def _start_scanner(self) -> None:
        with radio_errors(_SCANNING):
            from bleak import BleakScanner  # noqa: PLC0415 - slow to load

            # DuplicateData: a probe that repeats an unchanged value is still heard.
            scanner = BleakScanner(
                self._hear,
                bluez={"filters": {"DuplicateData": True}}
                | ({"adapter": self._adapter} if self._adapter else {}),  # type: ignore[arg-type]
            )
            await _started(scanner)
            self._scanner = scanner

    async def _stop(self) -> None:
        scanner, self._scanner = self._scanner, None
        if scanner is not None:
            # A scan that cannot be stopped ends with the process.
            with contextlib.suppress(RadioError), radio_errors("ending the scan"):
                async with asyncio.timeout(SCAN_STOP_S):
                    await scanner.stop()

    def _hear(self, device: BLEDevice, data: AdvertisementData) -> None:
        if data.rssi <= _NOT_HEARD_DBM:
            return
        self._quiet_since_s = asyncio.get_running_loop().time()
        sighting = Sighting(
            address=device.address,
            name=data.local_name or device.name,
            signal_dbm=float(data.rssi),
            service_data={
                short: bytes(value)
                for uuid, value in data.service_data.items()
                if (short := uuid16(uuid)) is not None
            },
            any_service_data={uuid.lower(): bytes(value) for uuid, value in data.service_data.items()},
            manufacturer_data={id_: bytes(value) for id_, value in data.manufacturer_data.items()},
            services=frozenset(uuid.lower() for uuid in data.service_uuids),
            device=device,
        )
        for listener in tuple(self._listeners.values()):
            listener(sighting)


async def _started(scanner: BleakScanner) -> None:
    """Start it. A start that is broken off would leave the system scanning: it is let end, and undone."""
    starting = asyncio.ensure_future(scanner.start())
    try:
        async with asyncio.timeout(SCAN_START_S):
            await asyncio.shield(starting)
    except BaseException:
        with contextlib.suppress(RadioError), radio_errors("ending the scan"):
            async with asyncio.timeout(SCAN_STOP_S):
                await starting
                await scanner.stop()
        raise


_radios: WeakKeyDictionary[asyncio.AbstractEventLoop, dict[str | None, Radio]] = WeakKeyDictionary()


def shared_radio(adapter: str | None = None) -> Radio:
    """The radio of this event loop: the system allows one scan per process and adapter."""
    radios = _radios.setdefault(asyncio.get_running_loop(), {})
    return radios.setdefault(adapter, Radio(adapter))


class _Link:
    """A connection by bleak; see ``links.Link``."""

    def __init__(self, client: BleakClient, lost: asyncio.Event) -> None:
        self._client = client
        self.lost = lost
        self.characteristics = tuple(_characteristics(client))

    async def read(self, characteristic: Characteristic) -> bytes:
        """The characteristic's value now."""
        with radio_errors("reading from the probe"):
            async with asyncio.timeout(GATT_S):
                return bytes(await self._client.read_gatt_char(characteristic.handle))

    async def write(self, characteristic: Characteristic, payload: bytes) -> None:
        """Write once; the probe confirms it where it can."""
        with radio_errors("writing to the probe"):
            async with asyncio.timeout(GATT_S):
                await self._client.write_gatt_char(characteristic.handle, payload)

    async def descriptors(self, characteristic: Characteristic, uuid16: int) -> list[bytes]:
        """The values of its descriptors of that kind now."""
        handles = [d for d in characteristic.handle.descriptors if d.uuid.lower() == full_uuid(uuid16)]
        with radio_errors("reading from the probe"):
            async with asyncio.timeout(GATT_S):
                return [bytes(await self._client.read_gatt_descriptor(each)) for each in handles]

    async def notify(self, characteristic: Characteristic, callback: Callable[[bytes], None]) -> None:
        """Have ``callback`` called for every value the probe sends. It must not raise."""
        with radio_errors("subscribing to the probe"):
            async with asyncio.timeout(GATT_S):
                await self._client.start_notify(
                    characteristic.handle, lambda _, payload: callback(bytes(payload))
                )

    async def stop_notify(self, characteristic: Characteristic) -> None:
        """Have nobody called any more."""
        with radio_errors("unsubscribing from the probe"):
            async with asyncio.timeout(GATT_S):
                await self._client.stop_notify(characteristic.handle)

    async def close(self) -> None:
        """Disconnect. The device may be gone, and the connection with it: nothing is left to say."""
        await _disconnect(self._client)


def _characteristics(client: BleakClient) -> Iterator[Characteristic]:
    for service in sorted(client.services, key=lambda each: each.handle):
        for handle in sorted(service.characteristics, key=lambda each: each.handle):
            yield Characteristic(
                service_uuid=service.uuid.lower(),
                uuid=handle.uuid.lower(),
                can_read="read" in handle.properties,
                can_notify="notify" in handle.properties or "indicate" in handle.properties,
                can_write="write" in handle.properties or "write-without-response" in handle.properties,
                handle=handle,
            )


async def _connect(sighting: Sighting) -> _Link:
    """Connect to a device just heard. Raises RadioError: it does not answer, or the radio refuses."""
    lost = asyncio.Event()
    client = await _client(sighting, lost)
    try:
        with radio_errors("listing what the probe has"):
            return _Link(client, lost)
    except RadioError:
        await _disconnect(client)
        raise


async def _disconnect(client: BleakClient) -> None:
    with contextlib.suppress(RadioError), radio_errors("disconnecting"):
        async with asyncio.timeout(DISCONNECT_S):
            await client.disconnect()


async def _client(sighting: Sighting, lost: asyncio.Event) -> BleakClient:
    with radio_errors("connecting"):
        from bleak_retry_connector import (  # noqa: PLC0415 - slow to load
            BleakClientWithServiceCache,
            establish_connection,
        )

        async with asyncio.timeout(CONNECT_S):
            return await establish_connection(
                BleakClientWithServiceCache,
                sighting.device,
                sighting.address,
                disconnected_callback=lambda _: lost.set(),
                use_services_cache=False,  # it outlives a restart of the Bluetooth service
            )
