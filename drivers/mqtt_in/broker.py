"""One broker: how it is reached, and its messages handed over."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from dataclasses import dataclass
from typing import Any, Self

import aiomqtt
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

Received = Callable[[aiomqtt.Message], None]


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

    def _client(self, identifier: str) -> LinkClient:
        try:
            password, context = self.access.password(), self.access.tls_context()
        except AccessError as error:
            raise BrokerError(error.text, error.next_step, refused=True) from error
        return LinkClient(
            self.host,
            self.port,
            version=self.version,
            username=self.username,
            password=password,
            identifier=identifier,
            tls_context=context,
            properties=_limits() if self.version == "5" else None,
        )

    def _refusal(self, error: Exception) -> BrokerError:
        """Why there is no connection."""
        why = trouble(error, "")
        return BrokerError(f"the {self} {printable(why.what, _SAID)}", why.step, refused=why.lasting)


class Connection:
    """A connection that is there."""

    def __init__(self, broker: Broker, client: LinkClient) -> None:
        self._broker = broker
        self._client = client

    async def listen(self, received: Received, subscribing: Coroutine[Any, Any, None]) -> None:
        """Hand over every message until cancelled, while ``subscribing`` asks for them.

        Raises
        ------
        BrokerError
            The connection was lost.
        """
        tasks = [asyncio.ensure_future(self._hand_over(received)), asyncio.ensure_future(subscribing)]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
            for task in done:
                task.result()
        except aiomqtt.MqttError as error:
            text = f"the connection to the {self._broker} was lost"
            raise BrokerError(text, "it is tried again by itself") from error
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _hand_over(self, received: Received) -> None:
        async for message in self._client.messages:
            received(message)

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
