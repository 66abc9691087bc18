# ruff: noqa: N802 - D-Bus members have the names that BlueZ gives them
"""A private D-Bus with a BlueZ mock on it, and probes made of bytes that it shows to the driver.

Adapter hci0 is the one the drivers use; hci1 and up each are one remote probe, made by the test.
"""

import asyncio
import contextlib
import functools
import importlib.util
import itertools
import os
import shutil
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Annotated, Any

import pytest
import pytest_asyncio

from logger.driver_api import Driver, ProbeRequest, Quantity
from tests.shell.stand_ins import READY_S, DriverLog

ADDRESSES = [f"00:00:00:00:00:{n:02X}" for n in range(1, 6)]  # of hci0, hci1, ...
FRESH = len(ADDRESSES) - 1  # an adapter for one test alone: the mock numbers GATT handles from 1 there

BUS_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>custom</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/><allow own="*"/><allow send_destination="*"/><allow send_type="signal"/>
    <allow receive_type="signal"/><allow receive_sender="*"/>
  </policy>
</busconfig>
"""


def _missing() -> str:
    lacks = [] if shutil.which("dbus-daemon") else ["dbus-daemon (package dbus)"]
    lacks += [] if importlib.util.find_spec("bluezoo") else ["bluezoo (dependency group dev)"]
    return ", ".join(lacks)


def _stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(10)


@pytest.fixture(scope="session")
def private_bus(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a D-Bus of our own."""
    if lacks := _missing():
        text = f"no Bluetooth tests: {lacks} is not installed"
        (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(text)
    folder = tmp_path_factory.mktemp("bus")
    config, socket = folder / "bus.conf", folder / "socket"
    config.write_text(BUS_CONFIG.format(socket=socket))
    daemon = subprocess.Popen(
        ["dbus-daemon", f"--config-file={config}", "--nofork", "--print-address=1"], stdout=subprocess.PIPE
    )
    try:
        assert daemon.stdout is not None
        address = daemon.stdout.readline().decode().strip()  # printed when it listens
        assert address, "dbus-daemon did not start"
        yield address
    finally:
        _stop(daemon)
        if daemon.stdout is not None:
            daemon.stdout.close()


class Mock:
    """The process of the BlueZ mock."""

    def __init__(self, bus_address: str, log: Path) -> None:
        self._bus_address = bus_address
        self._log = log
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        adapters = [part for address in ADDRESSES for part in ("--adapter", address)]
        command = [sys.executable, str(Path(__file__).with_name("bluez_mock.py"))]
        with self._log.open("ab") as out:
            self._process = subprocess.Popen(
                [*command, "--auto-enable", "--scan-interval", "1", *adapters],
                stdout=out,
                stderr=out,
                env={**os.environ, "DBUS_SYSTEM_BUS_ADDRESS": self._bus_address},
            )

    def stop(self) -> None:
        if self._process is not None:
            _stop(self._process)
            self._process = None

    async def ready(self) -> None:
        """Return when the last adapter is on the bus."""
        from dbus_fast import MessageType

        async with asyncio.timeout(READY_S), open_bus(self._bus_address) as bus:
            while True:
                reply = await call(bus, "/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
                if reply.message_type is MessageType.METHOD_RETURN and (
                    f"/org/bluez/hci{len(ADDRESSES) - 1}" in reply.body[0]
                ):
                    return
                alive = self._process is not None and self._process.poll() is None
                assert alive, f"the BlueZ mock has ended, see {self._log}"
                await asyncio.sleep(0.02)  # another process; nothing tells us


@pytest.fixture(scope="session")
def bluez_process(private_bus: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mock]:
    """The mock, ready to be called."""
    mock = Mock(private_bus, tmp_path_factory.mktemp("mock") / "log.txt")
    mock.start()
    try:
        asyncio.run(mock.ready())
        yield mock
    finally:
        mock.stop()


@contextlib.asynccontextmanager
async def open_bus(address: str) -> AsyncIterator[Any]:
    from dbus_fast.aio import MessageBus

    bus = MessageBus(bus_address=address)
    await bus.connect()
    try:
        yield bus
    finally:
        bus.disconnect()
        await bus.wait_for_disconnect()


async def call(bus: Any, path: str, interface: str, member: str, signature: str = "", *body: Any) -> Any:
    from dbus_fast import Message

    return await bus.call(
        Message(
            destination="org.bluez",
            path=path,
            interface=interface,
            member=member,
            signature=signature,
            body=list(body),
        )
    )


def full(uuid: int | str) -> str:
    """A UUID as the bus has it, from its 16 bits or as it is."""
    return uuid if isinstance(uuid, str) else f"{uuid:08x}-0000-1000-8000-00805f9b34fb"


@dataclass
class Char:
    """One characteristic of a made probe. ``value`` None: every read is refused. ``uuid16`` may be a
    full UUID as text too, as may ``service``. ``written`` is what came in."""

    uuid16: int | str
    value: bytes | None
    flags: tuple[str, ...] = ("read", "notify")
    service: int | str = 0x181A
    reads: int = 0
    starts: int = 0  # of its notifications
    written: list[bytes] = field(default_factory=list)
    descriptors: tuple[tuple[int, bytes], ...] = ()
    refusal: str = "Read not permitted"


@functools.cache
def served_kinds() -> Any:  # noqa: C901 - a list of small classes
    """The objects a remote probe has on the bus, by the interfaces of BlueZ's D-Bus API."""
    from dbus_fast import DBusError, PropertyAccess, Variant
    from dbus_fast.annotations import DBusBool, DBusBytes, DBusDict, DBusObjectPath, DBusSignature, DBusStr
    from dbus_fast.service import ServiceInterface, dbus_method, dbus_property

    strings = Annotated[list[str], DBusSignature("as")]

    class Service(ServiceInterface):
        def __init__(self, uuid16: int | str) -> None:
            super().__init__("org.bluez.GattService1")
            self._uuid = full(uuid16)

        @dbus_property(access=PropertyAccess.READ)
        def UUID(self) -> DBusStr:
            return self._uuid

        @dbus_property(access=PropertyAccess.READ)
        def Primary(self) -> DBusBool:
            return True

    class Characteristic(ServiceInterface):
        def __init__(self, char: Char, service: str) -> None:
            super().__init__("org.bluez.GattCharacteristic1")
            self._char = char
            self._service = service
            self.subscribed, self.free = asyncio.Event(), asyncio.Event()

        def send(self, value: bytes) -> None:
            self._char.value = value
            self.emit_properties_changed({"Value": value})

        @dbus_property(access=PropertyAccess.READ)
        def UUID(self) -> DBusStr:
            return full(self._char.uuid16)

        @dbus_property(access=PropertyAccess.READ)
        def Service(self) -> DBusObjectPath:
            return self._service

        @dbus_property(access=PropertyAccess.READ)
        def Flags(self) -> strings:
            return list(self._char.flags)

        @dbus_property(access=PropertyAccess.READ)
        def Value(self) -> DBusBytes:
            return self._char.value or b""

        @dbus_method()
        def ReadValue(self, options: DBusDict) -> DBusBytes:
            self._char.reads += 1
            if self._char.value is None:
                raise DBusError("org.bluez.Error.NotPermitted", self._char.refusal)
            return self._char.value

        @dbus_method()
        def WriteValue(self, value: DBusBytes, options: DBusDict) -> None:
            self._char.written.append(bytes(value))

        @dbus_method()
        def StartNotify(self) -> None:
            self._char.starts += 1
            self.subscribed.set()
            self.free.clear()

        @dbus_method()
        def StopNotify(self) -> None:
            self.subscribed.clear()
            self.free.set()

        @dbus_method()
        def Confirm(self) -> None:
            pass

    class Descriptor(ServiceInterface):
        def __init__(self, uuid16: int, value: bytes, characteristic: str) -> None:
            super().__init__("org.bluez.GattDescriptor1")
            self._uuid = f"{uuid16:08x}-0000-1000-8000-00805f9b34fb"
            self._value = value
            self._characteristic = characteristic

        @dbus_property(access=PropertyAccess.READ)
        def UUID(self) -> DBusStr:
            return self._uuid

        @dbus_property(access=PropertyAccess.READ)
        def Characteristic(self) -> DBusObjectPath:
            return self._characteristic

        @dbus_property(access=PropertyAccess.READ)
        def Flags(self) -> strings:
            return ["read"]

        @dbus_method()
        def ReadValue(self, options: DBusDict) -> DBusBytes:
            return self._value

    class Advert(ServiceInterface):
        def __init__(
            self, name: str, service_data: bytes | None, maker: dict[int, bytes], services: tuple[int, ...]
        ) -> None:
            super().__init__("org.bluez.LEAdvertisement1")
            self._name = name
            self._services = services
            self._data = service_data
            self._maker = maker

        def send(self, service_data: bytes | None, maker: dict[int, bytes]) -> None:
            self._data, self._maker = service_data, maker
            self.emit_properties_changed(
                {"ServiceData": self._packed(), "ManufacturerData": self._packed_by_company()}
            )

        def _packed_by_company(self) -> dict[int, Variant]:
            return {company: Variant("ay", data) for company, data in self._maker.items()}

        @dbus_property(access=PropertyAccess.READ)
        def ManufacturerData(self) -> Annotated[dict[int, Variant], DBusSignature("a{qv}")]:
            return self._packed_by_company()

        def _packed(self) -> dict[str, Variant]:
            if self._data is None:
                return {}
            return {"0000fcd2-0000-1000-8000-00805f9b34fb": Variant("ay", self._data)}

        @dbus_property(access=PropertyAccess.READ)
        def Type(self) -> DBusStr:
            return "peripheral"

        @dbus_property(access=PropertyAccess.READ)
        def LocalName(self) -> DBusStr:
            return self._name

        @dbus_property(access=PropertyAccess.READ)
        def Discoverable(self) -> DBusBool:
            return True

        @dbus_property(access=PropertyAccess.READ)
        def ServiceUUIDs(self) -> strings:
            return [full(each) for each in self._services]

        @dbus_property(access=PropertyAccess.READ)
        def ServiceData(self) -> DBusDict:
            return self._packed()

        @dbus_method()
        def Release(self) -> None:
            pass

    return SimpleNamespace(
        Service=Service, Characteristic=Characteristic, Descriptor=Descriptor, Advert=Advert
    )


Key = int | str | tuple[int | str, int]
"""The first characteristic of a UUID, or the one of that number, from 1."""


class Remote:
    """A probe as the test makes it: an application and an advertisement on one adapter."""

    def __init__(self, bus: Any, hci: int) -> None:
        self._bus = bus
        self._hci = hci
        self._interfaces: dict[Key, Any] = {}
        self._advert: Any = None
        self._made: list[tuple[str, str, str]] = []
        self.address = ADDRESSES[hci]

    async def serve(self, *chars: Char) -> None:
        """Offer these characteristics to whoever connects."""
        kinds = served_kinds()
        services = sorted({char.service for char in chars}, key=full)
        for n, service in enumerate(services):
            path = f"/probe{self._hci}/service{n}"
            self._bus.export(path, kinds.Service(service))
            for m, char in enumerate(c for c in chars if c.service == service):
                served = kinds.Characteristic(char, path)
                self._bus.export(f"{path}/char{m}", served)
                for k, (uuid16, value) in enumerate(char.descriptors):
                    self._bus.export(
                        f"{path}/char{m}/desc{k}", kinds.Descriptor(uuid16, value, f"{path}/char{m}")
                    )
                self._interfaces.setdefault(char.uuid16, served)
                nth = next(n for n in itertools.count(1) if (char.uuid16, n) not in self._interfaces)
                self._interfaces[char.uuid16, nth] = served
        await self._manage("GattManager1", "RegisterApplication", f"/probe{self._hci}")

    async def advertise(
        self,
        *,
        name: str = "probe",
        service_data: bytes | None = None,
        maker: dict[int, bytes] | None = None,
        services: tuple[int, ...] = (0x181A,),
    ) -> None:
        """Broadcast, in place of what was broadcast before; ``maker`` is manufacturer data by company."""
        if self._advert is not None:
            self._advert.send(service_data, maker or {})
            return
        self._advert = served_kinds().Advert(name, service_data, maker or {}, services)
        self._bus.export(f"/advert{self._hci}", self._advert)
        await self._manage("LEAdvertisingManager1", "RegisterAdvertisement", f"/advert{self._hci}")

    async def hide(self) -> None:
        """Stop broadcasting."""
        self._bus.unexport(f"/advert{self._hci}")
        self._advert = None
        reply = await call(
            self._bus,
            f"/org/bluez/hci{self._hci}",
            "org.bluez.LEAdvertisingManager1",
            "UnregisterAdvertisement",
            "o",
            f"/advert{self._hci}",
        )
        assert not reply.error_name, reply.body

    def notify(self, uuid16: Key, value: bytes) -> None:
        """Send a notification, if subscribed."""
        self._interfaces[uuid16].send(value)

    async def subscribed(self, *uuids: Key) -> None:
        """Return when the driver has subscribed to all of these."""
        async with asyncio.timeout(READY_S):
            for uuid16 in uuids:
                await self._interfaces[uuid16].subscribed.wait()

    async def unsubscribed(self, uuid16: Key) -> None:
        """Return when the driver has let go of it."""
        async with asyncio.timeout(READY_S):
            await self._interfaces[uuid16].free.wait()

    async def drop(self) -> None:
        """Lose the connection."""
        path = f"/org/bluez/hci0/dev_{self.address.replace(':', '_')}"
        reply = await call(self._bus, path, "org.bluez.Device1", "Disconnect")
        assert not reply.error_name, reply.body

    async def connect_from_outside(self) -> None:
        """Have the system hold a connection that no driver made."""
        path = f"/org/bluez/hci0/dev_{self.address.replace(':', '_')}"
        reply = await call(self._bus, path, "org.bluez.Device1", "Connect")
        assert not reply.error_name, reply.body

    async def make_again(self) -> None:
        """Be there again after the Bluetooth service has restarted."""
        made, self._made = self._made, []
        for each in made:
            await self._manage(*each)

    async def _manage(self, manager: str, member: str, path: str) -> None:
        self._made.append((manager, member, path))
        reply = await call(
            self._bus, f"/org/bluez/hci{self._hci}", f"org.bluez.{manager}", member, "oa{sv}", path, {}
        )
        assert not reply.error_name, reply.body


class Air:
    """Where the probes of one test are, and what a test needs to look at a driver there."""

    Char = Char

    @staticmethod
    def log() -> DriverLog:
        return DriverLog()

    @staticmethod
    def request(probe: str = "ret", /, *quantities: Quantity, **options: Any) -> ProbeRequest:
        """A probe table of a config, on the driver's adapter."""
        return ProbeRequest(
            name=probe,
            role="return",
            quantities=quantities or (Quantity.TEMPERATURE, Quantity.HUMIDITY),
            options={"adapter": "hci0", **options},
        )

    @staticmethod
    @contextlib.asynccontextmanager
    async def running(driver: Driver) -> AsyncIterator[asyncio.Task[None]]:
        """The driver at work, cancelled at the end."""
        task = asyncio.create_task(driver.run())
        try:
            yield task
        finally:
            if not task.done():
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await task

    def __init__(self, address: str, stack: contextlib.AsyncExitStack, bluez: Mock) -> None:
        self.bluez = bluez
        self._bus_address = address
        self._stack = stack
        self._used = 0

    async def remote(self, *, fresh: bool = False) -> Remote:
        """A new probe on the next free adapter, on a bus connection of its own."""
        self._used += 1
        bus = await self._stack.enter_async_context(open_bus(self._bus_address))
        return Remote(bus, FRESH if fresh else self._used)

    async def power(self, *, on: bool) -> None:
        """Switch all adapters on or off; as in BlueZ, connections end with their adapter."""
        from dbus_fast import Variant

        async with open_bus(self._bus_address) as bus:
            for hci in range(len(ADDRESSES)):
                await self._set(bus, hci, "Powered", Variant("b", on))
            reply = await call(bus, "/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
            for path, interfaces in reply.body[0].items():
                device = interfaces.get("org.bluez.Device1")
                if not on and path.startswith("/org/bluez/hci0/") and device and device["Connected"].value:
                    await call(bus, path, "org.bluez.Device1", "Disconnect")

    async def room(self, connections: int | None) -> None:
        """Have the driver's adapter take so many connections and no more; None: as many as there are."""
        from dbus_fast import Variant

        async with open_bus(self._bus_address) as bus:
            alias = "hci0" if connections is None else f"room {connections}"
            await self._set(bus, 0, "Alias", Variant("s", alias))

    @staticmethod
    async def _set(bus: Any, hci: int, key: str, value: Any) -> None:
        body = ("org.bluez.Adapter1", key, value)
        path = f"/org/bluez/hci{hci}"
        reply = await call(bus, path, "org.freedesktop.DBus.Properties", "Set", "ssv", *body)
        assert not reply.error_name, reply.body

    async def forget_all(self) -> None:
        """Remove what the driver's adapter has seen."""
        async with open_bus(self._bus_address) as bus:
            reply = await call(bus, "/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
            for path, interfaces in reply.body[0].items():
                if "org.bluez.Device1" in interfaces:
                    adapter = path.rpartition("/")[0]
                    await call(bus, adapter, "org.bluez.Adapter1", "RemoveDevice", "o", path)


@pytest_asyncio.fixture
async def air(private_bus: str, bluez_process: Mock, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Air]:
    """A world without probes, and clean again afterwards; its bus is the system's for as long."""
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", private_bus)
    async with contextlib.AsyncExitStack() as stack:
        air = Air(private_bus, stack, bluez_process)
        yield air
        await air.forget_all()
    await close_bleak()


async def close_bleak() -> None:
    """Close the bus connection that bleak keeps for each event loop until the process ends."""
    from bleak.backends.bluezdbus import manager

    known = manager._global_instances.pop(asyncio.get_running_loop(), None)
    if known is not None and known._bus is not None:
        known._bus.disconnect()
        await known._bus.wait_for_disconnect()
        if known._bus_watcher_task is not None:
            await known._bus_watcher_task
