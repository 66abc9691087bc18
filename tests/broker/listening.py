"""What stands at the other end in the tests of the publisher: a subscriber, and a way that can be cut."""

import asyncio
import contextlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any

import aiomqtt

from tests.broker.conftest import READY_S, Mosquitto


@dataclass
class Heard:
    """Messages in the order in which they came."""

    topic: str
    payload: bytes
    retain: bool
    document: Any

    @property
    def id(self) -> str:
        return str(self.document["id"])

    @property
    def kind(self) -> str:
        return self.topic.split("/")[3]


@dataclass
class Subscriber:
    """Hears everything below ``topic``, over as many lives of the broker as it is connected to."""

    mosquitto: Mosquitto
    topic: str = "riselog/#"
    heard: list[Heard] = field(default_factory=list)
    distinct: dict[str, set[str]] = field(default_factory=dict)  # ids by kind
    _changed: asyncio.Event = field(default_factory=asyncio.Event)
    _task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> "Subscriber":
        await self.connect()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.disconnect()

    async def connect(self) -> None:
        """Comes back when the broker has taken the subscription; before, hears a dead one to its end."""
        if self._task is not None:
            await asyncio.wait([self._task], timeout=READY_S)
        await self.disconnect()
        ready: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._task = asyncio.create_task(self._listen(ready))
        await asyncio.wait_for(ready, READY_S)

    async def disconnect(self) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _listen(self, ready: asyncio.Future[None]) -> None:
        # QoS 0: the broker hands a message on before it acknowledges it to the sender, and keeps nothing
        async with aiomqtt.Client("127.0.0.1", self.mosquitto.port) as client:
            await client.subscribe(self.topic, qos=0)
            ready.set_result(None)
            async for message in client.messages:
                payload = message.payload
                assert isinstance(payload, bytes)
                heard = Heard(str(message.topic), payload, bool(message.retain), json.loads(payload))
                self.heard.append(heard)
                self.distinct.setdefault(heard.kind, set()).add(heard.id)
                self._changed.set()

    async def until(self, condition: Callable[[], object], wait_s: float = READY_S) -> None:
        async with asyncio.timeout(wait_s):
            while not condition():
                self._changed.clear()
                await self._changed.wait()

    def ids(self, kind: str = "reading") -> list[str]:
        return [heard.id for heard in self.heard if heard.kind == kind]

    def first_ids(self, topic: str) -> list[str]:
        """On one topic, without repeats."""
        return list(dict.fromkeys(h.id for h in self.heard if h.topic == topic))


@dataclass
class Relay:
    """A way to the broker that can be shut and cut."""

    target: int
    port: int = 0
    open: bool = True
    _server: asyncio.Server | None = None
    _links: set[asyncio.StreamWriter] = field(default_factory=set)
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)

    async def __aenter__(self) -> "Relay":
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def cut(self) -> None:
        for writer in self._links:
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self._links.add(writer)
        try:
            if self.open:
                await self._through(reader, writer)
        except (OSError, asyncio.CancelledError):
            pass
        finally:
            self._links.discard(writer)
            writer.close()
            self._tasks.discard(task)

    async def _through(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.target)
        self._links.add(far_writer)
        ways = [
            asyncio.ensure_future(pump(reader, far_writer)),
            asyncio.ensure_future(pump(far_reader, writer)),
        ]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)
            self._links.discard(far_writer)
            far_writer.close()


async def pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while data := await reader.read(65_536):
            writer.write(data)
            await writer.drain()
