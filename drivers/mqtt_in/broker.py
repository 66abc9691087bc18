"""One broker: how it is reached, and its messages handed over."""

from __future__ import annotations

import asyncio
import contextlib
import os
import ssl
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from drivers.mqtt_in.options import MqttInOptions
from drivers.mqtt_in.topics import shown
from drivers.probe import printable
from logger.core.errors import DriverError
from logger.mqtt_link import PLAIN_PORT, TLS_PORT, LinkClient, first_line, show_certificate, tls_context
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
    tls: bool
    ca_file: str | None
    cert_file: str | None
    key_file: str | None
    username: str | None
    password_file: str | None
    password_env: str | None
    version: str

    @classmethod
    def of(cls, options: MqttInOptions) -> Self:
        """The broker of a probe."""
        return cls(
            host=options.host,
            port=options.port or (TLS_PORT if options.tls else PLAIN_PORT),
            tls=options.tls,
            ca_file=options.ca_file,
            cert_file=options.cert_file,
            key_file=options.key_file,
            username=options.username,
            password_file=options.password_file,
            password_env=options.password_env,
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
        client = LinkClient(
            self.host,
            self.port,
            version=self.version,
            username=self.username,
            password=self._password(),
            identifier=identifier,
            tls_context=self._tls_context(),
            properties=_limits() if self.version == "5" else None,
        )
        try:
            await client.enter()
        except (aiomqtt.MqttError, OSError, ValueError) as error:
            raise self._refusal(error) from error
        try:
            yield Connection(self, client)
        finally:
            await client.leave()

    def _password(self) -> str | None:
        """The password, read anew for each connection; never part of a sentence."""
        if self.password_env is not None:
            found = os.environ.get(self.password_env)
            if not found:
                raise BrokerError(
                    f"the environment variable {self.password_env} of password_env is not set",
                    "set it where riselog is started",
                    refused=True,
                )
            return found
        if self.password_file is None:
            return None
        try:
            return first_line(Path(self.password_file))
        except OSError as error:
            what = f"cannot be read ({error.strerror})"
        except ValueError as error:
            what = str(error)
        text = f"password_file {self.password_file} {what}"
        raise BrokerError(text, "write the password into its first line", refused=True)

    def _tls_context(self) -> ssl.SSLContext | None:
        """TLS that checks the certificate and the name in it; None without TLS."""
        if not self.tls:
            return None
        named = [name for name in (self.ca_file, self.cert_file, self.key_file) if name is not None]
        try:
            context = tls_context(self.ca_file)
            if self.cert_file is not None:
                show_certificate(context, self.cert_file, self.key_file)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or getattr(error, "reason", None) or str(error)
            raise BrokerError(
                f"{', '.join(named)} cannot be used ({printable(str(reason))})",
                "name files in PEM format that you may read, a key without a passphrase",
                refused=True,
            ) from error
        return context

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
