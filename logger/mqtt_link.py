"""A connection to an MQTT broker, for the publisher and for drivers: aiomqtt (today's name of asyncio-mqtt)
with its rough places smoothed. What is to be said of a lost connection is left to them.

``_client``, ``_connected`` and ``_disconnected`` of aiomqtt are used, so it is held at one minor version in
``pyproject.toml``.
"""

from __future__ import annotations

import asyncio
import logging
import os
import ssl
import stat
from collections.abc import Coroutine
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiomqtt
import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

TLS_PORT, PLAIN_PORT = 8883, 1883  # IANA service names secure-mqtt and mqtt
KEEPALIVE_S = 15  # a silent broker is noticed after twice that; assumed
CONNECT_S = 5.0  # wall time for the network's answer; assumed
ANSWER_S = 10.0  # wall time for the broker's answer; assumed
LEAVE_S = 2.0  # wall time for a good-bye; assumed
CLOSED = "closed before an answer"
_SECRET_LIMIT = 10_000  # bytes of a password file; assumed: no password is longer, a wrong file may be
# MQTT 5.0, 3.14.2.1: disconnect with will message; MQTT 3.1.1 says it by closing without a word, 3.1.2.5
_WITH_WILL = ReasonCode(PacketTypes.DISCONNECT, identifier=0x04)
_VERSIONS = {"5": aiomqtt.ProtocolVersion.V5, "3.1.1": aiomqtt.ProtocolVersion.V311}

_QUIET = logging.getLogger("riselog.mqtt")
_QUIET.addHandler(logging.NullHandler())
_QUIET.propagate = False  # what it has to say is told by our own sentences


class LinkClient(aiomqtt.Client):
    """One connection. A new one is made for each: aiomqtt would not resend, and may not wait."""

    def __init__(self, host: str, port: int, *, version: str, **more: Any) -> None:  # noqa: ANN401 - aiomqtt's
        super().__init__(
            host,
            port,
            protocol=_VERSIONS[version],
            timeout=ANSWER_S,
            keepalive=KEEPALIVE_S,
            logger=_QUIET,
            **more,
        )
        self._version = version
        self.by_broker = False  # the broker said why it ended the connection
        self._opened = asyncio.Event()
        self._client.connect_timeout = CONNECT_S

    @property
    def lost(self) -> asyncio.Future[None]:
        """Done when the connection is gone."""
        return self._disconnected

    async def enter(self) -> None:
        """Log in. Whatever goes wrong, and however often it is cancelled, nothing stays open.

        When cancelled, wait for the thread that opens the socket: it cannot be stopped.
        """
        entering = asyncio.ensure_future(self.__aenter__())
        try:
            await asyncio.shield(entering)
        except BaseException:
            await _to_its_end(self._give_up(entering))
            raise

    async def _give_up(self, entering: asyncio.Future[Any]) -> None:
        if not entering.done():
            opened = asyncio.ensure_future(self._opened.wait())
            await asyncio.wait({opened, entering}, return_when=asyncio.FIRST_COMPLETED)
            opened.cancel()
            entering.cancel()
            await asyncio.gather(entering, return_exceptions=True)
        await self._close()

    async def leave(self, *, with_will: bool = False) -> None:
        """Close whatever is open, after a good-bye if somebody listens; ``with_will``: so that the broker
        says our last will. However often it is cancelled, nothing stays open."""
        await _to_its_end(self._leave(with_will=with_will))

    async def _leave(self, *, with_will: bool) -> None:
        self.timeout = LEAVE_S
        with suppress(aiomqtt.MqttError):
            if not with_will:
                await self.__aexit__(None, None, None)
            elif self._version == "5" and not self.lost.done():
                self._client.disconnect(_WITH_WILL)
                await asyncio.wait({self.lost}, timeout=LEAVE_S)
        await self._close()

    async def _close(self) -> None:
        self.drop()
        if self._misc_task is not None:
            self._misc_task.cancel()
            await asyncio.gather(self._misc_task, return_exceptions=True)

    def drop(self) -> None:
        """Close the socket at once."""
        if self.lost.done() and not self.lost.cancelled():
            self.lost.exception()  # seen
        with suppress(OSError, ValueError):
            self._client._sock_close()  # noqa: SLF001 - nothing public closes without an answer

    def _client_connect(self) -> None:
        try:
            super()._client_connect()
        finally:
            self._loop.call_soon_threadsafe(self._opened.set)

    def _on_disconnect(
        self,
        client: mqtt.Client,
        userdata: object,
        flags: mqtt.DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        self.by_broker = flags.is_disconnect_packet_from_server
        if not self._connected.done():  # or it would wait for an answer that cannot come
            self._connected.set_exception(aiomqtt.MqttError(CLOSED))
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_socket_register_write(self, client: mqtt.Client, userdata: object, sock: Any) -> None:  # noqa: ANN401
        """As aiomqtt has it, but a socket that is closed by the time the loop gets to it is left alone:
        its number may be another one's by then."""

        def write() -> None:
            try:
                client.loop_write()
            except Exception as error:  # noqa: BLE001 - as aiomqtt: whatever it is, the connection is gone
                if not self.lost.done():
                    self.lost.set_exception(error)

        def begin() -> None:
            number = sock.fileno()
            if number >= 0 and client.socket() is sock:
                self._loop.add_writer(number, write)

        self._loop.call_soon_threadsafe(begin)


async def _to_its_end(work: Coroutine[Any, Any, None]) -> None:
    """Let it end, however often the caller is cancelled meanwhile; the cancellation comes after."""
    task, cancelled = asyncio.ensure_future(work), None
    while not task.done():
        try:
            await asyncio.wait({task})
        except asyncio.CancelledError as error:
            cancelled = error
    task.result()
    if cancelled is not None:
        raise cancelled


def reason_code_of(error: BaseException | None) -> int | None:
    """MQTT's reason code of a failure, where there is one."""
    code = getattr(error, "rc", None)
    return code.value if isinstance(code, ReasonCode) and code.is_failure else None


class AccessError(Exception):
    """What a broker asks for cannot be shown; the text names key and file or variable, never a secret."""

    def __init__(self, text: str, next_step: str) -> None:
        super().__init__(f"{text}; {next_step}")
        self.text = text
        self.next_step = next_step


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """What a table says of TLS and password; ``at`` stands before its keys in a sentence."""

    at: str = ""
    tls: bool
    ca_file: str | None
    cert_file: str | None
    key_file: str | None
    password_file: str | None
    password_env: str | None

    def password(self) -> str | None:
        """The password, read anew at each call; ``None`` where none is named. Raises ``AccessError``."""
        if self.password_env is not None:
            if found := os.environ.get(self.password_env):
                return found
            raise AccessError(
                f"the environment variable {self.password_env} of {self.at}password_env is not set",
                "set it where riselog is started",
            )
        if self.password_file is None:
            return None
        try:
            return _first_line(Path(self.password_file))
        except OSError as error:
            what = f"cannot be read ({error.strerror})"
        except ValueError as error:
            what = str(error)
        text = f"{self.at}password_file: {self.password_file} {what}"
        raise AccessError(text, "write the password into its first line")

    def open_secrets(self) -> tuple[str, ...]:
        """Remarks on files with a secret that every user of this computer may read."""
        files = (("password_file", self.password_file), ("key_file", self.key_file))
        return tuple(
            f"{self.at}{key}: every user of this computer may read {name}; `chmod 600` it"
            for key, name in files
            if name is not None and _is_open(Path(name))
        )

    def tls_context(self) -> ssl.SSLContext | None:
        """What TLS is to check: the chain, and always the name in the certificate; ``None`` without TLS.
        Raises ``AccessError``.
        """
        if not self.tls:
            return None
        what = f"ca_file: {self.ca_file}"
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
            if self.cert_file is not None:
                what = f"cert_file and key_file: {self.cert_file}, {self.key_file}"
                context.load_cert_chain(self.cert_file, self.key_file, password=_no_passphrase)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or getattr(error, "reason", None) or str(error)
            reason = " ".join(str(reason).split())
            step = "name files in PEM format, a key without a passphrase, that you may read"
            if "MISMATCH" in reason:  # OpenSSL's word for a key that is another's
                step = "name the key that the certificate was made with"
            raise AccessError(f"{self.at}{what} cannot be used ({reason})", step) from error
        context.sslsocket_class = _ClosingSocket
        return context


def _is_open(path: Path) -> bool:
    """By the mode of POSIX; elsewhere it says nothing of others."""
    try:
        return os.name == "posix" and bool(path.stat().st_mode & stat.S_IROTH)
    except OSError:
        return False


def _first_line(path: Path) -> str:
    """A secret that a file holds. Raises OSError where it cannot be read, ValueError where it holds none; the
    text then completes a sentence that begins with the file."""
    found = path.stat()
    if not stat.S_ISREG(found.st_mode):  # a device never ends, a pipe may never begin
        raise ValueError("is no regular file")
    if found.st_size > _SECRET_LIMIT:
        raise ValueError("is too large for a password")
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise ValueError("is no UTF-8 text") from None  # the error carries the bytes
    if not lines or not lines[0]:
        raise ValueError("is empty")
    return lines[0]


class _ClosingSocket(ssl.SSLSocket):
    """The client forgets a socket whose handshake fails; at one try a minute they would add up."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - the library's
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _no_passphrase() -> str:
    """Asked for where a key has a passphrase; nobody is there to type it."""
    raise ValueError("the key has a passphrase")
