"""The work of one connection: records in order, several at once; the newest picture beside them."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from logger.core.errors import StoreError
from logger.mqtt_link import ANSWER_S, LEAVE_S
from logger.mqtt_reasons import FAILURE
from logger.publish.books import Settled
from logger.publish.client import CheckedClient, loss, silence
from logger.publish.live import Backlog, Picture, neighbour, snapshot_post, status_post
from logger.publish.order import Ports
from logger.publish.outbox import Item, Outbox
from logger.publish.parked import WHOLE_TOPIC
from logger.publish.post import Post
from logger.publish.records import others_first
from logger.publish.settings import BrokerError, refusal

KEPT_FOR_LIVE = 2  # of what may be in flight: a picture and a status
LOOK_S = 60.0  # wall time from look to look at the clock, by which readings grow old
GLANCE_S = 1.0  # wall time from look to look at what is in flight
LOOK_AHEAD = 256  # records looked through for one of another topic; assumed
ASK_S = 1.0  # wall time before a store that did not answer is asked again; assumed


@dataclass(frozen=True, slots=True)
class Flight:
    """A record on its way, and since when by the connection's clock. ``trial``: the broker has refused it or
    its topic before."""

    item: Item
    sent_s: float
    trial: bool = False


@dataclass(frozen=True, slots=True)
class Barred:
    """The broker refused a whole topic with that reason code."""

    topic: str
    code: int
    trial: bool


class Connection:
    """Works until the run has ended and all is sent, or until the connection is lost.

    ``careful``: one message at a time until it has lasted, to find the one at which the broker hangs up.
    ``proof``: first a record of each other topic than that of the first, to see whether the broker
    acknowledges any.
    """

    def __init__(
        self, client: CheckedClient, ports: Ports, *, careful: bool = False, proof: bool = False
    ) -> None:
        self._client = client
        self._ports = ports
        self._outbox = ports.outbox
        self.careful = careful
        self._proof = proof
        self._ahead: deque[Item] = deque()  # looked at, to be sent next
        self._moved = asyncio.Event()  # an acknowledgement came
        self._live = asyncio.Lock()  # one at a time of what passes by the backlog
        self._live_waits = False
        self._store_text = ""
        self._backlog = Backlog()
        self.flying: dict[int, Flight] = {}
        self._sent = self._last_answered = 0  # numbers of records
        self.answered: set[str] = set()  # topics of records
        self._held = False  # it was told to be a good one
        self._began_s = ports.now_s()
        self.barred: Barred | None = None  # by the last answer
        self.passing = ""  # topic of what passes by the backlog and is not answered yet
        self._trial_passes = False
        self.unanswered: Item | None = None  # for which it was given up
        self.passed_by = False  # one sent after that was answered

    @property
    def lasted(self) -> bool:
        """Whether it has stood long enough to be a good one: some brokers let us in and hang up."""
        return self._ports.now_s() - self._began_s >= ANSWER_S

    @property
    def on_trial(self) -> set[str]:
        """Topics that are tried once more, and that the broker may have hung up at."""
        topics = {flight.item.post.topic for flight in self.flying.values() if flight.trial}
        topics |= {self.passing} if self._trial_passes else set()
        return topics | ({self.barred.topic} if self.barred is not None and self.barred.trial else set())

    @property
    def _window(self) -> int:
        return 1 if self.careful else max(1, self._client.allowed.in_flight - KEPT_FOR_LIVE)

    async def work(self) -> None:
        """Say hello, send, and come back when the run has ended and all is sent.

        Raises
        ------
        BrokerError
            The connection is gone.
        StoreError
            The store cannot be read.
        """
        parts = (
            self._records(),
            self._pictures(),
            self._watch(),
            self._keep_books(),
            self._neighbours(),
            self._old(),
        )
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

    async def farewell(self, reason: str) -> None:
        """Take leave, as far as the broker still listens."""
        if not self._client.lost.done():
            async with asyncio.timeout(LEAVE_S):
                await self._client.room()
                self._client.parted = await self._status(online=False, reason=reason)

    async def _hello(self) -> None:
        picture = self._ports.inbox.picture
        self._store_text = "" if picture is None else picture.health.store
        await self._status(online=True, reason=self._store_text)
        await self._post(self._ports.about())

    async def _status(self, *, online: bool, reason: str) -> bool:
        ports = self._ports
        return await self._post(
            status_post(
                ports.broker.topics,
                ports.source,
                online=online,
                reason=reason,
                number=ports.number(),
                t_utc_us=ports.utc_us(),
            )
        )

    async def _post(self, post: Post) -> bool:
        """What passes by the backlog; whether the broker took it. What is held waits for its trial."""
        outbox, topic = self._outbox, post.topic
        trial = outbox.is_held(topic)
        if not outbox.may_go(topic):
            return False
        if self._client.too_large(post):
            code = 0x95
        else:
            self.passing, self._trial_passes = topic, trial
            code = await self._client.posted(post)
            self.passing, self._trial_passes = "", False
            self._note_barred(topic, code, trial=trial)
        if code >= FAILURE:
            self._ports.refused(topic, code)
        else:
            outbox.release(topic)
            self._ports.well(topic, again=True)
        return code < FAILURE

    def _note_barred(self, topic: str, code: int, *, trial: bool) -> None:
        self.barred = Barred(topic, code, trial) if code in WHOLE_TOPIC else None

    @asynccontextmanager
    async def _passing_by(self) -> AsyncIterator[None]:
        """One at a time; and alone in flight where the broker takes no more."""
        async with self._live:
            self._live_waits = self.careful or self._client.allowed.in_flight <= KEPT_FOR_LIVE
            try:
                while self._live_waits and self.flying:
                    await self._movement()
                yield
            finally:
                self._live_waits = False
                self._moved.set()

    async def _records(self) -> None:
        """The backlog, then each commit as it comes."""
        inbox = self._ports.inbox
        if self._proof:
            self._ahead.extend(others_first([item async for item in self._looked_ahead()]))
        while True:
            inbox.committed.clear()
            while (item := await self._next()) is not None:
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

    async def _next(self) -> Item | None:
        """The outbox looks at one page in a step; between two the loop does something else."""
        if self._ahead:
            return self._ahead.popleft()
        while (item := self._outbox.next()) is None and self._outbox.more:  # noqa: ASYNC110
            await asyncio.sleep(0)
        return item

    async def _looked_ahead(self) -> AsyncIterator[Item]:
        for _ in range(LOOK_AHEAD):
            item = await self._next()
            if item is None:
                return
            yield item

    async def _movement(self) -> None:
        self._moved.clear()
        await self._moved.wait()

    def _send(self, item: Item) -> None:
        if self._client.too_large(item.post):
            self._refused(item, 0x95)
            return
        self._sent += 1
        number = self._sent
        self._client.post(item.post, lambda code: self._acked(number, code))
        trial = item.again or self._outbox.is_held(item.post.topic)
        self.flying[number] = Flight(item, self._ports.now_s(), trial)

    def _acked(self, number: int, code: int) -> None:
        flight = self.flying.pop(number)
        item, topic = flight.item, flight.item.post.topic
        self._last_answered = max(number, self._last_answered)
        self.answered.add(topic)
        self._note_barred(topic, code, trial=flight.trial)
        if self.unanswered == item:  # later than it should
            self.unanswered = None
        self._holds()
        if code >= FAILURE:
            self._refused(item, code)
        else:
            self._outbox.delivered(item)
            self._ports.well(topic, again=item.again)
        self._moved.set()

    def _holds(self) -> None:
        if not self._held:
            self._held = True
            self._ports.holds()

    def _refused(self, item: Item, code: int) -> None:
        self._outbox.refused(item, refusal(code), code)
        self._ports.refused(item.post.topic, code)

    async def _pictures(self) -> None:
        """At most one a second, and the newest only."""
        while True:
            picture = await self._ports.inbox.next_picture()
            if picture is not None:
                await self._show(picture)
            await self._ports.pause(1.0)

    async def _show(self, picture: Picture) -> None:
        ports = self._ports
        async with self._passing_by():
            await self._post(
                snapshot_post(ports.broker.topics, ports.source, picture, self._backlog, ports.number())
            )
            if picture.health.store != self._store_text:
                self._store_text = picture.health.store
                await self._status(online=True, reason=self._store_text)

    async def _neighbours(self) -> None:
        """Say that we are here where another one says that nobody is, and tell of another logger."""
        ports = self._ports
        while True:
            heard = await self._client.heard.get()
            other = neighbour(heard.payload)
            if other is None:
                continue
            if other.online and not await self._is_ours(other.run):
                ports.tell(
                    "another-logger",
                    f"another logger (run {other.run}) is online under {ports.broker.topics()}; give each "
                    "its own [mqtt] site or [job] name",
                    "",
                )
            if not other.online and not heard.retained:  # retained is what was there before our own
                async with self._passing_by():
                    await self._status(online=True, reason=self._store_text)

    async def _is_ours(self, run: str) -> bool:
        """Asked for until the store answers: a busy one is no reason to end the connection."""
        ports = self._ports
        while run != ports.source.run:
            try:
                return ports.ours(run)
            except StoreError:
                await ports.pause(ASK_S)
        return True

    async def _watch(self) -> None:
        """Raise when the connection is gone, or when a record is not acknowledged: what lies beyond it
        cannot be booked as settled for ever."""
        ports = self._ports
        wait_s = ports.pace.answer_s
        while True:
            done, _ = await asyncio.wait({self._client.lost}, timeout=min(GLANCE_S, wait_s / 4))
            if done:
                raise loss(ports.broker, self._client)
            number, first = next(iter(self.flying.items()), (0, None))
            if first is not None and ports.now_s() - first.sent_s >= wait_s:
                self.unanswered, self.passed_by = first.item, self._last_answered > number
                raise silence(ports.broker, first.item.post.topic, wait_s)
            if self.lasted:
                if not self.flying:
                    self._holds()
                if self.careful:
                    self.careful = False
                    self._moved.set()

    async def _keep_books(self) -> None:
        """Once a second what was answered goes to the store."""
        ports, seconds = self._ports, 0.0
        while True:
            keep_books(self._outbox, ports.keep)
            for text in self._outbox.take_unreadable():
                ports.tell("record-refused", text, text)
            self._backlog = self._outbox.backlog()
            ports.counted(self._backlog)
            await ports.pause(1.0)
            seconds += 1.0
            if seconds >= ports.pace.parked_s:
                seconds = 0.0
                self._outbox.try_parked()
                ports.inbox.committed.set()

    async def _old(self) -> None:
        while True:
            await self._ports.pause(LOOK_S)
            await self._ports.old()


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
