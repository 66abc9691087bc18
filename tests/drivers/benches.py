"""Our drivers' sources under the hand of the conformance suite.

Bluetooth: the BlueZ mock of ``conftest``; MQTT: a real broker; the simulation: a clock that goes one step at
a time; the example of a package of its own: UDP. Expected values are those of the packets' own formats
(GATT Specification Supplement: sint16 in 0.01 degC; BTHome v2: packet id 0x00, temperature 0x02).
"""

import asyncio
import contextlib
import itertools
import json
import re
import socket
import tomllib
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from typing import Any, ClassVar

from drivers.adverts import Pace
from drivers.bthome.driver import BthomeDriver
from drivers.ess.driver import EssDriver
from drivers.gatt_map.driver import GattMapDriver, MappedConnection
from drivers.gatt_map.model import ProbeMap
from drivers.mqtt_in.driver import MqttInDriver
from logger.clock import SteppedClock
from logger.conformance import Bench
from logger.driver_api import ProbeRequest, Quantity, Sample
from simulators.driver import SimDriver
from tests.broker.conftest import Mosquitto
from tests.drivers.conftest import ADDRESSES, Air, Char, Mock, Remote, call, close_bleak, open_bus
from tests.plugin_example.line_probe.driver import LineProbe

TEMPERATURE = 0x2A6E
ASK_S = 0.01  # s between two looks at another process; nothing tells us


def celsius(n: int) -> float:
    """Good value number ``n``."""
    return 20.0 + 0.25 * (n % 100)


def temperature(probe: str, value: float) -> list[Sample]:
    return [Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=value)]


def open_sockets() -> int:
    """Of this process, as Linux tells them (proc(5))."""
    links = []
    for each in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):  # the folder's own
            links.append(str(each.readlink()))
    return sum(link.startswith("socket:") for link in links)


class SocketBench(Bench):
    """Leaves open what it has opened itself, and no more."""

    async def __aenter__(self) -> "SocketBench":
        self._sockets = open_sockets()
        return self

    async def left_open(self) -> Sequence[str]:
        more = open_sockets() - self._sockets
        return [f"{more} sockets"] if more else []


class LineBench(SocketBench):
    """The example of ``tests/plugin_example``."""

    class Quick(LineProbe):
        silence_s = 0.3

    driver, silence_s, reach_s, garbage = Quick, 5.0, 0.5, 4
    packets = (b"", b"T=nan", b"\xff\x00" * 600, b"T=9999.0")

    def __init__(self) -> None:
        super().__init__()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as found:
            found.bind(("127.0.0.1", 0))
            self._port = found.getsockname()[1]
        options = {"port": self._port}
        self.probes = [ProbeRequest(name="sup", role="supply", quantities=(), options=options)]

    async def speak(self, n: int) -> Sequence[Sample]:
        await self._send(f"T={celsius(n):.2f}\n".encode())
        return temperature("sup", celsius(n))

    async def garble(self, n: int) -> None:
        await self._send(self.packets[n])

    async def hush(self) -> None:
        """It is silent unless it speaks."""

    async def leave(self) -> None:
        """Nobody sees a sender of UDP go."""

    async def come_back(self) -> None:
        """Nor come back."""

    async def _send(self, packet: bytes) -> None:
        while not self._is_heard():  # noqa: ASYNC110 - another's socket
            await asyncio.sleep(ASK_S)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(packet, ("127.0.0.1", self._port))

    def _is_heard(self) -> bool:
        """Whether the port is taken: a datagram before that is lost."""
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                probe.bind(("127.0.0.1", self._port))
            except OSError:
                return True
        return False


class OneStepClock(SteppedClock):
    """Simulated time that goes on by one wait when it is told to."""

    def __init__(self) -> None:
        super().__init__(speed=None, utc_start_us=1_700_000_000_000_000)
        self.steps = asyncio.Semaphore(0)

    async def wait_until(self, t_ns: int) -> None:
        await self.steps.acquire()
        await super().wait_until(t_ns)


class SimBench(Bench):
    """The standard scenario; every object of the driver begins it anew."""

    settings: ClassVar[dict[str, Any]] = {"scenario": "standard", "seed": 3}
    by_itself = True

    def __init__(self) -> None:
        super().__init__()
        self.clock: Any = OneStepClock()
        self.probes = [
            ProbeRequest(name=name, role=role, quantities=(), options={})
            for name, role in (("ret", "return"), ("sup", "supply"))
        ]
        bench = self

        class Watched(SimDriver):
            def __init__(self, *arguments: Any) -> None:
                super().__init__(*arguments)
                bench.due = self.samples()

        self.driver: Any = Watched
        self.due: Any = iter(())

    async def speak(self, n: int) -> Sequence[Sample]:
        self.clock.steps.release()
        return [sample for _, sample in itertools.islice(self.due, 1)]

    async def pause(self) -> None:
        await asyncio.sleep(0)


class QuickMqtt(MqttInDriver):
    silence_s, unknown_s, look_s, refused_s = 0.5, 2.0, 0.05, 0.2


class MqttBench(SocketBench):
    """A real broker; messages by its own program."""

    driver, silence_s, garbage, reach_s = QuickMqtt, 60.0, 8, 2.0
    messages = (
        "",
        "21.5",
        '{"v": NaN}',
        '{"v": null}',
        '{"v": "warm"}',
        '{"v": -300}',
        '{"v": 1e400}',
        "[" * 5000,
    )

    def __init__(self, broker: Mosquitto) -> None:
        super().__init__()
        self._broker, self._mark = broker, 0
        keys = {"host": "127.0.0.1", "port": broker.port, "tls": False, "unit": "°C", "value": "/v"}
        self.probes = [
            ProbeRequest(
                name=name,
                role=name,
                quantities=(Quantity.TEMPERATURE,),
                options=keys | {"topic": f"gw/{name}"},
            )
            for name in ("return", "supply")
        ]

    async def speak(self, n: int) -> Sequence[Sample]:
        for probe in ("return", "supply"):
            await self._send(probe, json.dumps({"v": celsius(n)}))
        return temperature("return", celsius(n)) + temperature("supply", celsius(n))

    async def garble(self, n: int) -> None:
        await self._send("return", self.messages[n])

    async def hush(self) -> None:
        """It is silent unless it speaks."""

    async def leave(self) -> None:
        self._broker.kill()
        self._mark = len(self._log())

    async def come_back(self) -> None:
        await asyncio.to_thread(self._broker.start)

    async def _send(self, probe: str, message: str) -> None:
        while not self._is_heard():  # noqa: ASYNC110 - another process
            await asyncio.sleep(ASK_S)
        await asyncio.to_thread(self._broker.publish, f"gw/{probe}", "-m", message)

    async def left_open(self) -> Sequence[str]:
        # the broker may notice later that the last one is gone: the next one's words alone count
        self._mark = len(self._log())
        return await super().left_open()

    def _is_heard(self) -> bool:
        """Whether a driver has subscribed, and is still there, by the broker's log."""
        there: set[str] = set()
        for line in self._log()[self._mark :].splitlines():
            if found := re.search(r"Sending SUBACK to (riselog-in-\w+)", line):
                there.add(found[1])
            elif found := re.search(r"Client (riselog-in-\w+) (?:closed|disconnected|has exceeded)", line):
                there.discard(found[1])
        return bool(there)

    def _log(self) -> str:
        return (self._broker.folder / "mosquitto.log").read_text()


class AirBench(Bench):
    """A probe on the BlueZ mock."""

    def __init__(self, bus_address: str, mock: Mock) -> None:
        super().__init__()
        self._bus_address, self._mock = bus_address, mock
        self.probes = [Air.request("ret", address=ADDRESSES[1])]  # the first that an ``Air`` makes

    async def __aenter__(self) -> "AirBench":
        self._stack = contextlib.AsyncExitStack()
        self.air = Air(self._bus_address, self._stack, self._mock)
        self._stack.push_async_callback(self.air.forget_all)
        self.remote: Remote = await self.air.remote()
        await self.appear()
        return self

    async def __aexit__(self, *_exc: object) -> None:
        await self._stack.aclose()
        await close_bleak()

    async def appear(self) -> None:
        raise NotImplementedError

    async def come_back(self) -> None:
        await self.appear()

    async def left_open(self) -> Sequence[str]:
        """By the Bluetooth service; it takes its time to end a connection."""
        for _ in range(300):
            if not (left := [each async for each in self._in_use()]):
                break
            await asyncio.sleep(ASK_S)
        return left

    async def _in_use(self) -> AsyncIterator[str]:
        async with open_bus(self._bus_address) as bus:
            reply = await call(bus, "/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
        for path, interfaces in reply.body[0].items():
            for interface, key in (("Device1", "Connected"), ("Adapter1", "Discovering")):
                held = interfaces.get(f"org.bluez.{interface}", {}).get(key)
                if path.startswith("/org/bluez/hci0") and held is not None and held.value:
                    yield f"{path} is {key}"


class EssBench(AirBench):
    class Quick(EssDriver):
        search_s, silence_s, ask_after_s = 2.5, 1.0, 0.2

    driver, silence_s, garbage = Quick, 20.0, 2
    packets = (bytes.fromhex("59"), bytes.fromhex("0080"))
    _hushed = False

    async def __aenter__(self) -> "EssBench":
        self._served = False
        await super().__aenter__()
        return self

    async def appear(self) -> None:
        if not self._served:
            await self.remote.serve(Char(TEMPERATURE, bytes.fromhex("5908"), ("notify",)))
            self._served = True
        await self.remote.advertise()

    async def speak(self, n: int) -> Sequence[Sample]:
        if self._hushed:  # the driver connects anew to a probe that is silent
            await self.remote.unsubscribed(TEMPERATURE)
            self._hushed = False
        await self.remote.subscribed(TEMPERATURE)
        self.remote.notify(TEMPERATURE, round(celsius(n) * 100).to_bytes(2, "little", signed=True))
        return temperature("ret", celsius(n))

    async def garble(self, n: int) -> None:
        await self.remote.subscribed(TEMPERATURE)
        self.remote.notify(TEMPERATURE, self.packets[n])

    async def hush(self) -> None:
        self._hushed = True

    async def leave(self) -> None:
        await self.remote.hide()
        with contextlib.suppress(AssertionError):  # nobody is connected
            await self.remote.drop()


class TwoChannelBench(EssBench):
    """Two probes that are the two temperatures of one device, by one connection."""

    channels = ((TEMPERATURE, 1), (TEMPERATURE, 2))

    def __init__(self, bus_address: str, mock: Mock) -> None:
        super().__init__(bus_address, mock)
        self.probes = [
            Air.request(name, Quantity.TEMPERATURE, address=ADDRESSES[1], temperature=n)
            for n, name in enumerate(("ret", "sup"), 1)
        ]

    async def appear(self) -> None:
        if not self._served:
            await self.remote.serve(
                *(Char(TEMPERATURE, bytes.fromhex("5908"), ("notify",)) for _ in self.channels)
            )
            self._served = True
        await self.remote.advertise()

    async def speak(self, n: int) -> Sequence[Sample]:
        if self._hushed:  # the driver connects anew to a device that is silent
            await self.remote.unsubscribed(self.channels[0])
            self._hushed = False
        await self.remote.subscribed(*self.channels)
        for channel in self.channels:
            self.remote.notify(channel, round(celsius(n) * 100).to_bytes(2, "little", signed=True))
        return temperature("ret", celsius(n)) + temperature("sup", celsius(n))


class GattMapBench(EssBench):
    """The same probe, by a map that says what its bytes mean."""

    class Quick(GattMapDriver):
        class Connecting(MappedConnection):
            search_s, silence_s, ask_after_s = 2.5, 1.0, 0.2

    driver = Quick
    text = """
schema = "riselog.gatt-map/1"
title = "made"
[[value]]
quantity = "temperature"
unit = "°C"
service = "181A"
characteristic = "2A6E"
how = "notify"
length = 2
format = "sint16"
scale = 0.01
not_known = [0x8000]
"""

    def __init__(self, bus_address: str, mock: Mock) -> None:
        super().__init__(bus_address, mock)
        content = ProbeMap.model_validate(tomllib.loads(self.text)).model_dump()
        self.probes = [Air.request("ret", address=ADDRESSES[1], map=content)]

    def table(self, request: ProbeRequest) -> dict[str, Any]:
        return {**request.options, "map": "made.toml"}


class BthomeBench(AirBench):
    class Quick(BthomeDriver):
        pace = Pace(silence_s=1.5, unknown_s=4.0, look_s=0.1)

    driver, silence_s, garbage, reach_s = Quick, 20.0, 3, 2.5
    _id = 0
    packets = ("4002ca", "41a47266c95f730011223378237214", "2002ca09")

    async def appear(self) -> None:
        await self.speak(99)

    async def speak(self, n: int) -> Sequence[Sample]:
        self._id += 1
        value = round(celsius(n) * 100).to_bytes(2, "little", signed=True)
        await self.remote.advertise(service_data=b"\x40\x00" + bytes([self._id % 256]) + b"\x02" + value)
        return temperature("ret", celsius(n))

    async def garble(self, n: int) -> None:
        await self.remote.advertise(service_data=bytes.fromhex(self.packets[n]))

    async def hush(self) -> None:
        await self.remote.hide()

    async def leave(self) -> None:
        await self.remote.hide()
