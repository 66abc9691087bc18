"""A broker of a few lines that answers as it is told, written from the OASIS MQTT 5.0 text (and 3.1.1
where that differs), not from the client under test. QoS 1 only; a subscription is to one topic, with QoS 0.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 2, 3, 4, 8, 9  # 2.1.2
PINGREQ, PINGRESP, DISCONNECT = 12, 13, 14
AND_CLOSE = 0x100  # beyond every reason code


@dataclass(frozen=True)
class Message:
    topic: str
    payload: bytes
    retain: bool
    qos: int
    properties: bytes

    @property
    def document(self) -> Any:
        return json.loads(self.payload)


def varint(value: int) -> bytes:
    """1.5.5."""
    out = bytearray()
    while True:
        value, low = divmod(value, 128)
        out.append(low | (0x80 if value else 0))
        if not value:
            return bytes(out)


def packet(kind: int, body: bytes) -> bytes:
    return bytes([kind << 4]) + varint(len(body)) + body


def take_varint(data: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = data[at]
        value |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if not byte & 0x80:
            return value, at


def take_text(data: bytes, at: int) -> tuple[bytes, int]:
    size = int.from_bytes(data[at : at + 2], "big")
    return data[at + 2 : at + 2 + size], at + 2 + size


@dataclass
class _Peer:
    writer: asyncio.StreamWriter
    v5: bool = True
    unanswered: int = 0
    hears: str = ""


@dataclass
class FakeBroker:
    """``answer`` gives the reason code of each PUBACK; ``None``: none is sent; a negative one: DISCONNECT
    with its amount, and the connection is closed; with ``AND_CLOSE`` added it is closed after the PUBACK.
    ``connack`` is the reason code of the login, ``suback`` is for subscriptions what ``answer`` gives for
    messages; ``kept`` are retained messages by topic."""

    answer: Callable[[Message], int | None] = lambda _message: 0
    connack: int = 0
    connack_properties: bytes = b""
    suback: int | None = 0
    kept: dict[str, bytes] = field(default_factory=dict)
    messages: list[Message] = field(default_factory=list)  # that were acknowledged with success
    seen: list[Message] = field(default_factory=list)
    logins: list[dict[str, Any]] = field(default_factory=list)
    most_unanswered: int = 0
    port: int = 0
    _server: asyncio.Server | None = None
    _writers: set[asyncio.StreamWriter] = field(default_factory=set)
    _peers: list[_Peer] = field(default_factory=list)
    _changed: asyncio.Event = field(default_factory=asyncio.Event)

    async def __aenter__(self) -> FakeBroker:
        await self.open()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    async def open(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        await self._server.wait_closed()

    def cut(self) -> None:
        """End every connection without a word."""
        for writer in self._writers:
            writer.transport.abort()

    @property
    def connections(self) -> int:
        """How many are open."""
        return len(self._writers)

    async def until(self, condition: Callable[[], object]) -> None:
        """Wait until it is true; each packet makes it look again."""
        async with asyncio.timeout(60.0):
            while not condition():
                self._changed.clear()
                await self._changed.wait()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        peer = _Peer(writer)
        self._peers.append(peer)
        try:
            while self._answer(peer, *await self._read(reader)):
                self._changed.set()
                await writer.drain()
            with suppress(OSError):  # the other side was quicker
                writer.write_eof()  # what was said last is heard before the connection is gone
            await reader.read()
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass  # the end of a test included
        finally:
            self._writers.discard(writer)
            self._peers.remove(peer)
            writer.close()
            self._changed.set()

    def _answer(self, peer: _Peer, kind: int, flags: int, body: bytes) -> bool:
        """Whether the connection stays."""
        if kind == CONNECT:
            peer.v5 = self._login(body)
            properties = varint(len(self.connack_properties)) + self.connack_properties if peer.v5 else b""
            peer.writer.write(packet(CONNACK, bytes([0, self.connack]) + properties))
            return not self.connack
        if kind == PUBLISH:
            return self._published(peer, flags, body)
        if kind == SUBSCRIBE:
            return self._subscribed(peer, body)
        if kind == PINGREQ:
            peer.writer.write(packet(PINGRESP, b""))
        if kind == DISCONNECT:
            self.logins[-1]["left"] = body[0] if body else 0
        return kind != DISCONNECT

    def _published(self, peer: _Peer, flags: int, body: bytes) -> bool:
        message, mid = _publish(flags, body, v5=peer.v5)
        self.seen.append(message)
        peer.unanswered += 1
        self.most_unanswered = max(self.most_unanswered, peer.unanswered)
        code = self.answer(message)
        if code is None:
            return True
        if code < 0:
            peer.writer.write(packet(DISCONNECT, bytes([-code, 0])) if peer.v5 else b"")
            return False
        peer.unanswered -= 1
        closes, code = code >= AND_CLOSE, code % AND_CLOSE
        peer.writer.write(packet(PUBACK, mid + (bytes([code]) if peer.v5 and code else b"")))
        if code < 0x80:
            self.messages.append(message)
        return not closes

    def _subscribed(self, peer: _Peer, body: bytes) -> bool:
        """3.8, 3.9."""
        mid, at = body[:2], 2
        if peer.v5:
            size, at = take_varint(body, at)
            at += size
        topic, at = take_text(body, at)
        assert body[at] & 3 == 0  # QoS
        assert at + 1 == len(body)
        if self.suback is None or self.suback < 0:
            return self.suback is None
        peer.writer.write(packet(SUBACK, mid + (b"\0" if peer.v5 else b"") + bytes([self.suback])))
        if self.suback < 0x80:
            peer.hears = topic.decode()
            if peer.hears in self.kept:
                self._hand(peer, self.kept[peer.hears], flags=1)
        return True

    def say(self, topic: str, payload: bytes) -> None:
        """As if another client had published it."""
        for peer in self._peers:
            if peer.hears == topic:
                self._hand(peer, payload, flags=0)

    def _hand(self, peer: _Peer, payload: bytes, *, flags: int) -> None:
        name = peer.hears.encode()
        body = len(name).to_bytes(2, "big") + name + (b"\0" if peer.v5 else b"") + payload
        peer.writer.write(bytes([PUBLISH << 4 | flags]) + varint(len(body)) + body)

    async def _read(self, reader: asyncio.StreamReader) -> tuple[int, int, bytes]:
        first = (await reader.readexactly(1))[0]
        size = shift = 0
        while True:
            byte = (await reader.readexactly(1))[0]
            size |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                break
        return first >> 4, first & 0x0F, await reader.readexactly(size)

    def _login(self, body: bytes) -> bool:
        """3.1: protocol name and level, flags, keep alive, properties, then the payload."""
        name, at = take_text(body, 0)
        level, flags = body[at], body[at + 1]
        keepalive = int.from_bytes(body[at + 2 : at + 4], "big")
        at += 4
        if level == 5:
            size, at = take_varint(body, at)
            at += size
        client_id, at = take_text(body, at)
        login: dict[str, Any] = {
            "name": name,
            "level": level,
            "keepalive": keepalive,
            "id": client_id.decode(),
        }
        login["clean"] = bool(flags & 0x02)
        if flags & 0x04:
            if level == 5:
                size, at = take_varint(body, at)
                at += size
            topic, at = take_text(body, at)
            will, at = take_text(body, at)
            login |= {"will_topic": topic.decode(), "will": will, "will_retain": bool(flags & 0x20)}
        if flags & 0x80:
            user, at = take_text(body, at)
            login["user"] = user.decode()
        if flags & 0x40:
            login["password"], at = take_text(body, at)
        self.logins.append(login)
        return level == 5


def _publish(flags: int, body: bytes, *, v5: bool) -> tuple[Message, bytes]:
    """3.3."""
    topic, at = take_text(body, 0)
    mid, at = body[at : at + 2], at + 2
    properties = b""
    if v5:
        size, at = take_varint(body, at)
        properties, at = body[at : at + size], at + size
    return Message(topic.decode(), body[at:], bool(flags & 1), flags >> 1 & 3, properties), mid
