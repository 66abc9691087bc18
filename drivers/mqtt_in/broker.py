"""One broker: how it is reached, and its messages handed over."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from dataclasses import dataclass
from typing import Any, Self

import aiomqtt
import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from drivers.mqtt_in.options import MqttInOptions
from drivers.mqtt_in.topics import shown
from drivers.probe import printable
from logger.core.errors import DriverError
from logger.mqtt_link import PLAIN_PORT, TLS_PORT, Access, AccessError, LinkClient
from logger.mqtt_reasons import trouble

_SAID = 200  # characters of a reason from outside; assumed
PACKET_LIMIT = 1_048_576  # bytes of a packet that a broker of MQTT 5 may send; assumed

BUFFER_BYTES = 65_536
"""Of messages that wait unread in this computer, about: what comes quicker waits at the broker; assumed."""
BUSY = 500  # messages from look to look, fewer are never too many; assumed: no probe sends so often
BEHIND_LOOKS = 4  # in a row with more to read, before messages are taken for old; assumed

Received = Callable[[str, bytes, bool], None]
"""Takes topic and payload of a message, and whether the broker had kept it."""


class BrokerError(DriverError):
    """The broker cannot be used now. ``refused``: it will not get better by itself."""

    def __init__(self, text: str, next_step: str, *, refused: bool = False) -> None:
        super().__init__(f"{text}; {next_step}")
        self.text = text
        self.next_step = next_step
        self.refused = refused


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """How one broker is reached; probes with the same keys share a connection."""

    host: str
    port: int
    access: Access
    username: str | None
    version: str

    @classmethod
    def of(cls, options: MqttInOptions) -> Self:
        """The broker of a probe."""
        return cls(
            host=options.host,
            port=options.port or (TLS_PORT if options.tls else PLAIN_PORT),
            access=Access(
                tls=options.tls,
                ca_file=options.ca_file,
                cert_file=options.cert_file,
                key_file=options.key_file,
                password_file=options.password_file,
                password_env=options.password_env,
            ),
            username=options.username,
            version=options.version,
        )

    def __str__(self) -> str:
        return f"broker [{self.host}]:{self.port}" if ":" in self.host else f"broker {self.host}:{self.port}"

    @contextlib.asynccontextmanager
    async def connected(self, identifier: str) -> AsyncIterator[Connection]:
        """A connection for as long as the block runs.

        Raises
        ------
        BrokerError
            There is none, or it was lost.
        """
        client = self._client(identifier)
        try:
            await client.enter()
        except (aiomqtt.MqttError, OSError, ValueError) as error:
            raise self._refusal(error) from error
        try:
            yield Connection(self, client)
        finally:
            await client.leave()

    def _client(self, identifier: str) -> _Listener:
        try:
            password, context = self.access.password(), self.access.tls_context()
        except AccessError as error:
            raise BrokerError(error.text, error.next_step, refused=True) from error
        return _Listener(
            self.host,
            self.port,
            version=self.version,
            username=self.username,
            password=password,
            identifier=identifier,
            tls_context=context,
            properties=_limits() if self.version == "5" else None,
            socket_options=[(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)],
        )

    def _refusal(self, error: Exception) -> BrokerError:
        """Why there is no connection."""
        why = trouble(error, "")
        return BrokerError(f"the {self} {printable(why.what, _SAID)}", why.step, refused=why.lasting)


class _Listener(LinkClient):
    """Hands each message over as it is read from the network: a queue in between would make it old, and
    grow without end where messages come too quickly."""

    received: Received = staticmethod(lambda *_: None)

    def __init__(self, host: str, port: int, **more: Any) -> None:  # noqa: ANN401 - aiomqtt's
        super().__init__(host, port, **more)
        self.taken = 0
        self.broken: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def _on_message(self, client: mqtt.Client, userdata: object, message: mqtt.MQTTMessage) -> None:
        self.taken += 1
        try:
            self.received(message.topic, bytes(message.payload), message.retain)
        except Exception as error:  # noqa: BLE001 - it comes out of ``listen``
            if not self.broken.done():
                self.broken.set_exception(error)

    def is_more_to_read(self) -> bool:
        """Whether something came that was not looked at yet."""
        sock = self._client.socket()
        try:  # not the method of a TLS socket: that one knows no flags
            return isinstance(sock, socket.socket) and bool(socket.socket.recv(sock, 1, socket.MSG_PEEK))
        except OSError:
            return False


class Connection:
    """A connection that is there."""

    def __init__(self, broker: Broker, client: _Listener) -> None:
        self._broker = broker
        self._client = client
        self._full = 0  # looks in a row

    def is_behind(self) -> bool:
        """To be asked once a second: whether messages come more quickly than they are taken."""
        client = self._client
        self._full = self._full + 1 if client.taken >= BUSY and client.is_more_to_read() else 0
        client.taken = 0
        return self._full >= BEHIND_LOOKS

    async def listen(self, received: Received, subscribing: Coroutine[Any, Any, None]) -> None:
        """Hand over every message until cancelled, while ``subscribing`` asks for them.

        Raises
        ------
        BrokerError
            The connection was lost.
        """
        self._client.received = received
        asking = asyncio.ensure_future(subscribing)
        try:
            await self._until_lost(asking)
        except aiomqtt.MqttError as error:
            text = f"the connection to the {self._broker} was lost"
            raise BrokerError(text, "it is tried again by itself") from error
        finally:
            asking.cancel()
            await asyncio.gather(asking, return_exceptions=True)

    async def _until_lost(self, asking: asyncio.Future[None]) -> None:
        """It always ends with an exception."""
        client = self._client
        ends: set[asyncio.Future[None]] = {client.lost, client.broken}
        await asyncio.wait({*ends, asking}, return_when=asyncio.FIRST_COMPLETED)
        if asking.done():
            asking.result()
        await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        if client.broken.done():
            client.broken.result()
        raise aiomqtt.MqttError("disconnected") from client.lost.exception()

    async def subscribe(self, topics: Sequence[str]) -> dict[str, str]:
        """Ask for topics; why the broker refuses some of them, by topic.

        Raises
        ------
        aiomqtt.MqttError
            The connection was lost.
        """
        codes = await self._client.subscribe([(topic, 1) for topic in topics])
        return {
            topic: f"the {self._broker} refuses the topic {shown(topic)} ({code})"
            for topic, code in zip(topics, codes, strict=False)
            if isinstance(code, ReasonCode) and code.is_failure
        }


def _limits() -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = PACKET_LIMIT
    return properties
