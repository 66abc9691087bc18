"""The connection to a broker, by aiomqtt (today's name of asyncio-mqtt)."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import ssl
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import aiomqtt
import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from drivers.mqtt_in.options import MqttInOptions
from drivers.mqtt_in.topics import shown
from drivers.probe import printable
from logger.core.errors import DriverError

TLS_PORT, PLAIN_PORT = 8883, 1883  # IANA service names secure-mqtt and mqtt
KEEPALIVE_S = 15  # a broker that says nothing is noticed after twice that; assumed
ANSWER_S = 10.0  # wall time for the broker's answer; assumed
LEAVE_S = 2.0  # wall time for a good-bye; assumed
PACKET_LIMIT = 1_048_576  # bytes of a packet that a broker of MQTT 5 may send; assumed
_SECRET_LIMIT = 10_000  # bytes of a password file; assumed: no password is longer, a wrong file may be
_FAILURE = 0x80  # MQTT 5.0, 2.4: codes from here on say that something failed
_VERSIONS = {"5": aiomqtt.ProtocolVersion.V5, "3.1.1": aiomqtt.ProtocolVersion.V311}

_QUIET = logging.getLogger("riselog.mqtt-in")
_QUIET.addHandler(logging.NullHandler())
_QUIET.propagate = False  # what it has to say is told by our own sentences

_STEPS: dict[int, str] = {
    0x84: 'set version to the other one, "5" or "3.1.1"',
    0x85: "let the broker take ids that begin with riselog-in-",
    0x86: "correct username and the password",
    0x87: "check username and password, and the broker's access list",
    0x8A: "ask who runs the broker",
    0x8C: "let the broker take a user name and password",
    0x9C: "ask which one, and set host",
    0x9D: "ask where to, and set host",
}
"""Reason codes that somebody must mend -> the next step; the others pass. MQTT 5.0, table 2-6."""

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
        client = _Client(
            self.host,
            self.port,
            username=self.username,
            password=self._password(),
            identifier=identifier,
            protocol=_VERSIONS[self.version],
            tls_context=self._tls_context(),
            timeout=ANSWER_S,
            keepalive=KEEPALIVE_S,
            properties=_limits() if self.version == "5" else None,
            logger=_QUIET,
        )
        try:
            await client.enter()
        except (aiomqtt.MqttError, OSError, ValueError) as error:
            client.drop()
            raise self._refusal(error) from error
        except BaseException:
            client.drop()
            raise
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
        return None if self.password_file is None else _first_line(Path(self.password_file))

    def _tls_context(self) -> ssl.SSLContext | None:
        """TLS that checks the certificate and the name in it; None without TLS."""
        if not self.tls:
            return None
        named = [name for name in (self.ca_file, self.cert_file, self.key_file) if name is not None]
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
            if self.cert_file is not None:
                context.load_cert_chain(self.cert_file, self.key_file, password=_no_passphrase)
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
        code = getattr(error, "rc", None)
        if isinstance(code, ReasonCode):
            step = _STEPS.get(code.value)
            text = f"the {self} refuses the connection ({code})"
            return BrokerError(text, step or "it is tried again", refused=step is not None)
        cause = error.__context__ or error  # aiomqtt hides it, and its class says more than its text
        if isinstance(cause, ssl.SSLCertVerificationError):
            return BrokerError(
                f"the certificate of the {self} is not accepted ({printable(cause.verify_message)})",
                "check ca_file, that host is the name in it, and this computer's clock",
                refused=True,
            )
        if isinstance(cause, ssl.SSLError):
            return BrokerError(
                f"TLS with the {self} failed ({printable(cause.reason or str(cause))})",
                "check port and tls, and cert_file if the broker asks for a certificate",
                refused=True,
            )
        reason = getattr(cause, "strerror", None) or "no answer"
        return BrokerError(
            f"the {self} cannot be reached ({printable(reason)})",
            "check host, port and tls, the network, and that the broker runs",
        )


class Connection:
    """A connection that is there."""

    def __init__(self, broker: Broker, client: _Client) -> None:
        self._broker = broker
        self._client = client

    async def listen(self, topics: Sequence[str], received: Received) -> None:
        """Subscribe, and hand over every message until cancelled.

        Raises
        ------
        BrokerError
            The connection was lost, or the broker refuses a topic.
        """
        tasks = [
            asyncio.ensure_future(self._hand_over(received)),
            asyncio.ensure_future(self._subscribe(topics)),
        ]
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

    async def _subscribe(self, topics: Sequence[str]) -> None:
        codes = await self._client.subscribe([(topic, 1) for topic in topics])
        for topic, code in zip(topics, codes, strict=False):
            value = code.value if isinstance(code, ReasonCode) else int(str(code))
            if value >= _FAILURE:
                raise BrokerError(
                    f"the {self._broker} refuses the topic {shown(topic)} (reason 0x{value:02X})",
                    "check the topic, and the broker's access list",
                    refused=True,
                )


class _Client(aiomqtt.Client):
    """One connection: a new one is made for each, as aiomqtt may not wait for the answer otherwise.

    Private parts of aiomqtt are used, so it is held at one minor version in ``pyproject.toml``.
    """

    async def enter(self) -> None:
        """Connect. When cancelled, wait for the thread that opens the socket: it cannot be stopped, and
        what it opens would stay open."""
        self._opened = asyncio.Event()
        entering = asyncio.ensure_future(self.__aenter__())
        try:
            await asyncio.shield(entering)
        except asyncio.CancelledError:
            await self._opened.wait()
            entering.cancel()
            await asyncio.gather(entering, return_exceptions=True)
            raise

    def _client_connect(self) -> None:
        try:
            super()._client_connect()
        finally:
            self._loop.call_soon_threadsafe(self._opened.set)

    async def leave(self) -> None:
        """Say good-bye if somebody listens, and close whatever is open."""
        self.timeout = LEAVE_S
        with contextlib.suppress(aiomqtt.MqttError):
            await self.__aexit__(None, None, None)
        self.drop()

    def drop(self) -> None:
        """Close the socket at once."""
        with contextlib.suppress(OSError, ValueError):
            self._client._sock_close()  # noqa: SLF001 - nothing public closes without an answer

    def _on_disconnect(
        self,
        client: paho.Client,
        userdata: object,
        flags: paho.DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if not self._connected.done():  # or it would wait for an answer that cannot come
            self._connected.set_exception(aiomqtt.MqttError("closed before an answer"))
        super()._on_disconnect(client, userdata, flags, reason_code, properties)


def _limits() -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = PACKET_LIMIT
    return properties


def _first_line(path: Path) -> str:
    step = "write the password into its first line"
    try:
        with path.open("rb") as file:
            data = file.read(_SECRET_LIMIT + 1)
        lines = data.decode("utf-8-sig").splitlines()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        text = f"password_file {path} cannot be read ({reason})"
        raise BrokerError(text, step, refused=True) from None  # a decoding error carries the bytes
    if len(data) > _SECRET_LIMIT or not lines or not lines[0]:
        what = "is too large for a password" if len(data) > _SECRET_LIMIT else "is empty"
        raise BrokerError(f"password_file {path} {what}", step, refused=True)
    return lines[0]


def _no_passphrase() -> str:
    """Asked for where a key has a passphrase; nobody is there to type it."""
    raise ValueError("the key has a passphrase")
