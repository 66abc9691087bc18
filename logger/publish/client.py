"""The publisher's MQTT client: aiomqtt takes every acknowledgement for a success; here its reason code
comes out.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

import aiomqtt
import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from logger.mqtt_link import ANSWER_S, LinkClient, reason_code_of
from logger.mqtt_reasons import FAILURE, trouble
from logger.publish.post import Post
from logger.publish.settings import AT, Broker, BrokerError, refusal
from logger.text import one_line

MOST_IN_FLIGHT = 20  # paho sends no more at once
_HEARD_AT_ONCE = 16  # messages of others that wait to be looked at; assumed, what comes beyond is dropped
_PACKET_EXTRA = 512  # bytes of a PUBLISH beside topic and payload, at most; assumed
_SILENT = 0x8D  # MQTT 5.0, table 2-6: keep alive timeout

Acked = Callable[[int], None]
"""Takes the reason code of an acknowledgement; 0 is success, and all that MQTT 3.1.1 knows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """What the broker said it takes; MQTT 5.0, 3.2.2.3."""

    in_flight: int = MOST_IN_FLIGHT
    packet_bytes: int | None = None
    qos: int = 1
    retain: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A message of another client; ``retained``: the broker had kept it."""

    payload: bytes
    retained: bool


class CheckedClient(LinkClient):
    """One connection of the publisher. ``hearing`` is done when the broker has answered ``listen``, true
    where it lets us; ``parted``: it has our good-bye, so that the last will need not be said."""

    def __init__(self, broker: Broker, identifier: str, will: Post | None) -> None:
        password = broker.password()
        self._broker = broker
        self._v5 = broker.table.version == "5"
        super().__init__(
            broker.table.host,
            broker.port,
            version=broker.table.version,
            username=broker.table.username,
            password=None if password is None else password.get_secret_value(),
            identifier=identifier,
            will=None if will is None else self._will(will),
            tls_context=broker.tls_context(),
        )
        self.allowed = Allowed()
        self._acks: dict[int, Acked] = {}
        self._answered = asyncio.Event()
        self.parted = will is None
        self.hearing: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        self.heard: asyncio.Queue[Heard] = asyncio.Queue(_HEARD_AT_ONCE)

    def _on_connect(
        self,
        client: mqtt.Client,
        userdata: object,
        flags: mqtt.ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        self.allowed = _allowed(properties)
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_publish(
        self,
        client: mqtt.Client,
        userdata: object,
        mid: int,
        reason_code: ReasonCode,
        properties: Properties,
    ) -> None:
        super()._on_publish(client, userdata, mid, reason_code, properties)
        if (acked := self._acks.pop(mid, None)) is not None:
            acked(reason_code.value)
            self._answered.set()

    def listen(self, topic: str) -> None:
        """Ask to hear it, with QoS 0: so it is not among what is in flight."""
        options = SubscribeOptions(qos=0, noLocal=True) if self._v5 else None
        self._client.subscribe(topic, 0, options)

    def _on_subscribe(
        self,
        client: mqtt.Client,
        userdata: object,
        mid: int,
        reason_codes: list[ReasonCode],
        properties: Properties | None = None,
    ) -> None:
        if not self.hearing.done():
            self.hearing.set_result(all(code.value < FAILURE for code in reason_codes))

    def _on_message(self, client: mqtt.Client, userdata: object, message: mqtt.MQTTMessage) -> None:
        if not self.heard.full():
            self.heard.put_nowait(Heard(payload=bytes(message.payload), retained=message.retain))

    def post(self, post: Post, acked: Acked) -> None:
        """Send at once with QoS 1; ``acked`` is called when the broker has answered.

        Raises
        ------
        BrokerError
            The connection is gone.
        """
        if self.lost.done():
            raise loss(self._broker, self)
        retain = post.retain and self.allowed.retain
        info = self._client.publish(post.topic, post.payload, 1, retain, self._properties_of(post))
        if info.rc:
            raise loss(self._broker, self)
        self._acks[info.mid] = acked

    async def room(self) -> None:
        """Wait until the broker takes one more at once; MQTT 5.0, 3.3.4."""
        while len(self._acks) >= self.allowed.in_flight:
            self._answered.clear()
            await self._answered.wait()

    def too_large(self, post: Post) -> bool:
        """Whether the broker said that it takes no message of that size; MQTT 5.0, 3.2.2.3.6."""
        most = self.allowed.packet_bytes
        return most is not None and len(post.topic) + len(post.payload) + _PACKET_EXTRA > most

    async def posted(self, post: Post) -> int:
        """Send with QoS 1 and wait for the reason code."""
        answer: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        self.post(post, lambda code: None if answer.done() else answer.set_result(code))
        either: set[asyncio.Future[Any]] = {answer, self.lost}
        await asyncio.wait(either, timeout=ANSWER_S, return_when=asyncio.FIRST_COMPLETED)
        if not answer.done():
            answer.cancel()
            raise (
                loss(self._broker, self) if self.lost.done() else silence(self._broker, post.topic, ANSWER_S)
            )
        return answer.result()

    def _properties_of(self, post: Post) -> Properties | None:
        if not self._v5:
            return None
        return _properties(PacketTypes.PUBLISH, post)

    def _will(self, will: Post) -> aiomqtt.Will:
        properties = _properties(PacketTypes.WILLMESSAGE, will) if self._v5 else None
        return aiomqtt.Will(will.topic, will.payload, 1, will.retain, properties)


def _properties(kind: int, post: Post) -> Properties:
    properties = Properties(kind)  # type: ignore[no-untyped-call]
    properties.PayloadFormatIndicator = 1
    properties.ContentType = "application/json"
    if post.expiry_s is not None:
        properties.MessageExpiryInterval = post.expiry_s
    return properties


def _allowed(properties: object) -> Allowed:
    """From the properties of a CONNACK; what is not there has MQTT's default."""
    return Allowed(
        in_flight=min(MOST_IN_FLIGHT, getattr(properties, "ReceiveMaximum", 65_535)),
        packet_bytes=getattr(properties, "MaximumPacketSize", None),
        qos=getattr(properties, "MaximumQoS", 2),
        retain=bool(getattr(properties, "RetainAvailable", 1)),
    )


@asynccontextmanager
async def connected(broker: Broker, identifier: str, will: Post | None) -> AsyncIterator[CheckedClient]:
    """A client that is logged in. Where it has not taken leave by the end, the broker says its last will.

    Raises
    ------
    BrokerError
        It cannot be reached, or does not let us in; one sentence with the next step.
    """
    client = CheckedClient(broker, identifier, will)
    try:
        await client.enter()
    except (aiomqtt.MqttError, OSError, ValueError) as error:
        raise _refused(broker, error) from error
    try:
        if client.allowed.qos < 1:
            raise BrokerError(f"the broker {broker.name} {refusal(0x9B)}", 0x9B)
        yield client
    finally:
        await client.leave(with_will=not client.parted)


def _refused(broker: Broker, error: Exception) -> BrokerError:
    """Why there is no connection."""
    why = trouble(error, AT)
    return BrokerError(f"the broker {broker.name} {one_line(why.what)}; {why.step}", why.code)


def silence(broker: Broker, topic: str, wait_s: float) -> BrokerError:
    """Something was not acknowledged."""
    return BrokerError(
        f"the broker {broker.name} acknowledges nothing of {topic} for {wait_s:.0f} s; it is tried again by "
        "itself; look at the broker and the network",
        news="silence",
    )


def no_record(broker: Broker, *, hangs_up: bool) -> BrokerError:
    """Nothing but what passes by the backlog was taken."""
    deed = "ends the connection at every record" if hangs_up else "acknowledges no record"
    return BrokerError(
        f"the broker {broker.name} takes our status but {deed}; it is tried again by itself; look at the "
        "broker's log, its rules and its disk",
        news="no record",
    )


def loss(broker: Broker, client: CheckedClient) -> BrokerError:
    """Why a connection that was there is gone."""
    code = reason_code_of(client.lost.exception()) if client.lost.done() else None
    if code is not None and client.by_broker:
        text = f"the broker {broker.name} ended the connection: it {refusal(code)}"
        return BrokerError(text, code, by_peer=True)
    text = f"the connection to the broker {broker.name} was lost; it is tried again by itself"
    return BrokerError(text, by_peer=code != _SILENT)
