"""The work of one connection: records in order, several at once; the newest picture beside them."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any

from logger.mqtt_link import ANSWER_S, LEAVE_S
from logger.mqtt_reasons import FAILURE
from logger.publish.client import CheckedClient, loss, silence
from logger.publish.inbox import Inbox
from logger.publish.live import Backlog, Picture, Source, snapshot_post, status_post
from logger.publish.outbox import Item, Outbox, Settled
from logger.publish.pace import Pace
from logger.publish.post import Post
from logger.publish.reasons import BrokerError, refusal
from logger.publish.settings import Broker

KEPT_FOR_LIVE = 2  # of what may be in flight: a picture and a status
_ENDED = "ended"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ports:
    """What a connection is given. ``tell`` takes code, sentence and what makes it the same news;
    ``keep`` hands to the store's writer and says whether it took it."""

    broker: Broker
    source: Source
    outbox: Outbox
    inbox: Inbox
    tell: Callable[[str, str, str], None]
    keep: Callable[[Settled], bool]
    counted: Callable[[Backlog], None]
    number: Callable[[], int]
    utc_us: Callable[[], int]
    about: Callable[[], Post]
    pace: Pace = field(default_factory=Pace)
    pause: Callable[[float], Awaitable[None]] = asyncio.sleep


class Connection:
    """Works until the run has ended and all is sent, or until the connection is lost.

    ``careful``: one record at a time, to find the one at which the broker hangs up.
    """

    def __init__(self, client: CheckedClient, ports: Ports, *, careful: bool = False) -> None:
        self._client = client
        self._ports = ports
        self._outbox = ports.outbox
        self._window = 1 if careful else max(1, client.allowed.in_flight - KEPT_FOR_LIVE)
        self._moved = asyncio.Event()  # an acknowledgement came
        self._live_waits = False
        self._store_text = ""
        self._backlog = Backlog()
        self.flying: dict[int, Item] = {}
        self._sent = 0
        self.answered = 0  # records
        self.lasted = False  # long enough to count as a good one

    async def work(self) -> None:
        """Say hello, send, and come back when the run has ended and all is sent.

        Raises
        ------
        BrokerError
            The connection is gone.
        StoreError
            The store cannot be read.
        """
        parts = (self._records(), self._pictures(), self._watch(), self._keep_books())
        try:
            await self._hello()
            await _first_of(*parts)
        except BrokerError as error:
            if self._client.lost.done():
                raise loss(self._ports.broker, self._client) from error
            raise
        finally:
            for part in parts:
                part.close()

    async def farewell(self) -> None:
        """Take leave, as far as the broker still listens."""
        if not self._client.lost.done():
            async with asyncio.timeout(LEAVE_S):
                await self._status(online=False, reason=_ENDED)

    async def _hello(self) -> None:
        picture = self._ports.inbox.picture
        self._store_text = "" if picture is None else picture.health.store
        await self._status(online=True, reason=self._store_text)
        await self._live(self._ports.about())

    async def _status(self, *, online: bool, reason: str) -> None:
        ports = self._ports
        await self._live(
            status_post(
                ports.broker.topics,
                ports.source,
                online=online,
                reason=reason,
                number=ports.number(),
                t_utc_us=ports.utc_us(),
            )
        )

    async def _live(self, post: Post) -> None:
        """What passes by the backlog."""
        if self._client.too_large(post):
            self._told_refused(post, 0x95)
            return
        code = await self._client.posted(post)
        if code >= FAILURE:
            self._told_refused(post, code)

    async def _records(self) -> None:
        """The backlog, then each commit as it comes."""
        inbox = self._ports.inbox
        while True:
            inbox.committed.clear()
            while (item := self._outbox.next()) is not None:
                while len(self.flying) >= self._window or self._live_waits:
                    await self._movement()
                self._send(item)
            if inbox.ending.is_set() and not self.flying:
                if not inbox.committed.is_set():
                    return
            elif self.flying:
                await self._movement()
            else:
                await inbox.committed.wait()

    async def _movement(self) -> None:
        self._moved.clear()
        await self._moved.wait()

    def _send(self, item: Item) -> None:
        if self._client.too_large(item.post):
            self._refused(item, 0x95)
            return
        self._sent += 1
        number = self._sent
        self.flying[number] = item
        self._client.post(item.post, lambda code: self._acked(number, code))

    def _acked(self, number: int, code: int) -> None:
        item = self.flying.pop(number)
        self.answered += 1
        self.lasted = True
        if code >= FAILURE:
            self._refused(item, code)
        else:
            self._outbox.delivered(item)
        self._moved.set()

    def _refused(self, item: Item, code: int) -> None:
        self._outbox.refused(item, refusal(code), code)
        self._told_refused(item.post, code)

    def _told_refused(self, post: Post, code: int) -> None:
        self._ports.tell(
            "record-refused",
            f"the broker {self._ports.broker.name} refuses {post.topic}: it {refusal(code)}; what it refuses "
            "is kept and tried again every 10 min",
            f"{post.topic} {code}",
        )

    async def _pictures(self) -> None:
        """At most one a second, and the newest only."""
        while True:
            picture = await self._ports.inbox.next_picture()
            if picture is not None:
                await self._show(picture)
            await self._ports.pause(1.0)

    async def _show(self, picture: Picture) -> None:
        ports = self._ports
        self._live_waits = self._client.allowed.in_flight <= KEPT_FOR_LIVE
        while self._live_waits and self.flying:
            await self._movement()
        post = snapshot_post(ports.broker.topics, ports.source, picture, self._backlog, ports.number())
        await self._live(post)
        if picture.health.store != self._store_text:
            self._store_text = picture.health.store
            await self._status(online=True, reason=self._store_text)
        self._live_waits = False
        self._moved.set()

    async def _watch(self) -> None:
        """Raise when the connection is gone, or when nothing is acknowledged any more."""
        while True:
            answered, flying = self.answered, set(self.flying)
            done, _ = await asyncio.wait({self._client.lost}, timeout=ANSWER_S)
            if done:
                raise loss(self._ports.broker, self._client)
            if flying and answered == self.answered:
                raise silence(self._ports.broker)
            self.lasted = True

    async def _keep_books(self) -> None:
        """Once a second what was answered goes to the store."""
        ports, seconds = self._ports, 0.0
        while True:
            keep_books(self._outbox, ports.keep)
            self._backlog = self._outbox.backlog()
            ports.counted(self._backlog)
            await ports.pause(1.0)
            seconds += 1.0
            if seconds >= ports.pace.parked_s:
                seconds = 0.0
                self._outbox.try_parked()
                ports.inbox.committed.set()


def keep_books(outbox: Outbox, keep: Callable[[Settled], bool]) -> None:
    """Hand over what was answered; what the store does not take now goes with the next."""
    settled = outbox.take()
    if settled and not keep(settled):
        outbox.give_back(settled)


async def _first_of(*parts: Coroutine[Any, Any, None]) -> None:
    """Run all until one ends; its failure comes out, the others are cancelled."""
    tasks = [asyncio.ensure_future(part) for part in parts]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    for task in done:
        task.result()
